"""What is deleted after its retention time, and what never is."""

import sqlite3
from contextlib import closing
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest

from tests.store.material import DAY, HIDE_HUB, HOUR, SKERRY, START, alert, delivery, level, line, transition
from watchkeeper.model.alert import Concern, Priority, State
from watchkeeper.model.finding import Finding
from watchkeeper.model.records import Commit, DeliveryState
from watchkeeper.store import Store
from watchkeeper.store.history.retention_limits import RetentionLimits

LATER = START + 100 * DAY


async def test_old_lines_of_the_journal_go(store: Store) -> None:
    """The oldest first, in small steps; ids continue where they were."""
    await store.commit(Commit(events=tuple(line(str(n), START + n * HOUR) for n in range(1300))))
    await store.keep(RetentionLimits(events=START + 1200 * HOUR))
    assert [each.text for each in await store.events(limit=9999)] == [str(n) for n in range(1299, 1199, -1)]
    await store.commit(Commit(events=(line("new", LATER),)))
    (newest,) = await store.events(limit=1)
    assert newest.id == 1301


async def test_a_line_from_the_past_stays_while_younger_ones_do(store: Store) -> None:
    """With a clock that starts in 1970 after a power cut, lines are not deleted the moment they are written."""
    past = START - 20_000 * DAY
    await store.commit(Commit(events=(line("old", START), line("kept", LATER), line("lost in time", past))))
    await store.keep(RetentionLimits(events=LATER))
    assert [each.text for each in await store.events()] == ["lost in time", "kept"]


async def test_the_newest_line_of_all_stays(store: Store) -> None:
    """The event log is never emptied."""
    await store.commit(Commit(events=(line("first"), line("last"))))
    await store.keep(RetentionLimits(events=LATER))
    assert [each.text for each in await store.events()] == ["last"]


async def test_no_line_goes_before_its_time(store: Store, path: Path) -> None:
    """The tables refuse to delete a line younger than any retention time ever set, and to change any line."""
    await store.commit(Commit(events=(line("old"), line("young", LATER))))
    await store.keep(RetentionLimits(events=START - DAY))
    with closing(sqlite3.connect(path)) as conn, pytest.raises(sqlite3.IntegrityError, match="append-only"):
        conn.execute("DELETE FROM events WHERE id = 1")
    await store.keep(RetentionLimits(events=START + DAY))
    await store.keep(RetentionLimits(events=START - DAY))  # setting the clock back does not undo that
    with closing(sqlite3.connect(path)) as conn, pytest.raises(sqlite3.IntegrityError, match="append-only"):
        conn.execute("DELETE FROM events WHERE id = 2")
    assert len(await store.events()) == 1


async def test_delivered_deliveries_go_and_others_stay(store: Store) -> None:
    """Deliveries completed long ago are deleted; those waiting, set aside, or completed recently stay."""
    await store.commit(Commit(deliveries=tuple(delivery(str(n)) for n in range(4))))
    found = sorted(await store.deliveries(), key=lambda each: each.id)
    ends = [(DeliveryState.DELIVERED, START), (DeliveryState.DELIVERED, LATER), (DeliveryState.SET_ASIDE, START)]
    for each, (state, at) in zip(found, ends, strict=False):
        await store.delivery_done(replace(each, state=state, done_at=at))
    await store.keep(RetentionLimits(delivered=START + DAY))
    left = await store.deliveries(only_open=False)
    assert sorted(each.message.thread for each in left) == ["1", "2", "3"]


async def test_what_is_gone_leaves_the_page(store: Store) -> None:
    """A series not seen for a long time loses its newest observation and its findings; the others keep them."""
    for key in (SKERRY, HIDE_HUB):
        at = START if key == SKERRY else LATER
        finding = Finding(key, Concern.FULL, at, Priority.WARNING)
        await store.commit(Commit(seen=(level(1.0, at, key),), findings=(finding,)))
    await store.keep(RetentionLimits(gone=START + DAY))
    assert [each.key for each in await store.series()] == [HIDE_HUB]
    assert [each.key for each in await store.findings()] == [HIDE_HUB]
    assert len(await store.samples(SKERRY, START, START)) == 1
    await store.commit(Commit(seen=(level(2.0, LATER),)))
    assert [(each.key, each.first_at) for each in await store.series()] == [(SKERRY, START), (HIDE_HUB, LATER)]


async def test_what_is_told_and_not_ended_stays(store: Store, path: Path) -> None:
    """A series with an active alert is kept however long it is gone; so is one whose alert cannot be read."""
    await store.commit(transition(1))
    await store.keep(RetentionLimits(gone=LATER))
    assert len(await store.latest()) == len(await store.findings()) == 1
    with closing(sqlite3.connect(path, isolation_level=None)) as conn:
        conn.execute("UPDATE alerts SET body = 'x'")
    await store.keep(RetentionLimits(gone=LATER))
    assert len(await store.latest()) == 1


async def test_the_count_of_episodes_outlives_its_series(store: Store) -> None:
    """An alert that was removed long ago still counts, so that no later message reuses an earlier name."""
    ended = replace(alert(3), state=State.NORMAL, priority=None)
    await store.commit(Commit(seen=(level(1.0),), alerts=(ended,)))
    await store.keep(RetentionLimits(samples=LATER, hours=LATER, days=LATER, gone=LATER))
    assert await store.series() == []
    assert await store.alerts() == [ended]


async def test_many_gone_series_go_in_steps(store: Store) -> None:
    """More of them than a step handles, with one between them that stays."""
    seen = [level(1.0, START + timedelta(milliseconds=n), SKERRY._replace(subject=f"pool {n}")) for n in range(1100)]
    await store.commit(Commit(seen=tuple(seen)))
    await store.commit(Commit(seen=(replace(seen[700], at=LATER),)))
    await store.keep(RetentionLimits(gone=LATER))
    assert [each.key.subject for each in await store.series()] == ["pool 700"]


async def test_a_delivery_that_is_done_when_it_comes(store: Store) -> None:
    """If delivered while the database was not writable, it brings nothing forward, and is deleted in its time."""
    done = replace(delivery("a", 2, START), state=DeliveryState.DELIVERED, done_at=START)
    await store.commit(Commit(deliveries=(delivery("a", 1, LATER), done)))
    found = await store.next_delivery("mail")
    assert found is not None
    assert found.due_at == LATER
    await store.keep(RetentionLimits(delivered=START + DAY))
    assert [each.message.number for each in await store.deliveries(only_open=False)] == [1]
