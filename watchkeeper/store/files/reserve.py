"""A file of a fixed size beside the database: what the database cannot take is written there before it is reported.

Its space is taken while there is some, and it is overwritten in place, which needs none. It holds one record at a time
in one of two places, written in turn; the newest whole one counts, so that a kill in the middle leaves the one before.
On a file system that writes changes elsewhere (btrfs, ZFS) a full disk can still refuse it. Not here: what is written,
and when (runtime/write_buffer.py).
"""

import errno
import os
import stat
import struct
import zlib
from pathlib import Path

from watchkeeper.errors import StoreError
from watchkeeper.store.files.file_lock import FILE_MODE

PLACE_BYTES = 256 * 1024
"""One of the two places. Compressed, it holds about a thousand messages."""

SPARE_BYTES = 96 * 1024
"""At the end of the file, given up where a full disk would keep the database from being opened: SQLite needs 32 KiB for
its -shm, and somebody else may take some of what becomes free."""

_HEADER = struct.Struct("<8sQII")
"""Mark, number, length of the compressed text (RFC 1950), and the CRC-32 of that and the number."""

_MARK = b"WKPRkeep"

_MOST_BYTES = 64 * 2**20
"""Of the text: a damaged length must not cost the memory."""


class Reserve:
    """The file, open. Used by one thread at a time."""

    def __init__(self, path: Path) -> None:
        """Open or make the file, with all its space. Raises OSError, and StoreError for what is no file."""
        self._handle = os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC | os.O_NOFOLLOW | os.O_NONBLOCK, FILE_MODE)
        try:
            if not stat.S_ISREG(os.fstat(self._handle).st_mode):
                raise StoreError(f"{path} is no file: see what it is, and take it away")
            self._take_space()
            self._places = [self._read(place) for place in (0, 1)]
        except BaseException:
            os.close(self._handle)
            raise

    @property
    def number(self) -> int:
        """The number of the newest record that was ever written; 0 for none."""
        return max(number for number, _ in self._places)

    @property
    def text(self) -> str:
        """The newest record; empty for none."""
        return max(self._places)[1]

    def write(self, number: int, text: str) -> None:
        """Replace the record. Raises OSError where that cannot be written, ValueError where it is too long."""
        packed = zlib.compress(text.encode("ascii"))
        if _HEADER.size + len(packed) > PLACE_BYTES:
            raise ValueError(f"{len(packed)} bytes are more than fit")
        place = self._places.index(min(self._places))
        content = _HEADER.pack(_MARK, number, len(packed), _checksum(number, packed)) + packed
        if os.pwrite(self._handle, content, place * PLACE_BYTES) < len(content):
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        os.fdatasync(self._handle)
        self._places[place] = (number, text)

    def close(self) -> None:
        """Close the file."""
        os.close(self._handle)

    def _take_space(self) -> None:
        """Write what is missing at the end: a hole has no space of its own. The spare part may have none."""
        size, whole = os.fstat(self._handle).st_size, 2 * PLACE_BYTES + SPARE_BYTES
        if size >= whole:
            return
        try:
            os.pwrite(self._handle, bytes(whole - size), size)
            os.fsync(self._handle)
        except OSError:
            if os.fstat(self._handle).st_size < 2 * PLACE_BYTES:
                raise
        if os.fstat(self._handle).st_size < 2 * PLACE_BYTES:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    def _read(self, place: int) -> tuple[int, str]:
        """The record in a place, and its number; 0 where there is none that is whole."""
        mark, number, length, crc = _HEADER.unpack(os.pread(self._handle, _HEADER.size, place * PLACE_BYTES))
        packed = os.pread(self._handle, min(length, PLACE_BYTES), place * PLACE_BYTES + _HEADER.size)
        if mark != _MARK or _checksum(number, packed) != crc:
            return 0, ""
        try:
            return number, zlib.decompressobj().decompress(packed, _MOST_BYTES).decode("ascii")
        except (zlib.error, UnicodeDecodeError):
            return 0, ""


def _checksum(number: int, packed: bytes) -> int:
    return zlib.crc32(packed, number & 0xFFFFFFFF)


def give_up_spare(path: Path) -> bool:
    """Return the spare part of a reserve to the file system; False where there is none."""
    try:
        handle = os.open(path, os.O_RDWR | os.O_CLOEXEC | os.O_NOFOLLOW | os.O_NONBLOCK)
    except OSError:
        return False
    try:
        if not os.fstat(handle).st_size > 2 * PLACE_BYTES:
            return False
        os.ftruncate(handle, 2 * PLACE_BYTES)
        os.fsync(handle)
    except OSError:
        return False
    finally:
        os.close(handle)
    return True
