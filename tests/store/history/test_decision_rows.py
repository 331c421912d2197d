"""The rows of decisions: found by subject, bounded, deleted when old, kept by salvage, and lost alone when damaged."""

import sqlite3
from contextlib import closing
from dataclasses import replace
from pathlib import Path

from tests.store import older
from tests.store.material import DAY, HOUR, SKERRY, START, asked
from watchkeeper.model.alert import Concern
from watchkeeper.model.observation import SeriesKey
from watchkeeper.model.operator.decision import Decision, RouteChoice
from watchkeeper.model.records import Commit
from watchkeeper.store import Store
from watchkeeper.store.history.decision_rows import MOST
from watchkeeper.store.history.retention_limits import RetentionLimits
from watchkeeper.store.recovery.inspection import FREQUENT

CHOICES = (
    RouteChoice("mail"),
    RouteChoice("phone", held_until=START + HOUR),
    RouteChoice("hook", "digest_only is set"),
)
RULE = Decision(SKERRY, Concern.FULL, START, ("98 % used", "calls for an alarm"))
SENT = Decision(SKERRY, Concern.FULL, START + HOUR, (), "thread-1", "pool skerry full", CHOICES)


async def test_they_are_found_by_the_whole_subject(store: Store) -> None:
    """Of every quantity of it, oldest first; of no subject that only begins or continues like it."""
    others = [SeriesKey("pool sker", "space"), SeriesKey("pool skerry2", "space"), SeriesKey('pool skerry","x', "y")]
    second = replace(RULE, key=SeriesKey(SKERRY.subject, "errors"))
    mixed = (*(replace(RULE, key=each) for each in others), RULE, second, SENT)
    await store.commit(Commit(decisions=mixed))
    assert await store.decisions(SKERRY.subject, START) == [RULE, second, SENT]
    assert await store.decisions(SKERRY.subject, START + HOUR) == [SENT]
    odd = 'pool skerry","x'
    assert [each.key.subject for each in await store.decisions(odd, START)] == [odd]
    assert await store.decisions("pool", START) == []


async def test_a_series_has_a_bounded_number(store: Store) -> None:
    """The newest stay; another series does not count."""
    many = tuple(replace(RULE, at=START + n * HOUR) for n in range(MOST + 3))
    await store.commit(Commit(decisions=many))
    assert await store.decisions(SKERRY.subject, START) == list(many[3:])


async def test_old_ones_are_deleted(store: Store) -> None:
    """Those from before the limit."""
    await store.commit(Commit(decisions=tuple(replace(RULE, at=START + n * DAY) for n in range(20))))
    assert await store.keep(RetentionLimits(decisions=START + 6 * DAY)) == 6
    assert len(await store.decisions(SKERRY.subject, START)) == 14


async def test_an_older_database_gets_the_table(path: Path) -> None:
    """It is empty at first, and can be written."""
    older.make(path)
    async with await Store.open(path) as store:
        assert await store.decisions(SKERRY.subject, START) == []
        await store.commit(Commit(decisions=(RULE,)))
        assert await store.decisions(SKERRY.subject, START) == [RULE]


async def test_a_damaged_one_is_lost_alone(path: Path) -> None:
    """It is left out and moved to the quarantine; it is not among what is checked most often."""
    async with await Store.open(path) as store:
        await store.commit(Commit(decisions=(RULE, SENT)))
    with closing(sqlite3.connect(path)) as conn, conn:
        conn.execute("UPDATE decisions SET at_us = at_us + 1 WHERE id = 1")
    async with await Store.open(path) as store:
        assert await store.decisions(SKERRY.subject, START) == [SENT]
        await store.inspect(whole=True)
        assert [each.source for each in await store.quarantined(START, START + 40_000 * DAY)] == ["decisions"]
    assert asked(path, "SELECT id FROM decisions") == [(2,)]
    assert "decisions" not in {scope.form.table for scope in FREQUENT}


async def test_a_broken_database_keeps_them(path: Path) -> None:
    """Where a table is missing, salvage reads them as every other row."""
    async with await Store.open(path) as store:
        await store.commit(Commit(decisions=(RULE, SENT)))
    with closing(sqlite3.connect(path)) as conn:
        conn.execute("PRAGMA writable_schema = ON")
        conn.execute("DELETE FROM sqlite_schema WHERE name = 'days'")
        conn.commit()
    async with await Store.open(path, repair_at=START) as store:
        assert await store.decisions(SKERRY.subject, START) == [RULE, SENT]
