"""Recognises a format by the first bytes of a file, and names what checks it.

Sources: RFC 1952 (gzip), RFC 8878 (zstd), the frame formats of lz4 and xz, ustar of POSIX.1 pax, APPNOTE (zip), QEMU's
docs/interop/qcow2.txt, https://sqlite.org/fileformat.html, the archives of pg_dump(1). Names of files are not
read. Not here: files that must be read at several places (seekable.py).
"""

from dataclasses import dataclass

from watchkeeper.probes.verification import compression
from watchkeeper.probes.verification.outcomes import DamageFound, NotCheckable
from watchkeeper.probes.verification.sinks import EndMark, Nothing, Program, Sink, StoredPages, Unchecked

HEAD = 4096
"""Bytes by which a format is recognised; the header of a dump may follow after some comments."""

DEEPEST = 4
"""Formats within formats: `tar.gz`, a dump within both."""

_ENCRYPTED = (
    (b"age-encryption.org/", "age"), (b"-----BEGIN AGE", "age"), (b"-----BEGIN PGP MESSAGE", "OpenPGP"),
    (b"Salted__", "openssl enc"), (b"LUKS\xba\xbe", "LUKS"),
)  # fmt: skip

_PGP = frozenset({0x84, 0x85, 0x8C, 0xC1, 0xC3})
"""The first byte of a message encrypted with OpenPGP: a session key's packet of tag 1 or 3, RFC 4880, section 4.2."""

NO_CHECK = "its format has no check that is known here"


@dataclass(slots=True)
class Found:
    """A format. sink: what checks it as its bytes come. seekable: whether the file itself has to be looked at then.

    note: what even a whole file does not prove.
    """

    name: str
    sink: Sink
    seekable: bool = False
    note: str = ""


class Recognised:
    """Collects the first bytes, chooses by them, and passes everything on. depth: how many formats are around it."""

    def __init__(self, depth: int = 0) -> None:
        self._depth, self._head = depth, b""
        self.found: Found | None = None

    def feed(self, data: bytes) -> None:
        """Take the next bytes."""
        if self.found is not None:
            self.found.sink.feed(data)
            return
        self._head += data
        if len(self._head) >= HEAD:
            self._choose()

    def end(self) -> None:
        """There are no more."""
        if self.found is None:
            self._choose()
        if self.found is not None:
            self.found.sink.end()

    def close(self) -> None:
        """Release what was chosen."""
        if self.found is not None:
            self.found.sink.close()

    @property
    def names(self) -> tuple[str, ...]:
        """The formats, the outermost first."""
        if self.found is None:
            return ()
        inside = self.found.sink.inside if isinstance(self.found.sink, _Around) else None
        return (self.found.name, *(inside.names if inside else ())) if self.found.name else ()

    @property
    def notes(self) -> tuple[str, ...]:
        """What is not proven; the checksum of a compression covers what is inside."""
        return (self.found.note,) if self.found is not None and self.found.note else ()

    def _choose(self) -> None:
        self.found = recognise(self._head, self._depth)
        head, self._head = self._head, b""
        self.found.sink.feed(head)


class _Around:
    """A format around another one."""

    def __init__(self, sink: Sink, inside: Recognised) -> None:
        self._sink, self.inside = sink, inside
        self.feed, self.end, self.close = sink.feed, sink.end, sink.close


def recognise(head: bytes, depth: int = 0) -> Found:
    """The format of a file that begins so. Raises NotCheckable if a program is missing."""
    if not head:
        return Found("", Nothing() if depth else _Empty())
    for magic, name in _ENCRYPTED:
        if head.startswith(magic):
            return Found(name, Unchecked(f"it is encrypted ({name})"))
    if head[0] in _PGP and depth == 0 and not head[:64].isascii():
        return Found("OpenPGP", Unchecked("it is encrypted (OpenPGP)"))
    packed = _compressed(head, depth) if depth < DEEPEST else None
    return packed or _archive(head, depth) or _dump(head) or Found("", Nothing() if depth else Unchecked(NO_CHECK))


class _Empty(Nothing):
    def end(self) -> None:
        raise DamageFound("it is empty")


def _compressed(head: bytes, depth: int) -> Found | None:
    inside = Recognised(depth + 1)
    if head.startswith(b"\x1f\x8b"):
        return Found("gzip", _Around(compression.gzip(inside), inside))
    if head.startswith(b"BZh"):
        return Found("bzip2", _Around(compression.bzip2(inside), inside))
    if head.startswith(b"\xfd7zXZ\0"):
        note = "" if head[7:8] != b"\0" else "this xz was written without a checksum"
        return Found("xz", _Around(compression.xz(inside), inside), note=note)
    if head.startswith(b"\x28\xb5\x2f\xfd"):
        note = "" if head[4:5] and head[4] & 4 else "this zstd was written without a checksum"
        return Found("zstd", _Around(_program("zstd", inside), inside), note=note)
    if head.startswith(b"\x04\x22\x4d\x18"):
        note = "" if head[4:5] and head[4] & 4 else "this lz4 was written without a checksum"
        return Found("lz4", _Around(_program("lz4", inside), inside), note=note)
    return None


def _program(name: str, inside: Sink) -> Program:
    """Unpacks with the program of that name, which is also its package's."""
    return Program((name, "-d", "-c", "-q"), name, lambda said: _unpacker_said(name, said), inside)


def _unpacker_said(name: str, said: str) -> Exception:
    text = said.rpartition(": ")[2].strip().rstrip(" .") or said
    if "emory" in said or "indow" in said:
        return NotCheckable(f"{name}: {text}")
    return DamageFound(f"{name}: {text[:1].lower()}{text[1:]}")


def _archive(head: bytes, depth: int) -> Found | None:
    if head[257:262] == b"ustar":
        note = "" if depth else "a tar has no checksum of its files' content"
        return Found("tar", Tar(), note=note)
    if head.startswith((b"PK\3\4", b"PK\5\6")) and depth == 0:
        return Found("zip", Nothing(), seekable=True)
    if head.startswith(b"QFI\xfb") and depth == 0:
        return Found("qcow2", Nothing(), seekable=True, note="a qcow2 image has no checksum of the guest's data")
    if head.startswith(b"SQLite format 3\0"):
        return Found("SQLite", StoredPages(head), seekable=depth == 0)
    if head.startswith(b"PGDMP"):
        argv = ("pg_restore", "--file=/dev/null")
        return Found("PostgreSQL archive", Program(argv, "postgresql-client", _pg_restore_said))
    return None


def _pg_restore_said(said: str) -> Exception:
    text = said.removeprefix("pg_restore: ").removeprefix("error: ")
    if "unsupported version" in text or "not built with" in text or "not supported" in text:
        return NotCheckable(f"PostgreSQL archive: {text}; pg_restore of a newer version can read it")
    return DamageFound(f"PostgreSQL archive: {text}")


class Tar(Program):
    """A tar: its list can be read to the end, and the two empty blocks of its end are there."""

    BLOCKS = 1024

    def __init__(self) -> None:
        super().__init__(("tar", "--list", "--file=-"), "tar", _tar_said)
        self._tail = b""

    def feed(self, data: bytes) -> None:
        """Pass it on, and keep the end."""
        self._tail = (self._tail + data)[-self.BLOCKS :]
        super().feed(data)

    def end(self) -> None:
        """The verdict of tar, which accepts an archive without its end."""
        super().end()
        if self._tail.strip(b"\0"):
            raise DamageFound("tar: the end of the archive is missing")


def _tar_said(said: str) -> Exception:
    text = said.removeprefix("tar: ")
    return DamageFound(f"tar: {text[:1].lower()}{text[1:]}")


_CLUSTER = b"-- PostgreSQL database cluster dump complete"
_POSTGRES = b"-- PostgreSQL database dump complete"
_MYSQL = b"-- Dump completed"


def _dump(head: bytes) -> Found | None:
    """A dump in SQL, by the comments that begin it."""
    note = "a dump in SQL has no checksum"
    if b"-- PostgreSQL database cluster dump" in head:
        return Found("PostgreSQL dump", EndMark("PostgreSQL dump", (_CLUSTER,)), note=note)
    if b"-- PostgreSQL database dump" in head:
        return Found("PostgreSQL dump", EndMark("PostgreSQL dump", (_POSTGRES,)), note=note)
    for begin, name in ((b"-- MySQL dump", "MySQL dump"), (b"-- MariaDB dump", "MariaDB dump")):
        if begin in head:
            return Found(name, EndMark(name, (_MYSQL,)), note=note)
    if head.startswith(b"PRAGMA foreign_keys=OFF;\nBEGIN TRANSACTION;"):
        # sqlite3(1) ends with a rollback if it met an error while it wrote.
        return Found("SQLite dump", EndMark("SQLite dump", (b"COMMIT;",), last=True), note=note)
    return None
