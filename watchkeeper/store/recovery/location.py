"""Notices that the file of an open database was deleted, moved, replaced or overwritten, and writes its content again.

SQLite goes on writing to a file that has lost its name, and everything is gone when the last process closes it. As long
as it is open its content can be copied (sqlite3_backup). Not here: when that is checked, and how it is reported
(daemon/database_location.py).
"""

import os
import sqlite3
from contextlib import closing, suppress
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from watchkeeper.store import schema
from watchkeeper.store.files import file_lock

_HEADER_BYTES = 100
_MAGIC = b"SQLite format 3\0"
_APPLICATION_ID = slice(68, 72)
"""https://www.sqlite.org/fileformat2.html, 1.3: the database header."""

PAGES_AT_ONCE = 1_000


@dataclass(frozen=True, slots=True)
class Location:
    """Where an open database is.

    path: its file. lost: what happened to the file that the configuration names; empty where it is in use. written:
    everything was written to `path` just now. why_not: why it could not be written. changed: another program has
    written into it since the last look.
    """

    path: Path
    lost: str = ""
    written: bool = False
    why_not: str = ""
    changed: str = ""


class FileInUse:
    """The file of an open database, held so that it can be compared with what its path names.

    It is opened once and kept: closing any handle of the file would drop SQLite's locks on it (POSIX record locks).
    """

    def __init__(self, path: Path) -> None:
        """path: of a database that this process has open. Raises OSError."""
        self.path = path
        self._handle = os.open(path, os.O_RDONLY | os.O_CLOEXEC)

    def is_at(self, path: Path) -> bool:
        """Whether a path names this file."""
        try:
            return os.path.samestat(os.fstat(self._handle), path.stat())
        except OSError:
            return False

    def is_database(self) -> bool:
        """Whether it still begins as a database of watchkeeper, and not with what somebody has written over it."""
        header = os.pread(self._handle, _HEADER_BYTES, 0)
        # A new database is in its -wal alone until the first checkpoint.
        return not header or (
            header.startswith(_MAGIC) and header[_APPLICATION_ID] == schema.APPLICATION_ID.to_bytes(4, "big")
        )

    def now_at(self) -> Path | None:
        """Its path now, where it was moved with its folder; None where it has no name any more."""
        named = Path(f"/proc/self/fd/{self._handle}").readlink()
        return named if self.is_at(named) else None

    def close(self) -> None:
        """Close it; only after the connections."""
        os.close(self._handle)


def write_again(conn: sqlite3.Connection, path: Path, at: datetime) -> Path:
    """Write the content of an open database to a new file: at `path`, or beside it where something else is there.

    Returns the new file. Raises OSError and sqlite3.Error; nothing is left then.
    """
    made = path.with_name(f"{path.name}.rescued-{at:%Y%m%dT%H%M%SZ}")
    os.close(os.open(made, os.O_RDWR | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, file_lock.FILE_MODE))
    try:
        with closing(sqlite3.connect(made)) as copy:
            conn.backup(copy, pages=PAGES_AT_ONCE)
        file_lock.sync(made)
    except BaseException:
        with suppress(OSError):
            made.unlink()
        raise
    return _named(made, path)


def _named(made: Path, path: Path) -> Path:
    """Give the new file the name of the old one, if nothing else has it."""
    try:
        os.link(made, path)
    except OSError:
        return made
    # What is left of the old one would be applied to the new one.
    for tail in ("-wal", "-shm"):
        path.with_name(path.name + tail).unlink(missing_ok=True)
    made.unlink()
    file_lock.sync(path.parent)
    return path
