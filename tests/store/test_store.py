"""The store as the pipeline, the page and the commands use it."""

import asyncio
import sqlite3
import threading
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any, cast

import pytest
from freezegun import freeze_time
from hypothesis import HealthCheck, given, settings

from tests.store.material import (
    DAY,
    HIDE_HUB,
    HOUR,
    MINUTE,
    SKERRY,
    START,
    alert,
    asked,
    delivery,
    level,
    line,
    message,
    samples,
    transition,
)
from tests.store.strategies import TEXT, any_of
from watchkeeper.errors import StoreError
from watchkeeper.model.alert import Alert, Concern, Priority, State
from watchkeeper.model.finding import Finding
from watchkeeper.model.observation import Answer, Condition, Deadline, Kind, Level, Observation, SeriesKey, Unit
from watchkeeper.model.ports import OutboxStore, ReadStore, WriteStore
from watchkeeper.model.records import Bucket, Commit, Entry, EventLine, Sample, Seen
from watchkeeper.store import Store
from watchkeeper.store.history.retention_limits import RetentionLimits

LONG_AGO, FAR_AHEAD = datetime(1970, 1, 1, tzinfo=UTC), datetime(9999, 12, 31, tzinfo=UTC)


async def test_it_is_what_the_ports_ask_for(store: Store) -> None:
    """The pipeline, the outbox and the page each get the interface they require (mypy checks the signatures)."""
    ports: tuple[WriteStore, ReadStore, OutboxStore] = (store, store, store)
    await ports[0].commit(samples(1))
    assert len(await ports[1].latest()) == 1
    assert await ports[2].next_delivery("mail") is None


# Observations -----------------------------------------------------------------------------------------------------


async def test_each_kind_is_kept_as_a_sample(store: Store) -> None:
    """A sample has what records.Sample defines for each of the four kinds."""
    due = datetime(2026, 5, 1, tzinfo=UTC)
    keys = [SeriesKey("thing", str(n)) for n in range(8)]
    seen: list[Observation] = [
        Level(keys[0], 3.5, 10.0, Unit.COUNT),
        Deadline(keys[1], due),
        Deadline(keys[2], None),
        Answer(keys[3], answered=True, took_s=0.25),
        Answer(keys[4], answered=False, took_s=0.25, reason="status 502"),
        Condition(keys[5], ok=True),
        Condition(keys[6], ok=False),
    ]
    await store.commit(Commit(seen=tuple(Seen(START, each, "things", 30.0) for each in seen)))
    found = [await store.samples(each.key, START, START) for each in seen]
    at_s = START.timestamp()
    assert found == [
        [Sample(at_s, 3.5, 10.0)],
        [Sample(at_s, due.timestamp(), None)],
        [Sample(at_s, None, None)],
        [Sample(at_s, 0.25, None)],
        [Sample(at_s, None, None)],
        [Sample(at_s, 1.0, None)],
        [Sample(at_s, 0.0, None)],
    ]
    assert [each.observation for each in await store.latest()] == seen
    kinds = [(each.kind, each.unit) for each in await store.series()]
    assert kinds[:2] == [(Kind.LEVEL, Unit.COUNT), (Kind.DEADLINE, None)]
    assert await store.samples(SeriesKey("no such", "thing"), LONG_AGO, FAR_AHEAD) == []


async def test_a_series_keeps_its_id_and_takes_what_is_new(store: Store) -> None:
    """A series has one permanent id, its first time stays, and a changed probe or interval is updated."""
    await store.commit(Commit(seen=(level(1.0), level(2.0, key=HIDE_HUB))))
    await store.commit(Commit(seen=(replace(level(3.0, START + HOUR), probe="other", interval_s=5.0),)))
    first, second = await store.series()
    assert (first.id, first.key, first.probe, first.interval_s) == (1, SKERRY, "other", 5.0)
    assert (first.first_at, first.last_at) == (START, START + HOUR)
    assert (second.id, second.key) == (2, HIDE_HUB)


async def test_a_series_is_known_again_after_a_restart(path: Path) -> None:
    """After reopening, the same series is continued."""
    for n in range(2):
        async with await Store.open(path) as store:
            await store.commit(Commit(seen=(level(float(n), START + n * HOUR),)))
            (series,) = await store.series()
            assert series.id == 1
            assert len(await store.samples(SKERRY, START, START + DAY)) == n + 1


async def test_the_newest_observation_is_the_one_that_came_last(store: Store) -> None:
    """A clock that was set back does not leave an old observation on the page."""
    await store.commit(Commit(seen=(level(1.0, START),)))
    await store.commit(Commit(seen=(level(2.0, START - HOUR),)))
    (latest,) = await store.latest()
    assert latest == level(2.0, START - HOUR)
    assert [s.value for s in await store.samples(SKERRY, LONG_AGO, FAR_AHEAD)] == [2.0, 1.0]


async def test_a_repeated_stamp_takes_the_later_look(store: Store) -> None:
    """Two samples of one millisecond (a leap second's repeated stamp) leave the second; nothing fails."""
    await store.commit(Commit(seen=(level(1.0), level(2.0, START + timedelta(microseconds=900)))))
    assert [s.value for s in await store.samples(SKERRY, START, START)] == [2.0]


async def test_a_range_holds_both_its_ends(store: Store) -> None:
    """Samples from `since` to `until`, both included, oldest first."""
    await store.commit(samples(10))
    found = await store.samples(SKERRY, START + 2 * MINUTE, START + 5 * MINUTE)
    assert [s.value for s in found] == [2.0, 3.0, 4.0, 5.0]
    assert found[0].at_s == (START + 2 * MINUTE).timestamp()


async def test_samples_are_thinned_for_long_ranges(store: Store) -> None:
    """Each bucket has minimum, mean, maximum and last of its samples, and their count."""
    await store.commit(samples(60))
    found = await store.samples_thinned(SKERRY, START, START + HOUR, 6)
    assert len(found) == 6
    assert found[1] == Bucket(
        start_s=(START + 10 * MINUTE).timestamp(),
        width_s=600.0,
        samples=10,
        without=0,
        least=10.0,
        mean=14.5,
        most=19.0,
        last_s=(START + 19 * MINUTE).timestamp(),
        last=19.0,
        bound=1000.0,
        first_s=(START + 10 * MINUTE).timestamp(),
        missing_s=None,
    )


async def test_thinning_counts_what_has_no_value(store: Store) -> None:
    """Missing answers are counted, and buckets without any sample are omitted."""
    answers = [Answer(HIDE_HUB, answered=n % 2 == 0, took_s=0.5) for n in range(4)]
    await store.commit(
        Commit(seen=tuple(Seen(START + n * MINUTE, each, "hub", 60.0) for n, each in enumerate(answers)))
    )
    await store.commit(Commit(seen=(Seen(START + HOUR, Answer(HIDE_HUB, answered=False), "hub", 60.0),)))
    first, last = await store.samples_thinned(HIDE_HUB, START, START + HOUR, 10)
    assert (first.samples, first.without, first.mean, first.last) == (4, 2, 0.5, None)
    assert (first.first_s, first.missing_s) == (START.timestamp(), (START + MINUTE).timestamp())
    assert (last.samples, last.without, last.least, last.mean, last.most) == (1, 1, None, None, None)
    assert await store.samples_thinned(SKERRY, START, START + HOUR, 10) == []


@pytest.mark.parametrize("points", [-1, 0, 1, 7, 10**9])
async def test_thinning_never_gives_many_more_points_than_asked(store: Store, points: int) -> None:
    """At most one more than requested, and no sample is counted twice or lost, whatever was requested."""
    await store.commit(samples(50))
    found = await store.samples_thinned(SKERRY, START, START + 49 * MINUTE, points)
    assert sum(b.samples for b in found) == 50
    assert len(found) <= max(1, points) + 1


async def test_thinning_agrees_with_the_samples(store: Store) -> None:
    """Minimum, mean and maximum over all buckets are those of the samples themselves."""
    values = [float((n * 7919) % 101) for n in range(200)]
    seen = tuple(level(v, START + n * MINUTE) for n, v in enumerate(values))
    await store.commit(Commit(seen=seen))
    found = await store.samples_thinned(SKERRY, START, START + DAY, 13)
    for bucket in found:
        end = bucket.start_s + bucket.width_s
        inside = [v for n, v in enumerate(values) if bucket.start_s <= (START + n * MINUTE).timestamp() < end]
        assert (bucket.least, bucket.most, bucket.last) == (min(inside), max(inside), inside[-1])
        assert bucket.mean == pytest.approx(sum(inside) / len(inside))


async def test_levels_are_read_back_as_arrays(store: Store) -> None:
    """Histories are refilled from every level and from nothing else, from a given time on, oldest first."""
    await store.commit(samples(5))
    await store.commit(samples(3, SeriesKey("memory", "used")))
    await store.commit(Commit(seen=(Seen(START, Answer(HIDE_HUB, answered=True, took_s=1.0), "hub", 60.0),)))
    found = [each async for each in store.level_samples(START + MINUTE)]
    assert [each.key for each in found] == [SKERRY, SeriesKey("memory", "used")]
    assert found[0].at_s.tolist() == [(START + n * MINUTE).timestamp() for n in range(1, 5)]
    assert found[0].used.tolist() == [1.0, 2.0, 3.0, 4.0]
    assert found[0].capacity.tolist() == [1000.0] * 4
    (empty, _) = [each async for each in store.level_samples(FAR_AHEAD)]
    assert empty.used.tolist() == []


async def test_samples_of_a_clock_that_was_wrong_are_not_read_back(store: Store) -> None:
    """What is more than a day after the last commit was written while the clock was ahead of it."""
    ahead = (START + 2 * DAY, START + 20 * HOUR, START + MINUTE)
    for n, at in enumerate(ahead):
        await store.commit(Commit(seen=(level(float(n), at),)))
    (found,) = [each async for each in store.level_samples(START)]
    assert found.used.tolist() == [2.0, 1.0]


async def test_a_series_that_changes_its_kind_reads_its_levels_only(store: Store) -> None:
    """A key that once named an answer and now names a level returns only samples with a capacity."""
    await store.commit(Commit(seen=(Seen(START, Answer(SKERRY, answered=True, took_s=1.0), "x", 60.0),)))
    await store.commit(Commit(seen=(level(5.0, START + MINUTE),)))
    (found,) = [each async for each in store.level_samples(START)]
    assert found.used.tolist() == [5.0]


# Findings, alerts, event log --------------------------------------------------------------------------------------


async def test_the_newest_finding_of_each_concern_is_kept(store: Store) -> None:
    """One row per series and concern; a finding may come before its series has a sample."""
    old = Finding(SKERRY, Concern.FULL, START, Priority.CAUTION)
    stale = Finding(SKERRY, Concern.NOT_REPORTING, START, None)
    new = Finding(SKERRY, Concern.FULL, START + MINUTE, Priority.WARNING, ends_at=START + DAY)
    await store.commit(Commit(findings=(old, stale)))
    await store.commit(Commit(findings=(new,)))
    assert await store.findings() == [new, stale]


async def test_an_alert_is_kept_until_it_is_as_new(store: Store) -> None:
    """An alert after an episode stays (its count is part of its messages' ids); one in its initial state does not."""
    await store.commit(Commit(alerts=(alert(1), Alert(HIDE_HUB, Concern.NOT_ANSWERING))))
    assert await store.alerts() == [alert(1)]
    ended = Alert(SKERRY, Concern.FULL, State.NORMAL, episode=1)
    await store.commit(Commit(alerts=(ended,)))
    assert await store.alerts() == [ended]
    await store.commit(Commit(alerts=(Alert(SKERRY, Concern.FULL),)))
    assert await store.alerts() == []


async def test_the_journal_is_read_from_either_end(store: Store) -> None:
    """Newest first; with after_id oldest first; before_id pages back."""
    await store.commit(Commit(events=tuple(line(f"line {n}", START + n * MINUTE) for n in range(1, 8))))
    newest = await store.events(limit=3)
    assert [(each.id, each.text) for each in newest] == [(7, "line 7"), (6, "line 6"), (5, "line 5")]
    assert [each.id for each in await store.events(before_id=5, limit=2)] == [4, 3]
    assert [each.id for each in await store.events(after_id=2, limit=3)] == [3, 4, 5]
    assert [each.id for each in await store.events(after_id=2, before_id=5)] == [3, 4]
    assert await store.events(after_id=7) == []
    assert newest[0] == replace(line("line 7", START + 7 * MINUTE), id=7)


async def test_the_journal_is_filtered(store: Store) -> None:
    """By key, entry and time, and by all of them at once."""
    lines = (
        line("one"),
        replace(line("two", START + HOUR), key=HIDE_HUB),
        EventLine(START + 2 * HOUR, Entry.START, "three"),
        line("four", START + 3 * HOUR),
    )
    await store.commit(Commit(events=lines))

    async def texts(**given: Any) -> list[str]:
        return [each.text for each in await store.events(**given)]

    assert await texts(key=SKERRY) == ["four", "one"]
    assert await texts(entry=Entry.START) == ["three"]
    assert await texts(since=START + HOUR) == ["four", "three", "two"]
    assert await texts(key=SKERRY, entry=Entry.TRANSITION, since=START + MINUTE, before_id=9) == ["four"]
    assert await texts(key=SeriesKey("nobody", "nothing")) == []


@pytest.mark.parametrize("number", [10**30, -(10**30)])
async def test_numbers_from_an_address_are_harmless(store: Store, number: int) -> None:
    """An id or a limit of any size gets an answer, not an error: the page passes on what is in a URL."""
    await store.commit(transition(1))
    assert len(await store.events(before_id=number)) == (number > 0)
    assert len(await store.events(after_id=number)) == (number < 0)
    assert len(await store.events(limit=number)) == 1
    assert len(await store.deliveries(limit=number)) == 1


@pytest.mark.parametrize(
    "sql",
    [
        "UPDATE events SET body = ''",
        "DELETE FROM events",
        "INSERT OR REPLACE INTO events (id, at_us, entry, body) VALUES (1, 0, '', '')",
    ],
)
async def test_a_line_of_the_journal_cannot_be_changed(store: Store, path: Path, sql: str) -> None:
    """The database itself refuses, so that neither a bug of ours nor a hasty manual edit rewrites what happened."""
    await store.commit(transition(1))
    conn = sqlite3.connect(path)
    with pytest.raises(sqlite3.IntegrityError, match="append-only"):
        conn.execute(sql)
    conn.close()
    (kept,) = await store.events()
    assert kept.text == "episode 1"


async def test_a_turn_is_all_in_or_not_at_all(store: Store) -> None:
    """A unit of work whose last part cannot be stored leaves nothing of itself, and the next one is written."""
    bad = replace(transition(1), seen=(level(1.0), level(float("nan"), key=HIDE_HUB)))
    with pytest.raises(StoreError, match=r"Level\.used is nan"):
        await store.commit(bad)
    odd = replace(message(), number=cast("int", 1.5))
    worse = replace(transition(1), deliveries=(replace(delivery(), message=odd),))
    with pytest.raises(StoreError, match="a Message cannot be stored"):
        await store.commit(worse)
    assert (await store.series(), await store.latest(), await store.findings()) == ([], [], [])
    assert (await store.alerts(), await store.events(), await store.deliveries()) == ([], [], [])
    assert await store.last_commit_at() is None
    await store.commit(transition(1))
    assert [each.id for each in await store.series()] == [1]
    assert len(await store.events()) == len(await store.deliveries()) == 1


async def test_one_that_cannot_be_written_takes_no_other_with_it(store: Store) -> None:
    """Units of work that wait together share a transaction, but each fails or is written separately, in order."""
    commits = [Commit(seen=(level(float(n), START + n * MINUTE),)) for n in range(20)]
    commits[7] = Commit(seen=(level(float("nan")),))
    outcomes = await asyncio.gather(*(store.commit(each) for each in commits), return_exceptions=True)
    assert [n for n, outcome in enumerate(outcomes) if outcome is not None] == [7]
    assert isinstance(outcomes[7], StoreError)
    found = await store.samples(SKERRY, START, START + DAY)
    assert [s.value for s in found] == [float(n) for n in range(20) if n != 7]
    (latest,) = await store.latest()
    assert latest == level(19.0, START + 19 * MINUTE)


async def test_a_caller_that_is_cancelled_does_not_take_the_turn_back(store: Store) -> None:
    """A unit of work that was handed over is written, even if nobody waits for it any more."""
    waiting = [asyncio.create_task(store.commit(transition(n))) for n in (1, 2)]
    await asyncio.sleep(0)
    waiting[0].cancel()
    with pytest.raises(asyncio.CancelledError):
        await waiting[0]
    await waiting[1]
    assert [each.text for each in await store.events()] == ["episode 2", "episode 1"]


@settings(max_examples=15, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(subject=TEXT, quantity=TEXT, written=any_of(EventLine), told=any_of(Finding))
async def test_hostile_text_is_only_text(
    store: Store, subject: str, quantity: str, written: EventLine, told: Finding
) -> None:
    """Quotes, NUL, line breaks and broken names come back as they went in, in every column."""
    key, told = SeriesKey(subject, quantity), replace(told, at=START)
    sent = replace(delivery(), notifier=subject, trouble=quantity)
    sent = replace(sent, message=replace(sent.message, thread=quantity, headline=subject))
    await store.commit(
        Commit(
            seen=(replace(level(1.0, key=key), probe=subject),),
            findings=(told,),
            alerts=(replace(alert(), key=key),),
            events=(replace(written, key=key),),
            deliveries=(sent,),
        )
    )
    assert key in [each.key for each in await store.series()]
    assert [s.value for s in await store.samples(key, START, START)] == [1.0]
    assert told in await store.findings()
    assert replace(alert(), key=key) in await store.alerts()
    (kept, *_) = await store.events(key=key)
    assert replace(kept, id=0) == replace(written, key=key, id=0)
    found = await store.next_delivery(subject)
    assert found is not None
    assert replace(found, id=0) == sent
    assert subject in [each.probe for each in await store.latest()]
    await store.delivery_done(replace(found, state=type(found.state).DELIVERED))
    await store.commit(Commit(alerts=(Alert(key, alert().concern),)))


# Times, last commit, retention ------------------------------------------------------------------------------------


@freeze_time("2001-02-03 04:05:06", real_asyncio=True)
async def test_every_time_is_the_callers(path: Path) -> None:
    """No value in the rows comes from a clock, neither Python's nor SQLite's own."""
    async with await Store.open(path) as store:
        await store.commit(transition(1))
        (sent,) = await store.deliveries()
        await store.delivery_done(replace(sent, done_at=START + HOUR), line("sent", START + HOUR))
    times = [
        *asked(path, "SELECT first_at_us FROM series UNION ALL SELECT at_us FROM latest"),
        *asked(path, "SELECT at_us FROM events UNION ALL SELECT last_commit_at_us FROM store_state"),
        *asked(path, "SELECT due_at_us FROM outbox UNION ALL SELECT made_at_us FROM outbox"),
    ]
    known = {START, START + MINUTE, START + HOUR}
    assert {datetime(1970, 1, 1, tzinfo=UTC) + timedelta(microseconds=int(str(t))) for (t,) in times} <= known
    schema = " ".join(str(sql) for (sql,) in asked(path, "SELECT sql FROM sqlite_schema"))
    assert not [word for word in ("CURRENT_TIME", "CURRENT_DATE", "datetime(", "unixepoch(") if word in schema]


async def test_the_last_sign_of_life_is_that_of_the_newest_commit(path: Path) -> None:
    """The daemon can report at its start since when it was away; an old alert in a unit of work does not count."""
    async with await Store.open(path) as store:
        assert await store.last_commit_at() is None
        await store.commit(samples(5))
        assert await store.last_commit_at() == START + 4 * MINUTE
        await store.commit(Commit(findings=(Finding(SKERRY, Concern.FULL, START + HOUR, None),), alerts=(alert(),)))
        await store.commit(Commit())
    async with await Store.open(path) as store:
        assert await store.last_commit_at() == START + HOUR
        await store.commit(Commit(events=(line(at=START - DAY),)))
        assert await store.last_commit_at() == START - DAY


async def test_free_pages_are_handed_back(store: Store, path: Path) -> None:
    """Pages that retention frees go back to the file system, except for a reserve for the next samples."""
    await store.commit(samples(20_000))
    pages = asked(path, "PRAGMA page_count")
    assert await store.keep(RetentionLimits(samples=FAR_AHEAD), spare_share=1.0) == 20_000
    assert asked(path, "PRAGMA page_count") == pages
    assert asked(path, "PRAGMA freelist_count") > [(90,)]
    await store.keep(RetentionLimits(samples=FAR_AHEAD), spare_share=0.0)
    assert asked(path, "PRAGMA freelist_count") == [(0,)]
    assert asked(path, "PRAGMA page_count") < pages


async def test_commits_have_their_turn_between_the_steps(store: Store) -> None:
    """Long retention work does not hold up a commit until all is done."""
    await store.commit(samples(5000))
    keeping = asyncio.create_task(store.keep(RetentionLimits(samples=FAR_AHEAD)))
    await asyncio.sleep(0)
    await store.commit(Commit(events=(line("between"),)))
    assert not keeping.done()
    assert await keeping == 5000


# Opening and closing ----------------------------------------------------------------------------------------------


async def test_a_closed_store_says_so(path: Path) -> None:
    """After close() every method raises a clear error; closing twice does not."""
    store = await Store.open(path)
    await store.close()
    await store.close()
    with pytest.raises(StoreError, match="is closed: nothing can be written"):
        await store.commit(samples(1))
    with pytest.raises(StoreError, match="is closed: nothing can be read"):
        await store.series()


async def test_closing_writes_what_waits(path: Path) -> None:
    """Units of work handed over before close() are in the database, and the WAL is checkpointed into it."""
    store = await Store.open(path)
    waiting = [asyncio.create_task(store.commit(transition(n))) for n in range(50)]
    await asyncio.sleep(0)
    await store.close()
    await asyncio.gather(*waiting)
    assert sorted(each.name for each in path.parent.iterdir()) == ["watchkeeper.db", "watchkeeper.db.lock"]
    assert asked(path, "SELECT count(*) FROM events") == [(50,)]


async def test_commands_read_while_the_daemon_writes(store: Store, path: Path) -> None:
    """A reader sees each commit whole and as soon as it is made, and can write nothing."""
    async with await Store.open(path, read_only=True) as reader:
        assert await reader.series() == []
        for n in range(1, 6):
            await store.commit(transition(n))
            assert len(await reader.events()) == len(await reader.deliveries()) == n
        with pytest.raises(StoreError, match="for reading only"):
            await reader.commit(samples(1))
    await store.commit(transition(6))


async def test_commands_read_when_no_daemon_runs(path: Path) -> None:
    """Reading needs no daemon, and a daemon starts while a command still reads."""
    async with await Store.open(path) as store:
        await store.commit(transition(1))
    async with await Store.open(path, read_only=True) as reader:
        assert len(await reader.events()) == 1
        async with await Store.open(path) as store:
            await store.commit(transition(2))
            assert len(await reader.events()) == 2


async def test_reading_before_there_is_a_database_says_so(path: Path) -> None:
    """A command on a fresh host reports that there is nothing yet, and creates nothing."""
    with pytest.raises(StoreError, match=r"there is no database at .* yet"):
        await Store.open(path, read_only=True)
    assert not path.parent.exists()
    path.parent.mkdir()
    sqlite3.connect(path).close()
    with pytest.raises(StoreError, match=r"there is no database at .* yet"):
        await Store.open(path, read_only=True)


async def test_a_loop_that_is_gone_does_not_stop_the_writer(path: Path) -> None:
    """A loop that ended without waiting leaves its unit of work written and the thread alive."""
    store = await Store.open(path)

    async def hand_over() -> None:
        task = asyncio.ensure_future(store.commit(transition(1)))
        await asyncio.sleep(0)
        await asyncio.sleep(0)
        # It is handed over, and the loop has had no iteration yet in which it could learn that it is written.
        assert not task.done()

    loop = asyncio.new_event_loop()
    await asyncio.to_thread(loop.run_until_complete, hand_over())
    for task in asyncio.all_tasks(loop):
        task.cancel()
    await asyncio.to_thread(loop.run_until_complete, asyncio.sleep(0))
    loop.close()
    await store.commit(transition(2))
    assert len(await store.events()) == 2
    await store.close()


async def test_two_loops_share_a_transaction(path: Path) -> None:
    """One has ended before its unit of work is written; the other is told of its own all the same."""
    store = await Store.open(path)
    held, release = threading.Event(), threading.Event()

    def hold() -> None:
        held.set()
        release.wait(30)

    async def hand_over() -> None:
        asyncio.ensure_future(store.commit(transition(1)))  # noqa: RUF006  cancelled with its loop
        await asyncio.sleep(0)
        await asyncio.sleep(0)

    store._writers.submit(hold)
    assert await asyncio.to_thread(held.wait, 30)
    await asyncio.to_thread(asyncio.run, hand_over())
    second = asyncio.ensure_future(store.commit(transition(2)))
    await asyncio.sleep(0)
    release.set()
    async with asyncio.timeout(30):
        await second
    assert len(await store.events()) == 2
    await store.close()


# Unreadable rows --------------------------------------------------------------------------------------------------


def _spoil(path: Path, sql: str) -> None:
    conn = sqlite3.connect(path, isolation_level=None)
    conn.execute(sql)
    conn.close()


async def test_what_is_renewed_anyway_is_left_out(store: Store, path: Path, caplog: pytest.LogCaptureFixture) -> None:
    """A finding or observation that cannot be read is logged and omitted; the next run writes it again."""
    await store.commit(transition(1))
    _spoil(path, "UPDATE findings SET body = 'x'")
    _spoil(path, "UPDATE latest SET observation = '{}'")
    assert await store.findings() == []
    assert await store.latest() == []
    await store.commit(transition(2))
    assert len(await store.findings()) == len(await store.latest()) == 1
    assert "a finding about pool skerry: space: the next sample replaces it" in caplog.text
    assert "the newest sample of a series" in caplog.text


async def test_what_nobody_renews_is_moved_and_reported(store: Store, path: Path) -> None:
    """An alert or a message that cannot be read is never dropped silently, and holds up nothing."""
    await store.commit(transition(1))
    _spoil(path, "UPDATE alerts SET body = 'x'")
    _spoil(path, "UPDATE outbox SET message = '{}'")
    assert await store.alerts() == []
    assert await store.next_delivery("mail") is None
    assert await store.deliveries() == []
    await store.commit(samples(1))  # commits after the rows that the read had moved
    moved = await store.quarantined(START - DAY, datetime.now(UTC))
    assert {each.source for each in moved} == {"alerts", "outbox"}
    assert "a message for mail: it may never have been sent" in {each.about for each in moved}
    (raised,) = await store.alerts()
    assert (raised.key, raised.standing) == (SKERRY, False)  # its line in the event log does not say that it is active


async def test_that_anybody_committed_is_cheap_to_ask(store: Store) -> None:
    """The number stays the same while nothing is stored, and differs afterwards."""
    before = await store.data_version()
    assert await store.data_version() == before
    await store.commit(samples(1))
    assert await store.data_version() != before
