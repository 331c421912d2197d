"""The tables and their migrations."""

import sqlite3
from pathlib import Path

import pytest
from sqlite_utils import Database, Migrations

from tests.store.material import asked
from watchkeeper.errors import StoreDamaged, StoreError, StoreTooNew
from watchkeeper.store import Store, schema
from watchkeeper.store import connection as database

NAMES = [name for name, _ in schema.MIGRATIONS]


def _tables(conn: sqlite3.Connection) -> list[tuple[object, ...]]:
    return conn.execute("SELECT type, name, tbl_name, sql FROM sqlite_schema ORDER BY type, name").fetchall()


def _empty(path: Path) -> sqlite3.Connection:
    path.parent.mkdir(exist_ok=True)
    conn = sqlite3.connect(path, isolation_level=None)
    schema.prepare_empty(conn)
    return conn


@pytest.mark.parametrize("name", NAMES)
def test_every_older_form_becomes_the_newest(tmp_path: Path, name: str) -> None:
    """A database that stopped before any migration ends with the tables of a fresh one."""
    fresh = database.open_writing(tmp_path / "fresh.db")
    older = _empty(tmp_path / "older.db")
    schema.migrate(older, schema.MIGRATIONS[: NAMES.index(name)])
    older.close()
    migrated = database.open_writing(tmp_path / "older.db")
    assert _tables(migrated) == _tables(fresh)
    for conn in (fresh, migrated):
        assert conn.execute("PRAGMA user_version").fetchone() == (schema.VERSION,)
        conn.close()


def test_the_version_counts_the_migrations() -> None:
    """A migration that is added without its number would make older databases unreadable for commands."""
    assert len(NAMES) == schema.VERSION
    assert [name.split(maxsplit=1)[0] for name in NAMES] == [f"{n + 1:04}" for n in range(schema.VERSION)]


def test_every_table_of_ours_is_strict(tmp_path: Path) -> None:
    """A column contains only its declared type (https://www.sqlite.org/stricttables.html)."""
    conn = database.open_writing(tmp_path / "watchkeeper.db")
    strict = {name for _, name, _, _, _, strict in conn.execute("PRAGMA table_list") if strict}
    assert strict == schema.TABLES
    with pytest.raises(sqlite3.IntegrityError):
        conn.execute("INSERT INTO store_state VALUES (1, 'yesterday', 0, 0)")
    conn.close()


def test_a_migration_that_fails_changes_nothing(tmp_path: Path) -> None:
    """A migration's changes and its record share a transaction: after a failure all is as before, and it is pending."""
    conn = database.open_writing(tmp_path / "watchkeeper.db")
    before = _tables(conn)

    def fails(conn: sqlite3.Connection) -> None:
        conn.execute("CREATE TABLE half (id INTEGER) STRICT")
        conn.execute("PRAGMA user_version = 9999")
        conn.execute("INSERT INTO no_such_table VALUES (1)")

    with pytest.raises(sqlite3.OperationalError, match="no_such_table"):
        schema.migrate(conn, [*schema.MIGRATIONS, ("9999 fails half-way", fails)])
    assert _tables(conn) == before
    assert conn.execute("PRAGMA user_version").fetchone() == (schema.VERSION,)
    recorded = [each["name"] for each in Database(conn, execute_plugins=False)["_sqlite_migrations"].rows]
    assert recorded == NAMES
    conn.close()


def _change(path: Path, *statements: str) -> None:
    conn = sqlite3.connect(path, isolation_level=None)
    for statement in statements:
        conn.execute(statement)
    conn.close()


@pytest.mark.parametrize("read_only", [True, False])
async def test_a_later_version_is_refused(path: Path, *, read_only: bool) -> None:
    """A database of a later version is left alone, and the error states the remedy."""
    async with await Store.open(path):
        pass
    _change(path, f"PRAGMA user_version = {schema.VERSION + 1}")
    with pytest.raises(StoreTooNew, match=f"format {schema.VERSION + 1} of a later version.*install that version"):
        await Store.open(path, read_only=read_only)


@pytest.mark.parametrize("read_only", [True, False])
async def test_another_programs_database_is_refused(path: Path, *, read_only: bool) -> None:
    """A database with tables and without our application id is not touched."""
    path.parent.mkdir()
    _change(path, "CREATE TABLE birds (ring TEXT)")
    with pytest.raises(StoreDamaged, match="is not a database of watchkeeper"):
        await Store.open(path, read_only=read_only)
    assert asked(path, "SELECT name FROM sqlite_schema") == [("birds",)]
    assert asked(path, "PRAGMA journal_mode") == [("delete",)]


async def test_an_empty_database_with_another_programs_mark_is_refused(path: Path) -> None:
    """A file with another program's application id belongs to that program, even if it is empty."""
    path.parent.mkdir()
    _change(path, "PRAGMA application_id = 7")
    with pytest.raises(StoreDamaged, match="is not a database of watchkeeper"):
        await Store.open(path)


@pytest.mark.parametrize("read_only", [True, False])
async def test_a_missing_table_is_damage(path: Path, *, read_only: bool) -> None:
    """A database of ours that lacks a table is reported as damaged when it is opened, not at three in the morning."""
    async with await Store.open(path):
        pass
    _change(path, "DROP TABLE latest", "DROP TABLE store_state")
    with pytest.raises(StoreDamaged, match="lacks its tables latest, store_state"):
        await Store.open(path, read_only=read_only)


async def test_a_command_does_not_migrate(path: Path) -> None:
    """The error for an older format says to start the daemon; a reader changes nothing itself."""
    async with await Store.open(path):
        pass
    _change(path, "PRAGMA user_version = 0")
    with pytest.raises(StoreError, match="start the daemon once"):
        await Store.open(path, read_only=True)


def test_a_start_that_was_cut_off_is_taken_up_again(tmp_path: Path) -> None:
    """Killed between the first steps, the next start continues from there."""
    path = tmp_path / "watchkeeper.db"
    _empty(path).close()
    database.open_writing(path).close()
    other = tmp_path / "other.db"
    conn = _empty(other)
    Migrations("watchkeeper").apply(Database(conn, execute_plugins=False))
    conn.close()
    database.open_writing(other).close()
    assert asked(path, "PRAGMA integrity_check") == asked(other, "PRAGMA integrity_check") == [("ok",)]
