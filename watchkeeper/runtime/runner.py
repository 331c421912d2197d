"""Runs probes and reviews with the active configuration; both the daemon and the demo use it.

A reload hands it the next pipeline and probes (`switch`), between two steps of anything that runs. Not here: when
probes run (periodic/scheduler.py), and what happens with their observations (pipeline.py).
"""

import asyncio
import logging
from collections.abc import AsyncIterator, Awaitable, Callable, Sequence
from datetime import datetime
from typing import Protocol

from watchkeeper.model.alert import Alert
from watchkeeper.model.finding import Finding
from watchkeeper.model.forecast_record import KeptForecast
from watchkeeper.model.observation import Condition, Observation
from watchkeeper.model.records import Commit, LevelSamples, Seen, Series
from watchkeeper.runtime.pipeline import Pipeline
from watchkeeper.runtime.scheduled_probe import ProbeWork, ScheduledProbe, look

log = logging.getLogger(__name__)

CAUSE_WAIT_S = 10.0
"""How long what has failed waits for a look at what it depends on: as long as a probe may take by default. Then it is
processed without that."""
CAUSE_FRESH_S = 5.0
"""A cause that was looked at within this time is not looked at again: many things may fail in the same second."""

REVIEW_S = 15.0
"""How often everything is evaluated again without a new sample: well below the shortest default delay (a minute)."""


NOTHING = Commit()


class StoredState(Protocol):
    """What is read from the store at start."""

    async def series(self) -> Sequence[Series]:
        """Every series, in the order in which they were first seen."""
        ...

    async def latest(self) -> Sequence[Seen]:
        """The newest observation of every series."""
        ...

    async def findings(self) -> Sequence[Finding]:
        """The newest finding of every concern."""
        ...

    async def alerts(self) -> Sequence[Alert]:
        """Every alert that is not in its initial normal state."""
        ...

    async def forecasts(self) -> Sequence[KeptForecast]:
        """The forecasts that were kept, of all levels."""
        ...

    def level_samples(self, since: datetime) -> AsyncIterator[LevelSamples]:
        """The past of every level since a given time, one level after the other."""
        ...


class Replanning(Protocol):
    """Plans when probes run."""

    def realign(self) -> None:
        """Restart every interval from now."""
        ...


class Runner:
    """Runs probes and reviews on the pipeline of the active configuration."""

    def __init__(self, pipeline: Pipeline, probes: Sequence[ScheduledProbe]) -> None:
        """pipeline: the first one. probes: those of its configuration."""
        self.pipeline, self._own = pipeline, tuple[ScheduledProbe, ...]()
        self._set(probes)
        self.stopping = asyncio.Event()
        """Set when a stop was requested: observations made from then on are discarded."""
        self.look_now: Callable[[str], Awaitable[None]] = self.run
        """Runs a probe besides its schedule. Raises KeyError for an unknown label."""
        self._breaks = 0
        self.runs = dict[str, ProbeWork]()
        """By label, what each probe has done since the start."""
        self._ran_s: dict[str, float] = {}
        self._waiting: set[str] = set()
        self._asked: dict[str, asyncio.Future[None]] = {}

    def _set(self, probes: Sequence[ScheduledProbe]) -> None:
        self.probes = tuple(probes)
        self.all_probes = {each.label: each for each in (*self.probes, *self._own)}
        """The probes of the active configuration, and the daemon's own, by label."""

    def add_own(self, probe: ScheduledProbe) -> None:
        """Add a probe of the daemon's own to those of every configuration."""
        self._own = (*self._own, probe)
        self._set(self.probes)

    def switch(self, pipeline: Pipeline, probes: Sequence[ScheduledProbe]) -> None:
        """Use another configuration from now on."""
        self.pipeline = pipeline
        self._set(probes)
        pipeline.adopt(tuple(self.all_probes.values()))

    def dependents_of(self, subject: str) -> tuple[str, ...]:
        """The subjects that are not reported separately while this subject is down."""
        return self.pipeline.dependents_of(subject)

    async def start(
        self, store: StoredState, since: datetime, last_commit_at: datetime | None = None, kept: Commit = NOTHING
    ) -> None:
        """Continue from what the store holds. since: how far back the past of levels is read.

        last_commit_at: when the daemon last ran; None if it never did. kept: what it could not write then.
        """
        first = {each.key: each.first_at for each in await store.series()}
        latest = [(seen, first[seen.observation.key]) for seen in await store.latest()]
        probes = tuple(self.all_probes.values())
        self.pipeline.state.buffer.resume(kept)
        alerts = {(each.key, each.concern): each for each in (*await store.alerts(), *kept.alerts)}
        await self.pipeline.restore(probes, latest, await store.findings(), tuple(alerts.values()), last_commit_at)
        self._breaks = self.pipeline.state.breaks
        self.pipeline.state.forecasts.restore(await store.forecasts())
        async for level in store.level_samples(since):
            entry = self.pipeline.state.registry.get(level.key)
            if entry is not None:
                entry.evaluator.history.extend(level.at_s, level.used, level.capacity)

    async def run(self, label: str) -> None:
        """Run a probe once; its observations are evaluated with the configuration that is active when the run ends.
        Raises KeyError for an unknown label.

        Observations made while a stop was requested are discarded: a host that shuts down stops all its services.
        """
        probe, clock = self.all_probes[label], self.pipeline.state.clock
        began_s = clock.monotonic_s()
        observed, own = await look(probe)
        done = self.runs.get(label, ProbeWork())
        self.runs[label] = done.with_run(clock.monotonic_s() - began_s, clock.now(), failed=not own.ok)
        if not self.stopping.is_set():
            await self._look_at_causes(label, observed)
        if not self.stopping.is_set():
            await self.pipeline.take(self.all_probes.get(label, probe), observed, own)
            self._ran_s[label] = self.pipeline.state.clock.monotonic_s()

    async def _look_at_causes(self, label: str, observed: Sequence[Observation]) -> None:
        """Look now at what newly failed things depend on, so that the cause is known before they are reported.

        A pool is looked at more rarely than the services on it; without this, its consequences would be sent first.
        """
        asked = [self._ask(cause) for cause in self.pipeline.causes_of(observed) if self._worth_asking(cause, label)]
        if not asked:
            return
        self._waiting.add(label)
        try:
            await asyncio.wait(asked, timeout=CAUSE_WAIT_S)
        finally:
            self._waiting.discard(label)

    def _worth_asking(self, cause: str, label: str) -> bool:
        """Not a probe that waits for its own causes: two that depend on each other would wait for each other."""
        if cause == label or cause in self._waiting or cause not in self.all_probes:
            return False
        ran_s = self._ran_s.get(cause)
        return ran_s is None or self.pipeline.state.clock.monotonic_s() - ran_s >= CAUSE_FRESH_S

    def _ask(self, cause: str) -> asyncio.Future[None]:
        """Ask for a run of a probe; one for all who ask at the same time."""
        asked = self._asked.get(cause)
        if asked is None:
            asked = self._asked[cause] = asyncio.ensure_future(self._asked_run(cause))
        return asked

    async def _asked_run(self, cause: str) -> None:
        try:
            await self.look_now(cause)
        except KeyError:  # a reload has just removed it
            log.debug("%s is not looked at: it is no longer configured", cause)
        finally:
            del self._asked[cause]

    async def review(self) -> None:
        """Evaluate everything again."""
        await self.pipeline.review()

    async def review_in_time(self, within_s: float) -> None:
        """For this many seconds, evaluate each series at the time when one of its delays ends; then everything."""
        state = self.pipeline.state
        end_s = state.clock.monotonic_s() + within_s
        while (left_s := end_s - state.clock.monotonic_s()) > 0:
            now = state.clock.now()
            if due := state.timer.take_due(state.registry.values(), now):
                await self.pipeline.evaluate(due)
            else:
                await state.timer.sleep(now, left_s)
        await self.review()

    async def review_round(self, schedule: Replanning) -> None:
        """Do one interval of reviews; after a gap, or when the clock was set, have the runs planned again."""
        pause_s = min((each.interval_s for each in self.probes), default=REVIEW_S)
        await self.review_in_time(min(pause_s, REVIEW_S))
        if self._breaks != self.pipeline.state.breaks:
            self._breaks = self.pipeline.state.breaks
            schedule.realign()


async def look_at_all(
    probes: Sequence[ScheduledProbe],
) -> list[tuple[ScheduledProbe, Sequence[Observation], Condition]]:
    """Run every probe once, all at the same time: its observations, and its own condition. Stores nothing."""
    looks = await asyncio.gather(*(look(each) for each in probes))
    return [(each, observed, own) for each, (observed, own) in zip(probes, looks, strict=True)]
