"""The receiving side of the journal's native protocol, as its document describes it."""

import array
import fcntl
import os
import socket
import struct
from pathlib import Path

LARGEST = 1_000_000


def decoded(entry: bytes) -> dict[str, str]:
    """The fields of an entry. Raises ValueError if it does not follow the document."""
    fields, rest = {}, entry
    while rest:
        name, rest = rest.split(b"\n", 1)
        if b"=" in name:
            name, value = name.split(b"=", 1)
        else:
            (length,) = struct.unpack("<Q", rest[:8])
            value, end, rest = rest[8 : 8 + length], rest[8 + length : 9 + length], rest[9 + length :]
            if end != b"\n":
                raise ValueError(f"no line break behind {name!r}")
        if not name or name.strip(b"ABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789_") or name[:1] == b"_" or len(name) > 64:
            raise ValueError(f"no field may be called {name!r}")
        fields[name.decode()] = value.decode()
    return fields


class Listener:
    """The journal's socket. seals: of each entry that arrived as a file."""

    def __init__(self, path: Path) -> None:
        self.path, self.seals = path, list[int]()
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self._socket.bind(str(path))
        self._socket.setblocking(False)

    def entries(self, within_s: float | None = None) -> list[dict[str, str]]:
        """The entries received so far; with a time, waits that long for at least one."""
        found: list[dict[str, str]] = []
        self._socket.settimeout(within_s or 0)
        for _ in range(100_000):
            try:
                data, rights, _, _ = self._socket.recvmsg(LARGEST, socket.CMSG_SPACE(4))
            except (BlockingIOError, TimeoutError):
                return found
            self._socket.settimeout(0)
            found.append(decoded(self._of_file(rights[0][2]) if rights else data))
        return found

    def _of_file(self, right: bytes) -> bytes:
        (descriptor,) = array.array("i", right)
        self.seals.append(fcntl.fcntl(descriptor, fcntl.F_GET_SEALS))
        with os.fdopen(descriptor, "rb") as file:
            file.seek(0)
            return file.read()

    def close(self) -> None:
        """Close the socket: nobody listens any more."""
        self._socket.close()
