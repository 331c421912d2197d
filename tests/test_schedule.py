"""When tasks run: with the real scheduler, at intervals of hundredths of a second."""

import asyncio
from collections.abc import Awaitable, Callable
from datetime import datetime, timedelta

import pytest

from watchkeeper.clock import Clock
from watchkeeper.schedule import FIRST_GAP_S, SOON_S, Schedule


class Shifted(Clock):
    """The real clock, set ahead or back."""

    def __init__(self) -> None:
        self.by = timedelta()

    def now(self) -> datetime:
        return super().now() + self.by


class Count:
    """A task that counts its runs and how many of them were under way at once."""

    def __init__(self, lasts_s: float = 0.0, error: Exception | None = None) -> None:
        self.runs = self.under_way = self.at_once = 0
        self.lasts_s, self.error = lasts_s, error

    async def __call__(self) -> None:
        self.runs += 1
        self.under_way += 1
        self.at_once = max(self.at_once, self.under_way)
        try:
            await asyncio.sleep(self.lasts_s)
        finally:
            self.under_way -= 1
        if self.error is not None:
            raise self.error


async def reach(count: Count, runs: int) -> None:
    """Wait until a task has run so often, ten seconds at most."""
    async with asyncio.timeout(10):
        while count.runs < runs:  # noqa: ASYNC110  the task knows nothing of who waits
            await asyncio.sleep(0.005)


async def test_a_task_runs_at_once_and_then_at_its_interval() -> None:
    """The first run does not wait for an interval to pass."""
    schedule, often, seldom = Schedule(Clock()), Count(), Count()
    schedule.every("often", 0.05, often.__call__)
    schedule.every("seldom", 3600, seldom.__call__)
    schedule.start()
    await reach(often, 4)
    assert seldom.runs == 1
    await schedule.stop(1)


async def test_a_slow_task_is_never_run_twice_at_a_time_and_never_lost() -> None:
    """A run that takes longer than its interval is followed by the next one, not joined by it."""
    schedule, slow = Schedule(Clock()), Count(lasts_s=0.12)
    schedule.every("slow", 0.05, slow.__call__)
    schedule.start()
    await reach(slow, 3)
    assert slow.at_once == 1
    await schedule.stop(1)


async def test_a_stop_waits_for_what_is_under_way() -> None:
    """A probe that is nearly done is not cut off."""
    schedule, slow = Schedule(Clock()), Count(lasts_s=0.2)
    schedule.every("slow", 3600, slow.__call__)
    schedule.start()
    await reach(slow, 1)
    await schedule.stop(5)
    assert slow.under_way == 0


async def test_a_stop_does_not_wait_for_ever() -> None:
    """What hangs is cancelled when the grace is over."""
    schedule, stuck = Schedule(Clock()), Count(lasts_s=3600)
    schedule.every("stuck", 3600, stuck.__call__)
    schedule.start()
    await reach(stuck, 1)
    async with asyncio.timeout(5):
        await schedule.stop(0.05)
        while stuck.under_way:  # noqa: ASYNC110  as above
            await asyncio.sleep(0.01)


@pytest.mark.parametrize("hours", [-1, 1])
async def test_after_the_clock_was_set_intervals_count_from_now(hours: int) -> None:
    """A clock that was set back an hour does not stop the watch for an hour."""
    clock, count = Shifted(), Count()
    schedule = Schedule(clock)
    schedule.every("count", 0.05, count.__call__)
    schedule.start()
    await reach(count, 2)
    clock.by = timedelta(hours=hours)
    schedule.realign()
    planned = [job.next_run_time for job in schedule._scheduler.get_jobs()]
    assert abs(planned[0] - clock.now()) < timedelta(seconds=1)
    await schedule.stop(1)


async def test_after_the_clock_was_set_a_daily_task_runs_soon_and_then_daily() -> None:
    """What was seen before a gap is not judged any more, so nothing waits a day for its next look."""
    clock, count = Shifted(), Count()
    schedule = Schedule(clock)
    schedule.every("count", 86_400, count.__call__)
    schedule.start()
    await reach(count, 1)
    clock.by = timedelta(days=3)
    schedule.realign()
    (job,) = schedule._scheduler.get_jobs()
    assert timedelta() < job.next_run_time - clock.now() <= timedelta(seconds=SOON_S)
    assert job.trigger.interval == timedelta(days=1)
    await schedule.stop(1)


async def test_after_the_first_round_each_task_keeps_to_its_own_moment() -> None:
    """Tasks that began together run apart from the second round on, each at an even pace."""
    schedule, came = Schedule(Clock()), dict[str, list[float]]()
    loop = asyncio.get_running_loop()

    def task(label: str) -> Callable[[], Awaitable[None]]:
        came[label] = []

        async def note() -> None:
            came[label].append(loop.time())

        return note

    for n in range(20):
        schedule.every(f"hide-{n}", 0.5, task(f"hide-{n}"))
    schedule.start()
    async with asyncio.timeout(10):
        while min(map(len, came.values())) < 4:  # noqa: ASYNC110  as above
            await asyncio.sleep(0.01)
    await schedule.stop(1)
    third = [stamps[2] for stamps in came.values()]
    assert max(third) - min(third) > 0.1
    planned = sorted(came, key=lambda label: Schedule._spread(label, 0.5))
    for nth in (1, 2, 3):
        turn = {label: stamps[nth] for label, stamps in came.items()}
        assert sorted(turn, key=turn.__getitem__) == planned


async def test_the_first_round_is_spread_thin() -> None:
    """Many tasks that begin at once are started one after the other, in their order, and soon."""
    schedule = Schedule(Clock())
    for n in range(2_000):
        schedule.every(f"hide-{n}", 30, Count().__call__)
    schedule.start()
    planned = [schedule._scheduler.get_job(f"hide-{n}").next_run_time for n in range(2_000)]
    assert planned == sorted(planned)
    apart = (planned[-1] - planned[0]).total_seconds()
    assert apart >= FIRST_GAP_S * 1_999
    assert planned[59] - planned[0] < timedelta(seconds=1)
    await schedule.stop(1)


def test_runs_are_spread_and_the_same_on_every_start() -> None:
    """Sixty probes of the same interval do not all come in the same moment, nor jump about at a restart."""
    spread = [Schedule._spread(f"hide-{n}", 30) for n in range(60)]
    assert spread == [Schedule._spread(f"hide-{n}", 30) for n in range(60)]
    assert all(timedelta(seconds=15) <= each <= timedelta(seconds=30) for each in spread)
    assert len(set(spread)) > 50


async def test_what_is_dropped_runs_no_more_and_what_is_under_way_may_end() -> None:
    """A run in time ends by itself, a late one is cut off, and the others go on."""
    schedule, stays = Schedule(Clock()), Count()
    quick, late, idle = Count(lasts_s=0.1), Count(lasts_s=30.0), Count()
    for label, task in (("stays", stays), ("quick", quick), ("late", late), ("idle", idle)):
        schedule.every(label, 0.2, task.__call__)
    schedule.start()
    await asyncio.sleep(0.06)
    await schedule.drop(["quick", "late"], 0.3)
    await asyncio.sleep(0.1)
    await schedule.drop(["idle"], 0.3)
    runs = (quick.runs, late.runs, idle.runs, stays.runs)
    assert (quick.under_way, late.under_way) == (0, 0)
    await asyncio.sleep(0.7)
    assert (quick.runs, late.runs, idle.runs) == runs[:3]
    assert stays.runs > runs[3]
    with pytest.raises(KeyError):
        schedule.now("quick")
    await schedule.stop(1.0)
