"""When probes run: the only file that uses APScheduler (which has no types and reads the wall clock itself).

Its defaults lose runs: a run that is more than a second late is skipped, and jobs are cancelled at shutdown. So the
grace time, coalescing and the number of instances are set here, and running tasks are tracked here.
"""

import asyncio
import logging
import zlib
from collections import Counter
from collections.abc import Awaitable, Callable, Collection
from datetime import datetime, timedelta

from apscheduler.executors.asyncio import AsyncIOExecutor
from apscheduler.schedulers.asyncio import AsyncIOScheduler
from apscheduler.triggers.interval import IntervalTrigger

from watchkeeper.clock import Clock

SPREAD_SHARE = 0.5
"""After the very first round, runs are spread over this share of their interval, so that probes with the same interval
do not all run in the same millisecond; a few begin together (SLOT_S)."""

FIRST_GAP_S = 0.005
"""The delay between task starts in the first round: a little more than a probe run costs (tests/bench/crowd.py), so
that two thousand do not block each other, and sixty have all begun within a third of a second."""

SLOT_S = 1.0
"""Runs begin together at moments so far apart. Each awakening costs a process about as much as a run does, because its
code and data have left the processor's caches (tests/bench/daemon.py: 60 probes every 30 s took 0.44 % of a core one by
one, and 0.26 % together)."""

SHARED_BY = 16
"""The most runs of one interval that begin at a moment: the last one begins about 25 ms late. The others keep their own
times."""

LEAST_SLOTS = 10
"""A shorter interval has too few moments to spread its runs over."""

SOON_S = 30.0
"""After a sleep, or when the clock was set, everything runs within this time, even daily tasks."""


class _Grid(IntervalTrigger):  # type: ignore[misc]  # the library has no types
    """Fires at its start and at fixed intervals from there, whenever the previous run was.

    The underlying trigger counts from the previous run: then everything that ran in the first round would permanently
    run at the same moment.
    """

    def get_next_fire_time(self, previous_fire_time: datetime | None, now: datetime) -> datetime:
        """The first point of the grid that is neither in the past nor used."""
        if previous_fire_time is not None:
            now = max(now, previous_fire_time + timedelta(microseconds=1))
        found: datetime = super().get_next_fire_time(None, now)
        return found


class _Moments:
    """The moments at which tasks of the same interval begin together."""

    def __init__(self) -> None:
        self._origin: datetime | None = None
        self._of: dict[str, tuple[float, float]] = {}
        self._sharing = Counter[tuple[float, float]]()

    def place(self, label: str, at: datetime, interval_s: float) -> datetime:
        """The last moment before a time, or the time itself if that moment is taken, or the interval short."""
        self.leave(label)
        if interval_s < LEAST_SLOTS * SLOT_S:
            return at
        self._origin = self._origin or at
        past_s = (at - self._origin).total_seconds() // SLOT_S * SLOT_S
        moment = interval_s, round(past_s % interval_s, 6)
        if self._sharing[moment] >= SHARED_BY:
            return at
        self._of[label] = moment
        self._sharing[moment] += 1
        return self._origin + timedelta(seconds=past_s)

    def leave(self, label: str) -> None:
        """Make room for another task."""
        moment = self._of.pop(label, None)
        if moment is not None:
            self._sharing[moment] -= 1


class Scheduler:
    """Runs each task at its interval, never two runs of one task at a time; missed runs are made up for by one run."""

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._scheduler = AsyncIOScheduler(executors={"default": AsyncIOExecutor()}, timezone="UTC")
        self._in_flight: dict[asyncio.Task[None], str] = {}
        self._runs: dict[str, Callable[[], Awaitable[None]]] = {}
        self._moments = _Moments()
        # APScheduler logs each late or skipped run; a slow probe is reported by its own alert instead.
        logging.getLogger("apscheduler").setLevel(logging.ERROR)

    def every(self, label: str, interval_s: float, task: Callable[[], Awaitable[None]]) -> None:
        """Run `task` now and then every `interval_s` seconds."""
        # A requested run and a planned one must not overlap either.
        one_at_a_time = asyncio.Lock()

        async def run() -> None:
            current = asyncio.current_task()
            if current is not None:
                self._in_flight[current] = label
                current.add_done_callback(lambda task: self._in_flight.pop(task, None))
            async with one_at_a_time:
                await task()

        now, first = self._clock.now(), timedelta(seconds=FIRST_GAP_S * len(self._runs))
        self._runs[label] = run
        self._scheduler.add_job(
            run,
            self._grid(label, interval_s, now),
            id=label,
            next_run_time=now + first,
            misfire_grace_time=None,
            coalesce=True,
            max_instances=1,
        )

    async def drop(self, labels: Collection[str], grace_s: float) -> None:
        """Stop running these tasks; wait up to `grace_s` for their current runs, then end them."""
        for label in labels:
            del self._runs[label]
            self._moments.leave(label)
            self._scheduler.remove_job(label)
        running = [task for task, label in self._in_flight.items() if label in labels]
        if not running:
            return
        _, late = await asyncio.wait(running, timeout=grace_s)
        for task in late:
            task.cancel()
        if late:
            await asyncio.wait(late)

    def _grid(self, label: str, interval_s: float, now: datetime) -> _Grid:
        start = self._moments.place(label, now + self._spread(label, interval_s), interval_s)
        return _Grid(seconds=interval_s, start_date=start)

    @staticmethod
    def _spread(label: str, interval_s: float) -> timedelta:
        """A share of the interval that is the same for a label on every start."""
        share = zlib.crc32(label.encode()) / 2**32 * SPREAD_SHARE
        return timedelta(seconds=interval_s * (1 - SPREAD_SHARE + share))

    def now(self, label: str) -> asyncio.Future[None]:
        """Run a task at once, besides its schedule; done when that run is. Raises KeyError for an unknown label."""
        return asyncio.ensure_future(self._runs[label]())

    def start(self) -> None:
        """Start; requires a running event loop."""
        self._scheduler.start()

    def realign(self) -> None:
        """Restart every interval from now, and run everything soon: the clock was set, or the host slept.

        A run planned by the old time may be hours away, and earlier observations are no longer evaluated.
        """
        now = self._clock.now()
        for job in self._scheduler.get_jobs():
            interval_s = job.trigger.interval.total_seconds()
            soon = now + self._spread(job.id, min(interval_s, SOON_S))
            job.modify(trigger=self._grid(job.id, interval_s, now), next_run_time=soon)

    async def stop(self, grace_s: float) -> None:
        """Start nothing more; wait up to `grace_s` for running tasks, then let them be cancelled."""
        self._scheduler.pause()
        if self._in_flight:
            await asyncio.wait(self._in_flight, timeout=grace_s)
        self._scheduler.shutdown(wait=False)
