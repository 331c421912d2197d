"""The rows of changes: once each, newest first, deleted with the event log, kept in backups and by salvage."""

import sqlite3
from contextlib import closing
from pathlib import Path

from tests.store import older
from tests.store.material import DAY, HOUR, MINUTE, START, asked
from watchkeeper.model.change import Change, ChangeKind
from watchkeeper.store import Store
from watchkeeper.store.files import backup
from watchkeeper.store.history.retention_limits import RetentionLimits
from watchkeeper.store.recovery.inspection import FREQUENT

UPGRADED = Change(START, ChangeKind.PACKAGE, "openssl", "upgraded", "from 3.0.9 to 3.0.11")
ENLARGED = Change(START + HOUR, ChangeKind.GUEST, "ringing-db", "enlarged", "memory 2 GiB", START + HOUR - MINUTE)


async def test_each_is_kept_once_and_read_newest_first(store: Store) -> None:
    """The same change again is not another one; the same text at another time is."""
    await store.change_log.record([UPGRADED, ENLARGED])
    await store.change_log.record([UPGRADED])
    await store.change_log.record([])
    assert await store.changes() == [ENLARGED, UPGRADED]


async def test_by_time_kind_and_number(store: Store) -> None:
    """Both ends are included; a number far too large means all."""
    await store.change_log.record([UPGRADED, ENLARGED])
    assert await store.changes(START + MINUTE) == [ENLARGED]
    assert await store.changes(START, START) == [UPGRADED]
    assert await store.changes(kinds=[ChangeKind.PACKAGE, ChangeKind.NOTE]) == [UPGRADED]
    assert await store.changes(limit=1) == [ENLARGED]
    assert await store.changes(limit=2**70) == [ENLARGED, UPGRADED]


async def test_old_ones_are_deleted(store: Store) -> None:
    """In small steps, those from before the limit."""
    many = [Change(START + n * MINUTE, ChangeKind.NOTE, "the operator", "noted", f"{n}") for n in range(1_200)]
    await store.change_log.record(many)
    assert await store.keep(RetentionLimits(changes=START + 1_198 * MINUTE)) == 1_198
    assert [each.detail for each in await store.changes()] == ["1199", "1198"]


async def test_they_are_in_a_backup(store: Store, path: Path, tmp_path: Path) -> None:
    """And are there when it is put back."""
    await store.change_log.record([UPGRADED])
    backup.back_up(path, tmp_path / "copy.db", replace=False)
    backup.check(tmp_path / "copy.db")
    async with await Store.open(tmp_path / "copy.db") as copy:
        assert await copy.changes() == [UPGRADED]


async def test_a_database_of_version_2_gets_the_table(path: Path) -> None:
    """It is empty at first, and can be written."""
    older.make(path)
    async with await Store.open(path) as store:
        assert await store.changes() == []
        await store.change_log.record([UPGRADED])
        assert await store.changes() == [UPGRADED]


async def test_a_damaged_one_is_lost_alone(path: Path) -> None:
    """It is left out and moved to the quarantine; it is not among what is checked most often."""
    async with await Store.open(path) as store:
        await store.change_log.record([UPGRADED, ENLARGED])
    with closing(sqlite3.connect(path)) as conn, conn:
        conn.execute("UPDATE changes SET at_us = at_us + 1 WHERE id = 1")
    async with await Store.open(path) as store:
        assert await store.changes() == [ENLARGED]
        await store.inspect(whole=True)
        assert [each.source for each in await store.quarantined(START, START + 40_000 * DAY)] == ["changes"]
    assert asked(path, "SELECT id FROM changes") == [(2,)]
    assert "changes" not in {scope.form.table for scope in FREQUENT}


async def test_a_broken_database_keeps_them(path: Path) -> None:
    """Where a table is missing, salvage reads them as every other row."""
    async with await Store.open(path) as store:
        await store.change_log.record([UPGRADED, ENLARGED])
    with closing(sqlite3.connect(path)) as conn:
        conn.execute("PRAGMA writable_schema = ON")
        conn.execute("DELETE FROM sqlite_schema WHERE name = 'days'")
        conn.commit()
    async with await Store.open(path, repair_at=START) as store:
        assert await store.changes() == [ENLARGED, UPGRADED]
