"""When tasks run: with the real scheduler, at intervals of hundredths of a second."""

import asyncio
from collections import Counter
from collections.abc import Awaitable, Callable
from datetime import datetime, timedelta
from itertools import pairwise

import pytest

from watchkeeper.clock import Clock
from watchkeeper.periodic.scheduler import FIRST_GAP_S, SHARED_BY, SLOT_S, SOON_S, Scheduler


class Shifted(Clock):
    """The real clock, set ahead or back."""

    def __init__(self) -> None:
        self.by = timedelta()

    def now(self) -> datetime:
        return super().now() + self.by


class Standing(Clock):
    """Shows the moment at which it was made."""

    def __init__(self) -> None:
        self.at = super().now()

    def now(self) -> datetime:
        return self.at


class Count:
    """A task that counts its runs, how many were under way at once and how many ended by themselves."""

    def __init__(self, lasts_s: float = 0.0, error: Exception | None = None, gate: asyncio.Event | None = None) -> None:
        self.runs = self.under_way = self.at_once = self.ended = 0
        self.lasts_s, self.error, self.gate = lasts_s, error, gate

    async def __call__(self) -> None:
        self.runs += 1
        self.under_way += 1
        self.at_once = max(self.at_once, self.under_way)
        try:
            await asyncio.sleep(self.lasts_s)
            if self.gate is not None:
                await self.gate.wait()
            self.ended += 1
        finally:
            self.under_way -= 1
        if self.error is not None:
            raise self.error


async def reach(count: Count, runs: int) -> None:
    """Wait until a task has run so often, thirty seconds at most."""
    async with asyncio.timeout(30):
        while count.runs < runs:  # noqa: ASYNC110  the task knows nothing of who waits
            await asyncio.sleep(0.005)


async def test_a_task_runs_at_once_and_then_at_its_interval() -> None:
    """The first run does not wait for an interval to pass."""
    schedule, often, seldom = Scheduler(Clock()), Count(), Count()
    schedule.every("often", 0.05, often.__call__)
    schedule.every("seldom", 3600, seldom.__call__)
    schedule.start()
    await reach(often, 4)
    assert seldom.runs == 1
    await schedule.stop(1)


async def test_a_slow_task_is_never_run_twice_at_a_time_and_never_lost() -> None:
    """A run that takes longer than its interval is followed by the next one, not joined by it."""
    schedule, slow = Scheduler(Clock()), Count(lasts_s=0.12)
    schedule.every("slow", 0.05, slow.__call__)
    schedule.start()
    await reach(slow, 3)
    assert slow.at_once == 1
    await schedule.stop(1)


async def test_a_stop_waits_for_what_is_under_way() -> None:
    """A probe that is nearly done is not cut off."""
    schedule, slow = Scheduler(Clock()), Count(lasts_s=0.2)
    schedule.every("slow", 3600, slow.__call__)
    schedule.start()
    await reach(slow, 1)
    await schedule.stop(5)
    assert slow.under_way == 0


async def test_a_stop_waits_for_a_bounded_time() -> None:
    """What hangs is cancelled when the grace is over."""
    schedule, stuck = Scheduler(Clock()), Count(lasts_s=3600)
    schedule.every("stuck", 3600, stuck.__call__)
    schedule.start()
    await reach(stuck, 1)
    async with asyncio.timeout(30):
        await schedule.stop(0.05)
        while stuck.under_way:  # noqa: ASYNC110  as above
            await asyncio.sleep(0.01)


@pytest.mark.parametrize("hours", [-1, 1])
async def test_after_the_clock_was_set_intervals_count_from_now(hours: int) -> None:
    """A clock that was set back an hour does not stop the watch for an hour."""
    clock, count = Shifted(), Count()
    schedule = Scheduler(clock)
    schedule.every("count", 0.05, count.__call__)
    schedule.start()
    await reach(count, 2)
    clock.by = timedelta(hours=hours)
    before = clock.now()
    schedule.realign()
    (job,) = schedule._scheduler.get_jobs()
    assert before < job.next_run_time <= clock.now() + timedelta(seconds=0.05)
    await schedule.stop(1)


async def test_after_the_clock_was_set_a_daily_task_runs_soon_and_then_daily() -> None:
    """What was seen before a gap is not judged any more, so nothing waits a day for its next look."""
    clock, count = Shifted(), Count()
    schedule = Scheduler(clock)
    schedule.every("count", 86_400, count.__call__)
    schedule.start()
    await reach(count, 1)
    clock.by = timedelta(days=3)
    before = clock.now()
    schedule.realign()
    (job,) = schedule._scheduler.get_jobs()
    assert before < job.next_run_time <= clock.now() + timedelta(seconds=SOON_S)
    assert job.trigger.interval == timedelta(days=1)
    await schedule.stop(1)


async def test_after_the_first_round_each_task_keeps_to_its_own_moment() -> None:
    """Tasks that began together run apart from the second round on, each at an even pace.

    Judged by what is planned: when a busy machine gets round to it says nothing about the plan.
    """
    clock, interval = Clock(), timedelta(seconds=0.5)
    schedule, runs = Scheduler(clock), dict[str, list[tuple[datetime, datetime]]]()

    def task(label: str) -> Callable[[], Awaitable[None]]:
        runs[label] = []

        async def note() -> None:
            runs[label].append((clock.now(), schedule._scheduler.get_job(label).next_run_time))

        return note

    asked = dict[str, tuple[datetime, datetime]]()
    for label in (f"hide-{n}" for n in range(20)):
        before = clock.now()
        schedule.every(label, interval.total_seconds(), task(label))
        asked[label] = before, clock.now()
    schedule.start()
    async with asyncio.timeout(30):
        while min(map(len, runs.values())) < 4:  # noqa: ASYNC110  as above
            await asyncio.sleep(0.01)
    await schedule.stop(1)
    moments = dict[str, timedelta]()
    for label, noted in runs.items():
        planned = [following for _, following in noted]
        before, after = asked[label]
        moments[label] = (planned[0] - asked["hide-0"][0]) % interval
        assert {(each - planned[0]) % interval for each in planned} == {timedelta()}, "each is on the task's own grid"
        assert all(earlier < later for earlier, later in pairwise(planned))
        assert all(came >= due for (_, due), (came, _) in pairwise(noted)), "no run comes before it is due"
        assert (planned[0] - Scheduler._spread(label, 0.5) - before) % interval <= after - before, "as it is spread"
    assert len(set(moments.values())) == 20


async def test_the_first_round_is_spread_thin() -> None:
    """Many tasks that begin at once are started one after the other, in their order, and soon."""
    schedule = Scheduler(Standing())
    for n in range(2_000):
        schedule.every(f"hide-{n}", 30, Count().__call__)
    schedule.start()
    planned = [schedule._scheduler.get_job(f"hide-{n}").next_run_time for n in range(2_000)]
    assert planned == sorted(planned)
    assert planned[-1] - planned[0] >= timedelta(seconds=FIRST_GAP_S * 1_999)
    assert planned[59] - planned[0] < timedelta(seconds=1)
    await schedule.stop(1)


def test_runs_are_spread_and_the_same_on_every_start() -> None:
    """Sixty probes of the same interval do not all come in the same moment, nor jump about at a restart."""
    spread = [Scheduler._spread(f"hide-{n}", 30) for n in range(60)]
    assert spread == [Scheduler._spread(f"hide-{n}", 30) for n in range(60)]
    assert all(timedelta(seconds=15) <= each <= timedelta(seconds=30) for each in spread)
    assert len(set(spread)) > 50


def starts(schedule: Scheduler, interval_s: float) -> list[datetime]:
    """When each task has its first planned time after the first round, within one interval."""
    jobs = schedule._scheduler.get_jobs()
    return [each.trigger.start_date for each in jobs if each.trigger.interval.total_seconds() == interval_s]


def per_moment(schedule: Scheduler, interval_s: float = 30) -> list[int]:
    """How many tasks of an interval share each of their moments."""
    origin = min(starts(schedule, interval_s))
    return [*Counter((each - origin).total_seconds() % interval_s for each in starts(schedule, interval_s)).values()]


def test_a_few_tasks_begin_together_so_that_the_process_wakes_seldom() -> None:
    """Sixty every 30 s have at most 16 moments, whole seconds apart, each not before and never far from its own."""
    clock = Standing()
    schedule = Scheduler(clock)
    for n in range(60):
        schedule.every(f"hide-{n}", 30, Count().__call__)
    found = starts(schedule, 30)
    assert len(set(found)) <= 16
    assert all(((each - found[0]) / timedelta(seconds=SLOT_S)).is_integer() for each in found)
    own = [clock.now() + Scheduler._spread(f"hide-{n}", 30) for n in range(60)]
    assert all(
        timedelta() <= theirs - ours < timedelta(seconds=SLOT_S) for ours, theirs in zip(found, own, strict=True)
    )


def test_no_moment_has_more_tasks_than_can_begin_in_time() -> None:
    """The other ones of two thousand keep their own times: none has to wait behind a hundred others."""
    schedule = Scheduler(Standing())
    for n in range(2_000):
        schedule.every(f"hide-{n}", 30, Count().__call__)
    assert max(per_moment(schedule)) == SHARED_BY
    assert len(per_moment(schedule)) > 1_500


def test_short_intervals_are_not_gathered() -> None:
    """Every 5 s there are too few moments: all would begin within the same two."""
    schedule = Scheduler(Standing())
    for n in range(10):
        schedule.every(f"hide-{n}", 5, Count().__call__)
    assert per_moment(schedule, 5) == [1] * 10


async def test_moments_are_shared_after_a_reload_and_a_gap_too() -> None:
    """What is added later joins the moments of the others, what was dropped leaves its place, and so it stays."""
    clock = Shifted()
    schedule = Scheduler(clock)
    schedule.start()
    for turn in range(4):
        await schedule.drop([f"hide-{n}" for n in range(60) if turn], 1)
        for n in range(60):
            schedule.every(f"hide-{n}", 30, Count().__call__)
        clock.by += timedelta(seconds=3.7)
        schedule.every(f"tide-log {turn}", 30, Count().__call__)
    assert len(per_moment(schedule)) <= 30
    clock.by += timedelta(days=1)
    schedule.realign()
    assert len(per_moment(schedule)) <= 30
    assert min(starts(schedule, 30)) > clock.now()
    await schedule.stop(1)


async def test_what_is_dropped_runs_no_more_and_what_is_under_way_may_end() -> None:
    """A run in time ends by itself, a late one is cut off, and the others go on."""
    schedule, stays, gate = Scheduler(Clock()), Count(), asyncio.Event()
    quick, late, idle = Count(gate=gate), Count(lasts_s=3600), Count()
    for label, task in (("stays", stays), ("quick", quick), ("late", late), ("idle", idle)):
        schedule.every(label, 0.1, task.__call__)
    schedule.start()
    for each in (quick, late, idle, stays):
        await reach(each, 1)
    assert (quick.under_way, late.under_way) == (1, 1)
    gate.set()  # it ends by itself once the event loop comes to it: after drop() has begun to wait
    await schedule.drop(["quick", "late"], 0.3)
    assert (quick.ended, late.ended) == (1, 0)
    assert (quick.under_way, late.under_way) == (0, 0)
    await schedule.drop(["idle"], 0.3)
    runs = (quick.runs, late.runs, idle.runs)
    await reach(stays, stays.runs + 4)
    assert (quick.runs, late.runs, idle.runs) == runs
    with pytest.raises(KeyError):
        schedule.now("quick")
    await schedule.stop(1.0)
