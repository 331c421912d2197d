"""The native protocol of systemd's journal: a datagram of fields for each entry.

systemd documents it as "Native Journal Protocol": `FIELD=value` and a line break, or, for a value that contains a line
break, the name, a line break, the length as 64 bits in little-endian order, the value and a line break. What is too
large for a datagram goes into a sealed memory file whose descriptor is sent instead. Not here: which fields (lines.py).
"""

import array
import errno
import fcntl
import os
import socket
import struct
from collections.abc import Mapping
from pathlib import Path
from typing import Final

SOCKET: Final = Path("/run/systemd/journal/socket")

_TOO_LARGE = frozenset({errno.EMSGSIZE, errno.ENOBUFS})
"""The kernel's errors for a datagram that it cannot take whole: unix(7), send(2)."""

_SEALS = fcntl.F_SEAL_SEAL | fcntl.F_SEAL_SHRINK | fcntl.F_SEAL_GROW | fcntl.F_SEAL_WRITE
"""The protocol requires all four: nothing in the file changes while the journal reads it."""


def is_where_stderr_leads(environment: Mapping[str, str], descriptor: int = 2) -> bool:
    """Is standard error connected to the journal?

    systemd.exec(5): $JOURNAL_STREAM holds device and inode of the stream that was given to the process. Where standard
    error has others, the program was started from within the service with its output redirected.
    """
    device, colon, inode = environment.get("JOURNAL_STREAM", "").partition(":")
    if not colon:
        return False
    try:
        found = os.fstat(descriptor)
    except OSError:
        return False
    return (device, inode) == (str(found.st_dev), str(found.st_ino))


def encoded(fields: Mapping[str, str]) -> bytes:
    """An entry's fields in the protocol's encoding. Whatever is not Unicode in a value is replaced."""
    parts = []
    for name, text in fields.items():
        value = text.encode("utf-8", "replace")
        if b"\n" in value:
            parts.append(b"%s\n%s%s\n" % (name.encode("ascii"), struct.pack("<Q", len(value)), value))
        else:
            parts.append(b"%s=%s\n" % (name.encode("ascii"), value))
    return b"".join(parts)


class Journal:
    """The journal's socket. Never waits: what it cannot accept now stays with the caller."""

    def __init__(self, path: Path = SOCKET) -> None:
        """path: where the journal listens."""
        self._path = str(path)
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC)
        self._socket.setblocking(False)

    def send(self, fields: Mapping[str, str]) -> None:
        """Send one entry. Raises OSError where it is not accepted; BlockingIOError where it may be soon."""
        entry = encoded(fields)
        try:
            self._socket.sendto(entry, self._path)
        except OSError as error:
            if error.errno not in _TOO_LARGE:
                raise
            self._send_as_file(entry)

    def _send_as_file(self, entry: bytes) -> None:
        descriptor = os.memfd_create("journal-entry", os.MFD_CLOEXEC | os.MFD_ALLOW_SEALING)
        with os.fdopen(descriptor, "wb") as file:
            file.write(entry)
            file.flush()
            fcntl.fcntl(descriptor, fcntl.F_ADD_SEALS, _SEALS)
            rights = (socket.SOL_SOCKET, socket.SCM_RIGHTS, array.array("i", [descriptor]))
            self._socket.sendmsg([], [rights], 0, self._path)

    def close(self) -> None:
        """Close the socket."""
        self._socket.close()
