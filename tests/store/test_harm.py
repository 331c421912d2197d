"""One damaged row stops nothing: 500 of them, each in its own database, with the real store and outbox.

The daemon's start is followed step by step, then the outbox is drained and every page's queries are run.
"""

import asyncio
import logging
import shutil
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from random import Random

import pytest

from tests.store.harm import Harm, harm
from tests.store.material import DAY, HIDE_HUB, HOUR, MINUTE, SKERRY, START, alert, delivery, line, samples, transition
from tests.support.outbox import ScriptedNotifier, SetClock
from watchkeeper.model.observation import Answer, Condition, Deadline, SeriesKey
from watchkeeper.model.probe_state import JobReport
from watchkeeper.model.records import Commit, DeliveryState, Seen
from watchkeeper.notifiers.outbox.outbox import Outbox
from watchkeeper.store import Store
from watchkeeper.store.files import file_lock
from watchkeeper.store.history.retention_limits import RetentionLimits

pytestmark = pytest.mark.untraced

FAR = START + 9_999 * DAY
HARMS, SHARES = 500, 10
NOW = START + 2 * DAY
GRACE_S = 5.0
LATER = "a message that was made after the harm"


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A small database with several rows in every table."""
    path = tmp_path_factory.mktemp("whole") / "watchkeeper.db"
    others = (
        Seen(START, Answer(HIDE_HUB, False, "no answer"), "hide-hub", 30.0),
        Seen(START, Condition(SeriesKey("probe pools", "runs"), ok=True), "pools", 60.0),
        Seen(START, Deadline(SeriesKey("snapshots of skerry", "age of the newest"), START + DAY, START), "snaps", 60.0),
    )

    async def fill() -> None:
        async with await Store.open(path) as store:
            await store.commit(samples(200))
            await store.commit(Commit(seen=others, alerts=(replace(alert(), key=HIDE_HUB),)))
            for number in range(1, 7):
                await store.commit(transition(number))
            await store.commit(Commit(events=tuple(line(f"line {n}", START + n * MINUTE) for n in range(10))))
            first = await store.next_delivery("mail")
            assert first is not None
            await store.delivery_done(replace(first, state=DeliveryState.DELIVERED, done_at=START))
            await store.commit(
                Commit(deliveries=(delivery("hut-1", notifier="phone"), delivery("hut-1", 2, notifier="phone")))
            )
            await store.keep(RetentionLimits(samples=(START + HOUR).replace(minute=0)))
            await store.probe_states.write("returned", "guests: tide-log")
            await store.probe_states.write(" keeping", "")
            await store.job_reports.record(JobReport("nightly-backup", START, message="all copied"))
            await store.job_reports.record(JobReport("scrub", START, failed=True))

    asyncio.run(fill())
    return path


async def _start(store: Store) -> None:
    """The queries of the daemon before its first run."""
    await store.last_commit_at()
    series = {each.key: each.first_at for each in await store.series()}
    assert {seen.observation.key for seen in await store.latest()} <= series.keys()
    await store.findings()
    await store.alerts()
    assert [level async for level in store.level_samples(START - 1_160 * DAY)]
    await store.probe_states.read("returned")
    await store.job_reports.last("nightly-backup")


async def _pages(store: Store) -> None:
    """The queries of pages and commands."""
    assert await store.events(limit=50)
    await store.events(key=SKERRY, limit=5)
    await store.deliveries(only_open=False)
    await store.samples(SKERRY, START - DAY, START + DAY)
    await store.samples_thinned(SKERRY, START - DAY, START + DAY, 100)
    await store.extent()


async def _drain(store: Store) -> list[str]:
    """Commit one more message for each notifier, and deliver what waits. Returns what the notifiers received."""
    clock = SetClock(NOW)
    notifiers = [ScriptedNotifier(name=name) for name in ("mail", "phone")]
    outbox = Outbox(store, notifiers, clock)
    late = tuple(delivery("later", due_at=NOW, notifier=each.name) for each in notifiers)
    await store.commit(Commit(seen=samples(1).seen, events=(line(LATER, NOW),), deliveries=late))
    running = asyncio.create_task(outbox.run())
    try:
        async with asyncio.timeout(20):
            while not all("later-1" in each.got for each in notifiers):
                assert not running.done(), running.exception()
                await asyncio.sleep(0.002)
    finally:
        await outbox.close(GRACE_S)
        await running
    return [f"{each.name} {id_}" for each in notifiers for id_ in each.got]


async def _live(path: Path) -> set[str]:
    """One daemon run, reduced to the store and the outbox; returns the tables from which rows were moved."""
    async with await Store.open(path, repair_at=NOW) as store:
        await _start(store)
        await _pages(store)
        got = await _drain(store)
        assert len(got) == len(set(got)), "told twice"
        await store.keep(
            RetentionLimits(samples=NOW.replace(minute=0), hours=NOW - timedelta(hours=30), events=START - DAY)
        )
        await store.inspect(whole=True)
        await store.commit(samples(2))
        await _start(store)
        await _pages(store)
        assert (await store.events(limit=50))[0].text
        return {each.source for each in await store.quarantined(START - DAY, FAR)}


@pytest.mark.parametrize("share", range(SHARES))
def test_one_harmed_row_stops_nothing(
    whole: Path, tmp_path: Path, share: int, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    """The start, the pages and a message of another alert work, nothing is raised, and the damage is reported."""
    monkeypatch.setattr(file_lock, "sync", lambda _path: None)
    for number in range(share, HARMS, SHARES):
        path = tmp_path / f"{number}" / "watchkeeper.db"
        path.parent.mkdir()
        shutil.copyfile(whole, path)
        done = harm(path, Random(number))
        caplog.clear()
        try:
            moved = asyncio.run(_live(path))
        except BaseException as error:
            raise AssertionError(f"harm {number}: {done}") from error
        assert _reported(done, moved, path), f"harm {number}: {done}, moved {moved}"
        if done.reported:
            assert any(each.levelno >= logging.ERROR for each in caplog.records), f"harm {number}: {done}"
        shutil.rmtree(path.parent)


def _reported(done: Harm, moved: set[str], path: Path) -> bool:
    """Moved away, or, if the tree itself was out of order, rebuilt with an alarm of its own."""
    return not done.reported or done.table in moved or any(".damaged-" in each.name for each in path.parent.iterdir())
