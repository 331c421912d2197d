"""Sets a damaged database aside, and starts a new one with what can still be read of it.

Everything is made under another name first and only then renamed to the database's own, so that a power cut at any
moment leaves either the damaged database, and the repair starts again, or a complete new one. Nothing is deleted: the
damaged file stays beside the new one until the operator moves it away. Not here: how rows are read (salvage.py).
"""

import mmap
import shutil
import sqlite3
from collections.abc import Iterator, Mapping
from contextlib import closing, contextmanager, suppress
from datetime import datetime
from pathlib import Path
from urllib.parse import quote

from watchkeeper.errors import StoreDamaged
from watchkeeper.model.records import Entry, EventLine
from watchkeeper.store import connection as database
from watchkeeper.store import schema
from watchkeeper.store.files import file_lock
from watchkeeper.store.recovery import definitions, quarantine
from watchkeeper.store.recovery.salvage import UNREADABLE, salvage
from watchkeeper.store.writer import Writer

DAMAGED = ".damaged-"
"""Between the database's name and the instant, in the name of one that was set aside."""

_SALVAGED = ".salvaged-"
_STAMP = "%Y%m%dT%H%M%SZ"

_MAGIC = b"SQLite format 3\0"
_HEADER_BYTES = 100
_MARKS = (b"events_keep_lines", b"journal_keeps_lines", b"watchkeeper0001 first tables")
"""In the definition of our tables, and in the record of our migrations: somewhere in every watchkeeper database."""

DIFFERENCES = 3
"""How many of the tables that differ are named."""

_COUNTED = {
    "series": "series",
    "samples": "samples",
    "hours": "hours of older samples",
    "days": "days of older samples",
    "alerts": "alerts",
    "events": "events",
    "outbox": "messages",
}
"""What the event log line counts, and the words for it."""


def repair(path: Path, at: datetime, known: str = "") -> None:
    """Ensure that the database at `path` can be used. The caller holds the Lock; `at` is now.

    known: what is wrong with it, where the caller has found that out.

    Raises StoreTooNew, StoreFull, StoreError, and StoreDamaged for a file that is not ours: that one is left alone.
    """
    for made in sorted(path.parent.glob(f"{_plain(path.name)}{_SALVAGED}*Z")):
        _take(made, path)  # a power cut came between the last two steps
    if trouble := known or _trouble(path):
        _take(_start_again(path, at, trouble), path)


def damaged_files(path: Path) -> list[Path]:
    """The damaged databases that were set aside beside this one."""
    return [each for each in sorted(path.parent.glob(f"{_plain(path.name)}{DAMAGED}*")) if each.name[-1] == "Z"]


def _plain(name: str) -> str:
    """A name as a pattern that matches only itself."""
    return "".join(f"[{sign}]" if sign in "*?[" else sign for sign in name)


def _trouble(path: Path) -> str:
    """What is wrong with the database, in SQLite's words; empty where it is intact or there is nothing in it yet."""
    if path.stat().st_size == 0:
        return ""
    try:
        with database.translated(path), closing(_reading(path)) as conn:
            if schema.is_empty(conn):
                return ""
            version = schema.check_ours(conn, path)
            (found,) = conn.execute("PRAGMA quick_check(1)").fetchone()
            if found != "ok" or (found := _reported_tree(conn)) != "ok":
                return " ".join(found.split())
            if version == schema.VERSION:  # an older format lacks what the migrations will add
                schema.check_tables(conn, path)
            if different := definitions.tables_differ(conn, version):
                return "; ".join(map(str, different[:DIFFERENCES]))
    except StoreDamaged as error:
        if not _is_ours(path):
            raise
        return str(error.__cause__ or error)
    except UnicodeDecodeError:
        return "SQLite's own words for it cannot be read"  # its messages quote what is broken
    return ""


def _reported_tree(conn: sqlite3.Connection) -> str:
    """What is wrong with a table that an earlier run found damaged, in SQLite's words; `ok` if nothing is.

    The quick check does not see that rows of a table without rowid are in the wrong order.
    """
    with suppress(sqlite3.OperationalError):  # an older format has no quarantine
        for (table,) in conn.execute("SELECT DISTINCT row FROM quarantine WHERE source = ?", (quarantine.SCHEMA,)):
            if table in schema.TABLES:
                (found,) = conn.execute(f"PRAGMA integrity_check({table})").fetchone()
                if found != "ok":
                    return str(found)
    return "ok"


def _is_ours(path: Path) -> bool:
    """Is a file that SQLite cannot read a watchkeeper database? Without a header, our tables' text decides."""
    with path.open("rb") as file:
        head = file.read(_HEADER_BYTES)
        if head[: len(_MAGIC)] == _MAGIC[: len(head)]:
            mark = head[68:72]  # https://www.sqlite.org/fileformat2.html#the_database_header: the application id
            return len(head) < _HEADER_BYTES or mark == schema.APPLICATION_ID.to_bytes(4, "big")
        with mmap.mmap(file.fileno(), 0, access=mmap.ACCESS_READ) as content:
            return any(content.find(mark) >= 0 for mark in _MARKS)


def _reading(path: Path) -> sqlite3.Connection:
    conn = sqlite3.connect(f"file:{quote(str(path.absolute()))}?mode=ro", uri=True, isolation_level=None)
    conn.text_factory = lambda raw: raw.decode(errors="replace")
    return conn


# Starting again -------------------------------------------------------------------------------------------------------


def _start_again(path: Path, at: datetime, trouble: str) -> Path:
    """Make a database with what can be read of a damaged one, and give it the name that marks it as complete."""
    making = path.with_name(f"{path.name}.salvaging")
    _remove(making)
    try:
        file_lock.make_database_file(making)
        with database.translated(making), closing(database.open_writing(making)) as new:
            counts = _fill(path, new, at)
            _tell(new, path, at, trouble, counts)
        made = path.with_name(f"{path.name}{_SALVAGED}{at.strftime(_STAMP)}")
        file_lock.put_in_place(making, made)
    finally:
        _remove(making)
    return made


def _take(made: Path, path: Path) -> None:
    """Set the damaged database aside and rename the new one."""
    aside = path.with_name(made.name.replace(_SALVAGED, DAMAGED))
    if not aside.exists():  # else this is the second try, and what has the database's name is empty
        file_lock.set_aside(path, aside)
    file_lock.put_in_place(made, path)


def _remove(path: Path) -> None:
    for tail in ("", "-wal", "-shm", ".borrowed", ".borrowed-wal", ".borrowed-shm"):
        path.with_name(path.name + tail).unlink(missing_ok=True)


def _fill(path: Path, new: sqlite3.Connection, at: datetime) -> Mapping[str, int]:
    with _readable(path) as damaged, database.transaction(new, durable=True):
        return salvage(damaged, new, at)


@contextmanager
def _readable(path: Path) -> Iterator[sqlite3.Connection]:
    """A connection to the damaged database; where its definitions are broken, to a copy with ours."""
    with closing(_reading(path)) as conn:
        if _knows_tables(conn):
            yield conn
            return
    borrowed = path.with_name(f"{path.name}.salvaging.borrowed")
    shutil.copyfile(path, borrowed)
    _lend_tables(borrowed)
    with closing(_reading(borrowed)) as conn:
        yield conn


def _knows_tables(conn: sqlite3.Connection) -> bool:
    try:
        found = {name for (name,) in conn.execute("SELECT name FROM sqlite_schema WHERE type = 'table'")}
    except UNREADABLE:
        return False
    return bool(found & schema.TABLES)


def _lend_tables(broken: Path) -> None:
    """Replace a broken header and broken definitions with those of a fresh database.

    A fresh database creates the same tables in the same order, so that each begins at the same page as in the old one.
    """
    fresh = broken.with_name(f"{broken.name}-fresh")
    with closing(database.open_writing(fresh)) as conn:
        (size,) = conn.execute("PRAGMA page_size").fetchone()
    lent = fresh.read_bytes()
    fresh.unlink()
    pages = -(-broken.stat().st_size // size)
    with broken.open("r+b") as file:
        for number in _definition_pages(lent, size):
            file.seek((number - 1) * size)
            file.write(lent[(number - 1) * size : number * size])
        for place, value in ((28, pages), (32, 0), (36, 0)):  # the header's page count, and no free pages
            file.seek(place)
            file.write(value.to_bytes(4, "big"))


def _definition_pages(database_bytes: bytes, size: int) -> list[int]:
    """The pages that hold the definitions of the tables: the first one and those that it points to.

    https://www.sqlite.org/fileformat2.html#b_tree_pages: 5 is an interior page of a table, its last child is at 8, its
    cells' offsets start at 12, and each cell begins with a child.
    """
    page = database_bytes[:size]
    if page[_HEADER_BYTES] != 5:
        return [1]
    cells = int.from_bytes(page[_HEADER_BYTES + 3 : _HEADER_BYTES + 5], "big")
    places = [
        int.from_bytes(page[p : p + 2], "big") for p in range(_HEADER_BYTES + 12, _HEADER_BYTES + 12 + 2 * cells, 2)
    ]
    return [1, *(int.from_bytes(page[p : p + 4], "big") for p in (*places, _HEADER_BYTES + 8))]


def _tell(new: sqlite3.Connection, path: Path, at: datetime, trouble: str, counts: Mapping[str, int]) -> None:
    """Write what has happened into the new event log."""
    aside = f"{path.name}{DAMAGED}{at.strftime(_STAMP)}"
    found = ", ".join(f"{counts[table]} {words}" for table, words in _COUNTED.items() if counts[table])
    text = f"the database was damaged: it was set aside as {aside}, and a new one begun with {found or 'nothing of it'}"
    details = {"file": str(path.with_name(aside)), "damage": trouble}
    with database.transaction(new, durable=True):
        Writer(new).write_line(EventLine(at, Entry.NOTE, text, details=details))
