"""Connections: their settings, what a commit survives, and SQLite's errors as StoreErrors."""

import os
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from tests.store.material import START, asked, delivery, line, samples, transition
from watchkeeper.errors import StoreDamaged, StoreError, StoreFull
from watchkeeper.model.records import Commit
from watchkeeper.store import Store, schema
from watchkeeper.store import connection as database
from watchkeeper.store.history.rollup import fold_samples
from watchkeeper.store.writer import Writer


@pytest.fixture
def conn(path: Path) -> sqlite3.Connection:
    """A connection that writes."""
    path.parent.mkdir()
    return database.open_writing(path)


def test_the_settings_are_what_the_design_says(conn: sqlite3.Connection) -> None:
    """WAL, foreign keys and incremental vacuum are on: SQLite silently ignores some of these if set too late."""
    names = ("journal_mode", "foreign_keys", "auto_vacuum", "temp_store", "application_id", "user_version")
    found = [conn.execute(f"PRAGMA {name}").fetchone()[0] for name in names]
    assert found == ["wal", 1, 2, 2, 0x574B5052, schema.VERSION]
    conn.close()


async def test_an_observation_of_no_series_is_refused(store: Store, path: Path) -> None:
    """Foreign keys are enforced: an observation belongs to a series."""
    await store.commit(samples(1))
    conn = sqlite3.connect(path)
    conn.execute("PRAGMA foreign_keys = ON")
    with pytest.raises(sqlite3.IntegrityError, match="FOREIGN KEY"):
        conn.execute("INSERT INTO latest VALUES (99, 0, '', 0)")
    conn.close()
    assert asked(path, "PRAGMA foreign_key_check") == []


@pytest.mark.parametrize(
    ("commit", "durable"),
    [
        (samples(1), False),
        (Commit(), False),
        (Commit(events=(line(),)), True),
        (Commit(deliveries=(delivery(),)), True),
        (transition(1), True),
    ],
)
async def test_a_transition_survives_a_power_cut(
    store: Store, monkeypatch: pytest.MonkeyPatch, commit: Commit, *, durable: bool
) -> None:
    """A unit of work with a transition is committed with synchronous=FULL (syncs the WAL), samples with NORMAL."""
    levels: list[tuple[int]] = []

    def commit_and_look(writing: Writer, given: Commit) -> None:
        levels.append(writing._conn.execute("PRAGMA synchronous").fetchone())
        wanted(writing, given)

    wanted = Writer.commit
    monkeypatch.setattr(Writer, "commit", commit_and_look)
    await store.commit(samples(1))
    await store.commit(transition(7))
    await store.commit(commit)
    # https://www.sqlite.org/pragma.html#pragma_synchronous: 1 is NORMAL, 2 is FULL.
    assert levels == [(1,), (2,), (2,) if durable else (1,)]


async def test_a_delivery_survives_a_power_cut(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    """A completed delivery is synced, so that the message is not sent again after a power cut."""
    levels: list[tuple[int]] = []
    await store.commit(transition(1))
    (sent,) = await store.deliveries()

    def look(writing: Writer, *_: object) -> None:
        levels.append(writing._conn.execute("PRAGMA synchronous").fetchone())

    monkeypatch.setattr(Writer, "delivery_done", look)
    await store.delivery_done(sent)
    assert levels == [(2,)]


def test_a_transaction_that_fails_leaves_nothing(conn: sqlite3.Connection) -> None:
    """An exception inside rolls back, and the connection can be used for the next one."""
    with pytest.raises(sqlite3.IntegrityError), database.transaction(conn, durable=False):
        conn.executemany("INSERT INTO store_state (id, last_commit_at_us) VALUES (?, 5)", [(1,), (2,)])
    assert not conn.in_transaction
    with database.transaction(conn, durable=True):
        conn.execute("INSERT INTO store_state (id, last_commit_at_us) VALUES (1, 6)")
    assert conn.execute("SELECT last_commit_at_us FROM store_state").fetchall() == [(6,)]
    conn.close()


def test_a_file_that_is_no_database_is_damage(path: Path) -> None:
    """A file of another format is refused with its name and the remedy, and is not touched."""
    path.parent.mkdir()
    path.write_bytes(b"a letter about the hides " * 400)
    before = path.read_bytes()
    for opening in (database.open_writing, database.open_reading):
        with pytest.raises(StoreDamaged, match="is not a database of watchkeeper: name another file"):
            opening(path)
    assert path.read_bytes() == before


def test_pages_that_are_broken_are_damage(path: Path, conn: sqlite3.Connection) -> None:
    """Broken pages result in StoreDamaged, not in the first error that SQLite raises."""
    with database.transaction(conn, durable=True):
        writing = Writer(conn)
        writing.commit(samples(2000))
        writing.flush()
    conn.close()
    with path.open("r+b") as file:
        file.seek(4096 * 3)
        file.write(b"\xff" * (path.stat().st_size - 4096 * 3))
    with pytest.raises(StoreDamaged, match="is damaged"):
        _write_and_prune(path)


def _write_and_prune(path: Path) -> None:
    with (
        database.translated(path),
        closing(database.open_writing(path)) as conn,
        database.transaction(conn, durable=True),
    ):
        writing = Writer(conn)
        writing.commit(samples(2000))
        writing.flush()
        writing.chore(fold_samples(START), 10, 0)


def test_a_file_held_by_another_program_is_named(
    path: Path, conn: sqlite3.Connection, monkeypatch: pytest.MonkeyPatch
) -> None:
    """An operator's shell that holds the file is waited for, and then named as the cause."""
    monkeypatch.setattr(database, "BUSY_TIMEOUT_S", 0.05)
    other = database.open_writing(path)
    conn.execute("BEGIN IMMEDIATE")
    with (
        pytest.raises(StoreError, match="held by another program"),
        database.translated(path),
        database.transaction(other, durable=False),
    ):
        pass
    conn.execute("ROLLBACK")
    other.close()
    conn.close()


def test_reading_only_is_reading_only(path: Path, conn: sqlite3.Connection) -> None:
    """SQLite itself refuses to write on a reader's connection."""
    reader = database.open_reading(path)
    with pytest.raises(StoreError, match="cannot be opened or written"), database.translated(path):
        reader.execute("DELETE FROM alerts")
    reader.close()
    conn.close()


def test_a_place_with_odd_characters_is_opened(tmp_path: Path) -> None:
    """Characters in a folder's name that are special in URIs are taken literally."""
    path = tmp_path / "50% ?off#1" / "watch keeper.db"
    path.parent.mkdir()
    database.open_writing(path).close()
    database.open_reading(path).close()
    assert not [each for each in tmp_path.iterdir() if each.name != path.parent.name]


def _error(code: int) -> sqlite3.OperationalError:
    error = sqlite3.OperationalError("some words")
    error.sqlite_errorcode = code
    return error


@pytest.mark.parametrize(
    ("code", "kind", "words"),
    [
        (sqlite3.SQLITE_FULL, StoreFull, "file system is full"),
        (sqlite3.SQLITE_IOERR_SHMSIZE, StoreFull, "file system is full"),
        (sqlite3.SQLITE_IOERR_WRITE, StoreError, "look at its disk"),
        (sqlite3.SQLITE_CORRUPT_INDEX, StoreDamaged, "restore a backup"),
        (sqlite3.SQLITE_NOTADB, StoreDamaged, "restore a backup"),
        (sqlite3.SQLITE_BUSY_SNAPSHOT, StoreError, "another program"),
        (sqlite3.SQLITE_READONLY_DIRECTORY, StoreError, "the right to"),
        (sqlite3.SQLITE_MISUSE, StoreError, "some words"),
    ],
)
def test_errors_name_the_file_and_the_remedy(path: Path, code: int, kind: type[StoreError], words: str) -> None:
    """Codes of https://www.sqlite.org/rescode.html, the extended ones by their low byte."""
    found = database.translate_error(_error(code), path)
    assert type(found) is kind
    assert words in str(found)
    assert str(path) in str(found)


def test_a_failed_write_with_no_room_left_is_a_full_store(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A quota or a late allocation fails as an input/output error; with no block left it means full."""

    class Nothing:
        f_bavail = 0

    monkeypatch.setattr(os, "statvfs", lambda _: Nothing())
    assert type(database.translate_error(_error(sqlite3.SQLITE_IOERR_FSYNC), path)) is StoreFull


def test_an_error_without_a_code_is_told_in_its_own_words(path: Path) -> None:
    """Python's own errors (a closed connection) carry no SQLite code."""
    assert str(database.translate_error(sqlite3.ProgrammingError("closed"), path)) == f"{path}: closed"
