"""Findings are stored when they change; one that newer samples have confirmed is as old as the newest of them."""

import sqlite3
from dataclasses import replace
from datetime import datetime
from pathlib import Path

import pytest

from tests.store.material import DAY, HOUR, MINUTE, SKERRY, START, level
from watchkeeper.errors import StoreError
from watchkeeper.model.alert import Concern, Priority
from watchkeeper.model.finding import Finding
from watchkeeper.model.observation import Condition, Level
from watchkeeper.model.records import Commit, Seen
from watchkeeper.store import Store
from watchkeeper.store.history.retention_limits import RetentionLimits

FULL = Finding(SKERRY, Concern.FULL, START, None, ends_at=START + DAY, reason="not filling")
MISSING = Finding(SKERRY, Concern.NOT_REPORTING, START, None, ends_at=START + 3 * MINUTE)


def looked(at: datetime, *findings: Finding) -> Commit:
    """A sample with these findings as of its time."""
    return Commit(seen=(level(1.0, at),), findings=tuple(each.as_of(at) for each in findings))


def written(path: Path) -> list[str]:
    """The rows of findings as they are in the file."""
    conn = sqlite3.connect(path)
    rows = [body for (body,) in conn.execute("SELECT body FROM findings ORDER BY id")]
    conn.close()
    return rows


async def test_an_unchanged_finding_is_written_once(store: Store, path: Path) -> None:
    """And is read with the time of the newest sample, by which it was found again."""
    await store.commit(looked(START, FULL, MISSING))
    first = written(path)
    for minute in range(1, 4):
        at = START + minute * MINUTE
        await store.commit(looked(at, FULL, MISSING))
        assert await store.findings() == [FULL.as_of(at), MISSING.as_of(at)]
    assert written(path) == first
    worse = replace(FULL, priority=Priority.WARNING)
    await store.commit(looked(START + HOUR, worse, MISSING))
    assert await store.findings() == [worse.as_of(START + HOUR), MISSING.as_of(START + HOUR)]
    assert written(path)[0] != first[0]
    assert written(path)[1] == first[1]


async def test_a_restart_knows_when_it_was_last_found(store: Store, path: Path) -> None:
    """Nothing about it is only in memory."""
    for minute in range(3):
        await store.commit(looked(START + minute * MINUTE, FULL))
    await store.close()
    async with await Store.open(path) as again:
        assert await again.findings() == [FULL.as_of(START + 2 * MINUTE)]


async def test_what_comes_without_a_sample_is_written(store: Store) -> None:
    """A finding of a review has no sample that keeps its time."""
    await store.commit(looked(START, FULL))
    await store.commit(Commit(findings=(FULL.as_of(START + MINUTE),)))
    assert await store.findings() == [FULL.as_of(START + MINUTE)]


async def test_a_clock_that_was_set_back_is_followed(store: Store) -> None:
    """Before the time of the row, and after it."""
    for at in (START + HOUR, START + 2 * HOUR, START + 90 * MINUTE, START):
        await store.commit(looked(at, FULL))
        assert await store.findings() == [FULL.as_of(at)]


async def test_a_finding_of_an_earlier_kind_stays_as_old_as_it_is(store: Store) -> None:
    """What once was a level and now is a condition says nothing new about when it will be full."""
    await store.commit(looked(START, FULL))
    await store.commit(Commit(seen=(Seen(START + HOUR, Condition(SKERRY, ok=True), "pools", 60.0),)))
    assert await store.findings() == [FULL]


async def test_a_row_that_was_lost_is_written_again(store: Store, path: Path) -> None:
    """It could not be read, and was moved away; the next sample replaces it though nothing has changed."""
    await store.commit(looked(START, FULL))
    conn = sqlite3.connect(path, isolation_level=None)
    conn.execute("UPDATE findings SET body = 'x'")
    conn.close()
    assert await store.findings() == []
    await store.commit(looked(START + MINUTE, FULL))
    assert await store.findings() == [FULL.as_of(START + MINUTE)]


async def test_a_series_that_was_dropped_and_comes_back_has_its_finding_again(store: Store) -> None:
    """After its retention time nothing of it was left."""
    await store.commit(looked(START, FULL))
    await store.keep(RetentionLimits(samples=START + HOUR, hours=START + HOUR, gone=START + HOUR))
    assert await store.findings() == []
    await store.commit(looked(START + DAY, FULL))
    assert await store.findings() == [FULL.as_of(START + DAY)]


async def test_what_was_rolled_back_is_written_again(store: Store) -> None:
    """A unit of work that failed stored no finding either."""
    bad = Seen(START, Level(SKERRY, float("nan"), 1.0), "pools", 60.0)
    with pytest.raises(StoreError):
        await store.commit(Commit(seen=(level(1.0), bad), findings=(FULL,)))
    await store.commit(looked(START, FULL))
    assert await store.findings() == [FULL]
