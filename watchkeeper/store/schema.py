"""The tables, their migrations, and the check that a file is a watchkeeper database.

A migration is never edited once a version with it is out: a change of the tables is a new migration at the end, with
its number as the new VERSION. Each runs in one transaction with the record of it, through sqlite-utils' Migrations,
which is imported only for a file that needs one.
What belongs here: the structure of the tables. Not here: rows (writer.py, reader.py).
"""

import json
import sqlite3
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from watchkeeper.errors import StoreDamaged, StoreTooNew
from watchkeeper.store import statements
from watchkeeper.store.migrations import checksums, names

if TYPE_CHECKING:
    from sqlite_utils import Database

APPLICATION_ID = 0x574B5052
"""`WKPR`, in the header of every watchkeeper database, so that another program's file is not taken for one."""

VERSION = 9
"""The number of the newest migration; kept in the file as user_version."""

Migration = Callable[[sqlite3.Connection], None]

TABLES = frozenset(
    {
        *("series", "samples", "hours", "days", "latest", "findings", "alerts"),
        *("store_state", "events", "outbox", "probe_states", "job_reports", "quarantine", "forecasts"),
        *("decisions", "changes", "outages"),
    }
)
"""The tables of the newest version; a watchkeeper database that lacks one is damaged."""


def _first_tables(conn: sqlite3.Connection) -> None:
    _run(conn, statements.VERSION_1)
    conn.execute("PRAGMA user_version = 1")


def _what_the_first_form_lacked(conn: sqlite3.Connection) -> None:
    """Add what version 1 lacked. A database that has everything only gets the number."""
    _run(conn, statements.WHAT_CAME_WITH_ROLL_UPS)
    columns = {name for (name,) in conn.execute("SELECT name FROM pragma_table_info('life')")}
    if "journal_from_us" not in columns:
        _run(conn, statements.WHAT_ROLL_UPS_CHANGED)
        _run(conn, statements.WHAT_WAS_TOLD)
        names = conn.execute("SELECT id, probe FROM series").fetchall()
        # Probe names were once stored as plain text; they are JSON texts now, because a name may contain any character.
        plain = [(json.dumps(name), number) for number, name in names if not name.startswith('"')]
        conn.executemany("UPDATE series SET probe = ? WHERE id = ?", plain)
    conn.execute("PRAGMA user_version = 2")


def _checksums(conn: sqlite3.Connection) -> None:
    """Add a checksum to every row that can be read. One that cannot gets none, and is then found as damaged."""
    _run(conn, statements.CHECKSUMS)
    checksums.seal(conn)
    _run(conn, statements.JOURNAL_TRIGGERS)
    conn.execute("PRAGMA user_version = 3")


def _plain_names(conn: sqlite3.Connection) -> None:
    """Give tables and columns the names of today."""
    _run(conn, statements.JOURNAL_OPEN)
    _run(conn, statements.PLAIN_NAMES)
    _run(conn, statements.EVENT_TRIGGERS)
    _run(conn, statements.QUARANTINE_SOURCES)
    conn.execute("PRAGMA user_version = 4")


def _plain_rows(conn: sqlite3.Connection) -> None:
    """Give rows the names of today, in one pass. A row that cannot be read stays as it is."""
    _run(conn, statements.EVENTS_OPEN)
    names.rename(conn)
    _run(conn, statements.EVENT_TRIGGERS)
    conn.execute("PRAGMA user_version = 5")


def _forecasts(conn: sqlite3.Connection) -> None:
    _run(conn, statements.FORECASTS)
    conn.execute("PRAGMA user_version = 6")


def _decisions(conn: sqlite3.Connection) -> None:
    _run(conn, statements.DECISIONS)
    conn.execute("PRAGMA user_version = 7")


def _changes(conn: sqlite3.Connection) -> None:
    _run(conn, statements.CHANGES)
    conn.execute("PRAGMA user_version = 8")


def _outages(conn: sqlite3.Connection) -> None:
    _run(conn, statements.OUTAGES)
    conn.execute("PRAGMA user_version = 9")


def _run(conn: sqlite3.Connection, script: str) -> None:
    """Run statements one by one: executescript() would commit the migration's transaction before it began."""
    statement = ""
    for line in script.splitlines(keepends=True):
        statement += line
        if sqlite3.complete_statement(statement):
            conn.execute(statement)
            statement = ""


MIGRATIONS: tuple[tuple[str, Migration], ...] = (
    ("0001 first tables", _first_tables),
    ("0002 what the first form lacked", _what_the_first_form_lacked),
    ("0003 checksums", _checksums),
    ("0004 plain names", _plain_names),
    ("0005 plain rows", _plain_rows),
    ("0006 forecasts", _forecasts),
    ("0007 decisions", _decisions),
    ("0008 changes", _changes),
    ("0009 outages", _outages),
)
"""Every migration in order, with the name that its record has in the file."""


def prepare_empty(conn: sqlite3.Connection) -> None:
    """Give an empty file what must exist before the first table, and the mark that it is ours."""
    conn.execute("PRAGMA auto_vacuum = INCREMENTAL")
    conn.execute(f"PRAGMA application_id = {APPLICATION_ID}")


def migrate(conn: sqlite3.Connection, migrations: Sequence[tuple[str, Migration]] = MIGRATIONS) -> None:
    """Bring the tables to the newest version. `conn` is in autocommit mode, and nobody else writes."""
    if _pragma(conn, "user_version") == len(migrations):
        return
    from sqlite_utils import Database, Migrations  # noqa: PLC0415  seldom needed, and not small

    recorded = Migrations("watchkeeper")
    for name, migration in migrations:
        recorded(name=name)(_on_its_connection(migration))
    recorded.apply(Database(conn, execute_plugins=False))


def _on_its_connection(migration: Migration) -> Callable[["Database"], None]:
    return lambda database: migration(database.conn)


def make_tables(conn: sqlite3.Connection, version: int) -> None:
    """Make the tables of a version in an empty database that nobody keeps: no record says how they came."""
    for _, migration in MIGRATIONS[:version]:
        migration(conn)


def is_empty(conn: sqlite3.Connection) -> bool:
    """True for a file without any table and without another program's mark. Raises sqlite3's error for no database."""
    (count,) = conn.execute("SELECT count(*) FROM sqlite_schema").fetchone()
    return count == 0 and _pragma(conn, "application_id") in (0, APPLICATION_ID)


def check_ours(conn: sqlite3.Connection, path: Path) -> int:
    """The version of a file that is not empty. Raises StoreDamaged where it is not ours, StoreTooNew where it is newer.

    Cheap: it reads the header only.
    """
    if _pragma(conn, "application_id") != APPLICATION_ID:
        raise StoreDamaged(f"{path} is not a database of watchkeeper: name another file, or move this one away")
    version = _pragma(conn, "user_version")
    if version > VERSION:
        raise StoreTooNew(
            f"{path} has format {version} of a later version of watchkeeper, and this one knows up to {VERSION}: "
            "install that version again, or restore a backup made before it"
        )
    return version


def check_tables(conn: sqlite3.Connection, path: Path) -> None:
    """Raise StoreDamaged where a table is missing."""
    found = {name for (name,) in conn.execute("SELECT name FROM sqlite_schema WHERE type = 'table'")}
    if missing := sorted(TABLES - found):
        raise StoreDamaged(f"{path} lacks its tables {', '.join(missing)}: restore a backup, or move it aside")


def _pragma(conn: sqlite3.Connection, name: str) -> int:
    (value,) = conn.execute(f"PRAGMA {name}").fetchone()
    return int(value)
