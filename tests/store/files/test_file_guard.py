"""The file of an open database is deleted, moved, replaced or changed: nothing is lost, and it is reported."""

import shutil
import sqlite3
from collections.abc import AsyncIterator, Callable
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path

import pytest

from watchkeeper.clock import Clock
from watchkeeper.daemon.database_location import DatabaseLocation, reason_of
from watchkeeper.errors import ProbeError, StoreError
from watchkeeper.model.observation import Condition
from watchkeeper.model.records import Commit, Entry, EventLine
from watchkeeper.store.store import Store

NOW = datetime(2026, 11, 30, 18, 0, tzinfo=UTC)


def line(text: str) -> Commit:
    """A unit of work with one line."""
    return Commit(events=(EventLine(NOW, Entry.NOTE, text),))


async def texts(store: Store) -> list[str]:
    """The event log, oldest first."""
    return [each.text for each in reversed(await store.events())]


@pytest.fixture
async def store(tmp_path: Path) -> AsyncIterator[Store]:
    """An open store that remembers its file, with one line."""
    (tmp_path / "state").mkdir()
    async with await Store.open(tmp_path / "state" / "watchkeeper.db") as opened:
        assert reason_of(await opened.look_at_file(NOW)) == ""
        await opened.commit(line("before"))
        yield opened


def delete(path: Path) -> None:
    """With all that is beside it."""
    for tail in ("", "-wal", "-shm"):
        path.with_name(path.name + tail).unlink()


def delete_alone(path: Path) -> None:
    """The -wal stays, and must not be applied to what comes next."""
    path.unlink()


def move(path: Path) -> None:
    """To another name in the same folder."""
    path.rename(path.with_name("elsewhere.db"))


def remove_folder(path: Path) -> None:
    """With its folder, which is made again."""
    shutil.rmtree(path.parent)
    path.parent.mkdir()


@pytest.mark.parametrize("harm", [delete, delete_alone, move, remove_folder])
async def test_a_file_that_is_gone_is_written_again(store: Store, harm: Callable[[Path], None]) -> None:
    """In its place, with what came before and after; the next start finds all of it."""
    path = store.path
    harm(path)
    await store.commit(line("while it was gone"))
    found = await store.look_at_file(NOW)
    assert (found.path, found.written) == (path, True)
    assert "was deleted or moved while it was in use. Its content was written to" in reason_of(found)
    await store.commit(line("after"))
    assert await texts(store) == ["before", "while it was gone", "after"]
    assert reason_of(await store.look_at_file(NOW)) == ""
    assert path.stat().st_mode & 0o777 == 0o600
    await store.close()
    async with await Store.open(path, repair_at=NOW) as again:
        assert await texts(again) == ["before", "while it was gone", "after"]
    with closing(sqlite3.connect(path)) as opened:
        assert opened.execute("PRAGMA integrity_check").fetchone() == ("ok",)


def by_another_database(path: Path) -> None:
    """A database of another program has its name."""
    other = path.with_name("other.db")
    with closing(sqlite3.connect(other)) as made:
        made.execute("CREATE TABLE egrets (n)")
        made.commit()
    other.replace(path)


def by_a_folder(path: Path) -> None:
    """A folder has its name."""
    delete(path)
    path.mkdir()


@pytest.mark.parametrize("harm", [by_another_database, by_a_folder])
async def test_what_took_its_place_is_not_touched(store: Store, harm: Callable[[Path], None]) -> None:
    """The content goes to a file beside it; that is said until the operator has moved it back."""
    harm(store.path)
    status = store.path.stat()
    found = await store.look_at_file(NOW)
    assert found.path.name == "watchkeeper.db.rescued-20261130T180000Z"
    assert f"was replaced while it was in use. Its content was written to {found.path}" in reason_of(found)
    await store.commit(line("after"))
    again = await store.look_at_file(NOW)
    assert "stop watchkeeper, move that file back" in reason_of(again)
    assert store.path.stat() == status
    await store.close()
    async with await Store.open(found.path, read_only=True) as rescued:
        assert await texts(rescued) == ["before", "after"]


async def test_a_folder_that_was_moved_is_named(store: Store) -> None:
    """Nothing is copied: the file has its name there. Once it is back, all is well."""
    folder = store.path.parent
    moved = folder.rename(folder.with_name("moved"))
    found = await store.look_at_file(NOW)
    assert found.path == moved / "watchkeeper.db"
    assert "was moved with its folder. Monitoring continues in" in reason_of(found)
    await store.commit(line("there"))
    moved.rename(folder)
    assert reason_of(await store.look_at_file(NOW)) == ""
    assert await texts(store) == ["before", "there"]


async def test_what_cannot_be_written_is_tried_again(store: Store) -> None:
    """The folder is gone: everything stays in use, and is written once there is a folder."""
    shutil.rmtree(store.path.parent)
    found = await store.look_at_file(NOW)
    assert "cannot be written to a new file" in reason_of(found)
    assert "do not restart" in reason_of(found)
    await store.commit(line("in between"))
    store.path.parent.mkdir()
    assert (await store.look_at_file(NOW)).written
    assert await texts(store) == ["before", "in between"]


async def test_what_another_program_writes_is_said_once(store: Store) -> None:
    """By SQLite's own counter. A trigger that it added is removed; our own commits and backups do not count."""
    await store.commit(line("ours"))
    assert reason_of(await store.look_at_file(NOW)) == ""
    with closing(sqlite3.connect(store.path)) as other:
        other.execute("CREATE TRIGGER gag AFTER INSERT ON events BEGIN DELETE FROM outbox; END")
        other.commit()
    found = await store.look_at_file(NOW)
    assert "another program has written into" in reason_of(found)
    assert reason_of(await store.look_at_file(NOW)) == ""
    with closing(sqlite3.connect(store.path)) as other:
        assert other.execute("SELECT 1 FROM sqlite_schema WHERE name = 'gag'").fetchone() is None


async def test_a_file_that_was_overwritten_is_said(store: Store) -> None:
    """The same file with other content: SQLite does not look at its beginning while it is open."""
    store.path.write_bytes(b"not a database" * 1_000)
    found = await store.look_at_file(NOW)
    assert "was overwritten by another program" in reason_of(found)


async def test_the_probe_reports_it(store: Store) -> None:
    """As a condition of the daemon itself; a store that is closed is an error of the probe."""
    probe = DatabaseLocation(store, Clock())
    (seen,) = await probe.observe()
    assert isinstance(seen, Condition)
    assert seen.ok
    delete(store.path)
    (seen,) = await probe.observe()
    assert isinstance(seen, Condition)
    assert (seen.ok, seen.grave) == (False, True)
    assert probe.watched().probe is probe
    await store.close()
    with pytest.raises(ProbeError, match="cannot be checked"):
        await probe.observe()


async def test_a_store_for_reading_has_no_file_to_watch(store: Store) -> None:
    """Only the daemon looks."""
    async with await Store.open(store.path, read_only=True) as reading:
        with pytest.raises(StoreError, match="open for reading only"):
            await reading.look_at_file(NOW)
