"""Connections to the database file, their settings, and SQLite's errors as a StoreError.

SQLite in WAL mode: readers see the last commit and block nobody, and a killed process loses nothing that it had
committed. What belongs here: everything about the file as a whole. Not here: the tables (schema.py) and their rows.
"""

import logging
import os
import sqlite3
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from urllib.parse import quote

from watchkeeper.clock import Clock
from watchkeeper.errors import StoreDamaged, StoreError, StoreFull, StoreMissing
from watchkeeper.logs.fields import Event, about
from watchkeeper.os_errors import remedy
from watchkeeper.store import schema
from watchkeeper.store.recovery import definitions, quarantine
from watchkeeper.store.recovery.definitions import Difference
from watchkeeper.store.rows import checked_rows

log = logging.getLogger(__name__)

BUSY_TIMEOUT_S = 5.0
"""How long to wait for another program that holds the file (an operator's own sqlite3 shell, a backup tool)."""

WAL_LIMIT_BYTES = 16 * 2**20
"""The WAL is truncated to this after a checkpoint: four times its growth between two checkpoints (SQLite's default of
1000 pages), so that it is not recreated all the time but does not keep the size that one long reader caused."""

_SETTINGS = (
    "PRAGMA foreign_keys = ON",
    # Definitions that somebody added to the file call no function that reaches beyond it.
    "PRAGMA trusted_schema = OFF",
    # A sort that spills must not need space on a disk that may be full.
    "PRAGMA temp_store = MEMORY",
    # Debian's SQLite overwrites deleted content; nothing here is secret enough to write every pruned page again.
    "PRAGMA secure_delete = FAST",
    f"PRAGMA journal_size_limit = {WAL_LIMIT_BYTES}",
)


def open_writing(path: Path) -> sqlite3.Connection:
    """A connection that writes, with the newest tables created. The caller holds the Lock. Raises StoreError."""
    with translated(path):
        conn = sqlite3.connect(path, timeout=BUSY_TIMEOUT_S, isolation_level=None)
        conn.text_factory = checked_rows.text_of
        try:
            _set_up(conn, path)
        except BaseException:
            conn.close()
            raise
    return conn


def _set_up(conn: sqlite3.Connection, path: Path) -> None:
    if schema.is_empty(conn):
        schema.prepare_empty(conn)
    version = schema.check_ours(conn, path)
    conn.execute("PRAGMA journal_mode = WAL").fetchone()
    for setting in _SETTINGS:
        conn.execute(setting).fetchone()
    # Before the first write: definitions added by others must not run with it.
    changed = _put_right(conn, version) if version else []
    schema.migrate(conn)
    schema.check_tables(conn, path)
    if version < schema.VERSION:
        changed += _put_right(conn, schema.VERSION)
    if changed:
        _report(conn, path, changed)


def _put_right(conn: sqlite3.Connection, version: int) -> list[Difference]:
    with transaction(conn, durable=True):
        return definitions.put_right(conn, version)


def put_right(conn: sqlite3.Connection, path: Path) -> None:
    """Remove and report definitions that somebody has added since the start. Raises sqlite3.Error."""
    if changed := _put_right(conn, schema.VERSION):
        _report(conn, path, changed)


def _report(conn: sqlite3.Connection, path: Path, changed: Sequence[Difference]) -> None:
    """Keep the definitions that were not ours, and report them."""
    for each in changed:
        log.error("%s: %s", path, each, extra=about(Event.DATABASE))
    at = Clock().now()
    with transaction(conn, durable=True):
        for each in changed:
            quarantine.note_definition(conn, each, at)


def open_reading(path: Path) -> sqlite3.Connection:
    """A connection that can only read. Raises StoreError where there is no database, or it cannot be read."""
    if not path.is_file():
        raise none_yet(path)
    with translated(path):
        uri = f"file:{quote(str(path.absolute()))}?mode=ro"
        conn = sqlite3.connect(uri, uri=True, timeout=BUSY_TIMEOUT_S, isolation_level=None)
        conn.text_factory = checked_rows.text_of
        try:
            _check_readable(conn, path)
        except BaseException:
            conn.close()
            raise
    return conn


def _check_readable(conn: sqlite3.Connection, path: Path) -> None:
    if schema.is_empty(conn):
        raise none_yet(path)
    if schema.check_ours(conn, path) < schema.VERSION:
        raise StoreError(f"{path} was written by an earlier version: start the daemon once, which converts it")
    schema.check_tables(conn, path)


def none_yet(path: Path) -> StoreMissing:
    """The error where there is no database to read."""
    return StoreMissing(f"there is no database at {path} yet: the daemon makes it (watchkeeper run)")


@contextmanager
def transaction(conn: sqlite3.Connection, *, durable: bool | None) -> Iterator[None]:
    """Commit everything that is written inside, or nothing.

    durable: it survives a power cut (synchronous=FULL: the WAL is synced at the commit, with all that was committed
    before). Otherwise it survives the end of the process, and a power cut may undo the last commits, whole and in order
    (NORMAL). None: as in the transaction before. The setting cannot change inside a transaction.
    """
    if durable is not None:
        conn.execute("PRAGMA synchronous = FULL" if durable else "PRAGMA synchronous = NORMAL")
    # IMMEDIATE: a deferred transaction that reads first fails at once, without waiting, if another connection wrote.
    conn.execute("BEGIN IMMEDIATE")
    try:
        yield
        conn.execute("COMMIT")
    except BaseException:
        # With some errors (SQLITE_FULL, SQLITE_IOERR) SQLite may or may not have rolled back already.
        if conn.in_transaction:
            conn.execute("ROLLBACK")
        raise


@contextmanager
def translated(path: Path) -> Iterator[None]:
    """Turn SQLite's errors into StoreError and its subclasses."""
    try:
        yield
    except sqlite3.Error as error:
        raise translate_error(error, path) from error


def translate_error(error: sqlite3.Error, path: Path) -> StoreError:
    """The StoreError that names the file and the remedy."""
    extended = getattr(error, "sqlite_errorcode", sqlite3.SQLITE_ERROR)
    match extended & 0xFF:  # the low byte is the primary code: https://www.sqlite.org/rescode.html
        case sqlite3.SQLITE_FULL:
            return _full(path)
        # The shared index of the WAL could not grow, or a write failed with no space left (a quota, delayed
        # allocation).
        case sqlite3.SQLITE_IOERR if extended == sqlite3.SQLITE_IOERR_SHMSIZE or not _has_room(path):
            return _full(path)
        case sqlite3.SQLITE_NOTADB if not _has_header(path):
            return StoreDamaged(f"{path} is not a database of watchkeeper: name another file, or move this one away")
        case sqlite3.SQLITE_CORRUPT | sqlite3.SQLITE_NOTADB:
            return StoreDamaged(
                f"{path} is damaged ({error}): move it aside together with its -wal and -shm files, "
                "and start again or restore a backup"
            )
        case sqlite3.SQLITE_BUSY | sqlite3.SQLITE_LOCKED:
            return StoreError(f"{path} is held by another program ({error}): end what else has it open")
        case sqlite3.SQLITE_READONLY | sqlite3.SQLITE_CANTOPEN | sqlite3.SQLITE_PERM:
            return StoreError(f"{path} cannot be opened or written ({error}): {_why_not_opened(path)}")
        case sqlite3.SQLITE_IOERR:
            return StoreError(f"{path} cannot be read or written ({error}): look at its disk and the kernel's log")
        case _:
            return StoreError(f"{path}: {error}")


def _has_header(path: Path) -> bool:
    """Does the file begin as every SQLite database does (https://www.sqlite.org/fileformat.html, 1.3)?"""
    try:
        with path.open("rb") as file:
            return file.read(16) == b"SQLite format 3\0"
    except OSError:
        return True


def _full(path: Path) -> StoreFull:
    return StoreFull(f"{path} cannot be written because its file system is full: free some space there")


def _why_not_opened(path: Path) -> str:
    """SQLite does not say why. The folder is opened and not the file: closing that would drop SQLite's locks."""
    try:
        os.close(os.open(path.parent, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC))
    except OSError as error:
        return remedy(error, "give this user the right to")
    return "give this user the right to"


def _has_room(path: Path) -> bool:
    try:
        found = os.statvfs(path.parent)
    except OSError:
        return True
    return found.f_bavail > 0
