"""The tables, their migrations, and the check that a file is a watchkeeper database.

A migration is never edited once a version with it is out: a change of the tables is a new migration at the end, with
its number as the new VERSION. Each runs in one transaction with the record of it, through sqlite-utils' Migrations.
What belongs here: the structure of the tables. Not here: rows (writer.py, reader.py).
"""

import json
import sqlite3
from pathlib import Path

from sqlite_utils import Database, Migrations

from watchkeeper.errors import StoreDamaged, StoreTooNew
from watchkeeper.store import statements
from watchkeeper.store.migrations import checksums, names

APPLICATION_ID = 0x574B5052
"""`WKPR`, in the header of every watchkeeper database, so that another program's file is not taken for one."""

VERSION = 4
"""The number of the newest migration; kept in the file as user_version."""

MIGRATIONS = Migrations("watchkeeper")

TABLES = frozenset(
    {
        *("series", "samples", "hours", "days", "latest", "findings", "alerts"),
        *("store_state", "events", "outbox", "probe_states", "job_reports", "quarantine"),
    }
)
"""The tables of the newest version; a watchkeeper database that lacks one is damaged."""


@MIGRATIONS(name="0001 first tables")
def _first_tables(db: Database) -> None:
    _run(db.conn, statements.VERSION_1)
    db.conn.execute("PRAGMA user_version = 1")


@MIGRATIONS(name="0002 what the first form lacked")
def _what_the_first_form_lacked(db: Database) -> None:
    """Add what version 1 lacked. A database that has everything only gets the number."""
    _run(db.conn, statements.WHAT_CAME_WITH_ROLL_UPS)
    columns = {name for (name,) in db.conn.execute("SELECT name FROM pragma_table_info('life')")}
    if "journal_from_us" not in columns:
        _run(db.conn, statements.WHAT_ROLL_UPS_CHANGED)
        _run(db.conn, statements.WHAT_WAS_TOLD)
        names = db.conn.execute("SELECT id, probe FROM series").fetchall()
        # Probe names were once stored as plain text; they are JSON texts now, because a name may contain any character.
        plain = [(json.dumps(name), number) for number, name in names if not name.startswith('"')]
        db.conn.executemany("UPDATE series SET probe = ? WHERE id = ?", plain)
    db.conn.execute("PRAGMA user_version = 2")


@MIGRATIONS(name="0003 checksums")
def _checksums(db: Database) -> None:
    """Add a checksum to every row that can be read. One that cannot gets none, and is then found as damaged."""
    _run(db.conn, statements.CHECKSUMS)
    checksums.seal(db.conn)
    _run(db.conn, statements.JOURNAL_TRIGGERS)
    db.conn.execute("PRAGMA user_version = 3")


@MIGRATIONS(name="0004 plain names")
def _plain_names(db: Database) -> None:
    """Give what is stored the names of today. A row that cannot be read stays as it is."""
    _run(db.conn, statements.EVENT_LOG_OPEN)
    names.rename(db.conn)
    _run(db.conn, statements.PLAIN_NAMES)
    _run(db.conn, statements.QUARANTINE_SOURCES)
    db.conn.execute("PRAGMA user_version = 4")


def _run(conn: sqlite3.Connection, script: str) -> None:
    """Run statements one by one: executescript() would commit the migration's transaction before it began."""
    statement = ""
    for line in script.splitlines(keepends=True):
        statement += line
        if sqlite3.complete_statement(statement):
            conn.execute(statement)
            statement = ""


def prepare_empty(conn: sqlite3.Connection) -> None:
    """Give an empty file what must exist before the first table, and the mark that it is ours."""
    conn.execute("PRAGMA auto_vacuum = INCREMENTAL")
    conn.execute(f"PRAGMA application_id = {APPLICATION_ID}")


def migrate(conn: sqlite3.Connection, migrations: Migrations = MIGRATIONS) -> None:
    """Bring the tables to the newest version. `conn` is in autocommit mode, and nobody else writes."""
    migrations.apply(Database(conn, execute_plugins=False))


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
            f"{path} has the form {version} of a later version of watchkeeper, and this one knows up to {VERSION}: "
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
