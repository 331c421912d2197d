"""Unpacks gzip, bzip2 and xz, whose checksums say whether a file is whole, and passes what is inside on.

Formats: RFC 1952 (gzip), https://tukaani.org/xz/xz-file-format.txt. Memory is bounded by a piece and by the limit of
xz. Not here: zstd and lz4, which their own programs unpack (formats.py).
"""

import bz2
import lzma
import re
import zlib
from collections.abc import Callable
from typing import Protocol

from watchkeeper.probes.verification.outcomes import DamageFound, NotCheckable
from watchkeeper.probes.verification.sinks import PIECE, Sink

XZ_MEMORY = 256 * 2**20
"""`xz -9` needs 65 MiB to unpack."""


class _Unpacker(Protocol):
    """One stream of a compressed file, as in bz2 and lzma."""

    @property
    def eof(self) -> bool: ...

    @property
    def unused_data(self) -> bytes: ...

    @property
    def needs_input(self) -> bool: ...

    def decompress(self, data: bytes, max_length: int = -1) -> bytes: ...


class _Gzip:
    """zlib's object in the form of the other two."""

    def __init__(self) -> None:
        self._own = zlib.decompressobj(wbits=31)

    @property
    def eof(self) -> bool:
        return self._own.eof

    @property
    def unused_data(self) -> bytes:
        return self._own.unused_data

    @property
    def needs_input(self) -> bool:
        return not self._own.unconsumed_tail

    def decompress(self, data: bytes, max_length: int = -1) -> bytes:
        return self._own.decompress(self._own.unconsumed_tail + data, max_length)


class Unpacked:
    """A file of one or several compressed streams. after: takes what is inside."""

    def __init__(self, name: str, magic: bytes, make: Callable[[], _Unpacker], after: Sink) -> None:
        self._name, self._magic, self._make, self._after = name, magic, make, after
        self._stream: _Unpacker | None = make()
        self._between = b""

    def feed(self, data: bytes) -> None:
        """Unpack as far as the bytes go; the next stream begins where one ends."""
        while data:
            if self._stream is None:
                data = self._next(data)
                continue
            stream = self._stream
            self._unpack(stream, data)
            while not stream.eof and not stream.needs_input:
                self._unpack(stream, b"")
            data = b""
            if stream.eof:
                self._stream, data = None, stream.unused_data

    def end(self) -> None:
        """Check that the last stream has ended."""
        if self._stream is not None or self._between:
            raise DamageFound(f"{self._name}: unexpected end of file")
        self._after.end()

    def close(self) -> None:
        """Release what is inside."""
        self._after.close()

    def _next(self, data: bytes) -> bytes:
        """What a new stream begins with; zeros between streams are padding."""
        data = self._between + data if self._between else data.lstrip(b"\0")
        if len(data) < len(self._magic) and self._magic.startswith(data):
            self._between = data
            return b""
        self._between = b""
        if not data.startswith(self._magic):
            raise DamageFound(f"{self._name}: something else follows after its end")
        self._stream = self._make()
        return data

    def _unpack(self, stream: _Unpacker, data: bytes) -> None:
        try:
            out = stream.decompress(data, PIECE)
        except (OSError, ValueError, EOFError, zlib.error, lzma.LZMAError) as error:
            if "emory" in str(error):
                raise NotCheckable(f"{self._name}: it needs more than {XZ_MEMORY >> 20} MiB to be unpacked") from None
            said = re.sub(r"^Error -?\d+ while decompressing data: ", "", str(error))
            raise DamageFound(f"{self._name}: {said[:1].lower()}{said[1:]}") from None
        if out:
            self._after.feed(out)


def gzip(after: Sink) -> Unpacked:
    """Gzip, also of several members."""
    return Unpacked("gzip", b"\x1f\x8b", _Gzip, after)


def bzip2(after: Sink) -> Unpacked:
    """Bzip2, also of several streams."""
    return Unpacked("bzip2", b"BZh", bz2.BZ2Decompressor, after)


def xz(after: Sink) -> Unpacked:
    """xz, also of several streams."""
    return Unpacked("xz", b"\xfd7zXZ\0", lambda: lzma.LZMADecompressor(lzma.FORMAT_XZ, memlimit=XZ_MEMORY), after)
