"""The rows of kept forecasts: written again when decided, bounded, kept in backups, and lost alone when damaged."""

import sqlite3
from contextlib import closing
from dataclasses import replace
from pathlib import Path

from tests.store import older
from tests.store.material import DAY, HIDE_HUB, HOUR, SKERRY, START, asked
from watchkeeper.model.forecast_record import KeptForecast, Outcome
from watchkeeper.model.records import Commit
from watchkeeper.store import Store
from watchkeeper.store.files import backup
from watchkeeper.store.history.retention_limits import RetentionLimits
from watchkeeper.store.recovery.inspection import FREQUENT
from watchkeeper.store.rows.forecast_rows import MOST

FIRST_S = START.timestamp()
FIRST = KeptForecast(SKERRY, START, FIRST_S + 1e5, FIRST_S + 2e5, FIRST_S + 4e5, 500.0, 1000.0, since_s=FIRST_S - 1e4)
DECIDED = replace(FIRST, outcome=Outcome.FILLED, decided_at=START + 3 * DAY, held=True, error=0.1, miss=0.0)


async def test_a_decided_forecast_replaces_the_open_one(store: Store) -> None:
    """One of a series at an instant; others stay, oldest first."""
    later = replace(FIRST, at=START + HOUR, latest_s=None, since_s=None)
    other = replace(FIRST, key=HIDE_HUB)
    await store.commit(Commit(forecasts=(later, FIRST, other)))
    await store.commit(Commit(forecasts=(DECIDED,)))
    assert await store.forecasts() == [DECIDED, other, later]
    assert await store.forecasts(SKERRY) == [DECIDED, later]


async def test_a_series_has_a_bounded_number(store: Store) -> None:
    """The newest stay; another series does not count."""
    many = tuple(replace(FIRST, at=START + n * HOUR) for n in range(MOST + 7))
    await store.commit(Commit(forecasts=(replace(FIRST, key=HIDE_HUB), *many)))
    assert await store.forecasts(SKERRY) == list(many[7:])
    assert len(await store.forecasts(HIDE_HUB)) == 1


async def test_old_forecasts_are_deleted(store: Store) -> None:
    """Those that were made before the limit, in small steps."""
    keys = [SKERRY._replace(quantity=str(n)) for n in range(12)]
    some = tuple(replace(FIRST, key=key, at=START + n * DAY) for key in keys for n in range(100))
    await store.commit(Commit(forecasts=some))
    assert await store.keep(RetentionLimits(forecasts=START + 98 * DAY)) == 1176
    assert {each.at for each in await store.forecasts()} == {START + 98 * DAY, START + 99 * DAY}


async def test_they_are_in_a_backup(store: Store, path: Path, tmp_path: Path) -> None:
    """And are there when it is put back."""
    await store.commit(Commit(forecasts=(DECIDED,)))
    backup.back_up(path, tmp_path / "copy.db", replace=False)
    backup.check(tmp_path / "copy.db")
    async with await Store.open(tmp_path / "copy.db") as copy:
        assert await copy.forecasts() == [DECIDED]


async def test_a_database_of_version_2_gets_the_table(path: Path) -> None:
    """It is empty at first, and can be written."""
    older.make(path)
    async with await Store.open(path) as store:
        assert await store.forecasts() == []
        await store.commit(Commit(forecasts=(FIRST,)))
        assert await store.forecasts() == [FIRST]


async def test_a_damaged_one_is_lost_alone(path: Path) -> None:
    """It is left out and moved to the quarantine; it is not among what is checked most often."""
    other = replace(FIRST, at=START + HOUR)
    async with await Store.open(path) as store:
        await store.commit(Commit(forecasts=(FIRST, other)))
    with closing(sqlite3.connect(path)) as conn, conn:
        conn.execute("UPDATE forecasts SET at_us = at_us + 1 WHERE id = 1")
    async with await Store.open(path) as store:
        assert await store.forecasts() == [other]
        await store.inspect(whole=True)
        assert [each.source for each in await store.quarantined(START, START + 40_000 * DAY)] == ["forecasts"]
    assert asked(path, "SELECT id FROM forecasts") == [(2,)]
    assert "forecasts" not in {scope.form.table for scope in FREQUENT}


async def test_a_broken_database_keeps_them(path: Path) -> None:
    """Where a table is missing, salvage reads them as every other row."""
    async with await Store.open(path) as store:
        await store.commit(Commit(forecasts=(FIRST, DECIDED)))
    with closing(sqlite3.connect(path)) as conn:
        conn.execute("PRAGMA writable_schema = ON")
        conn.execute("DELETE FROM sqlite_schema WHERE name = 'days'")
        conn.commit()
    async with await Store.open(path, repair_at=START) as store:
        assert await store.forecasts() == [DECIDED]
