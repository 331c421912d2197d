"""Runs probes and reviews, by the configuration that holds at the time; the daemon and the demo both live on it.

A reload hands it the next pipeline and probes (`switch`), between two steps of anything that runs. Not here: when
probes run (periodic/scheduler.py), and what becomes of what they see (pipeline.py).
"""

import asyncio
from collections.abc import AsyncIterator, Sequence
from datetime import datetime
from typing import Protocol

from watchkeeper.model.alert import Alert
from watchkeeper.model.finding import Finding
from watchkeeper.model.observation import Condition, Observation
from watchkeeper.model.records import LevelSamples, Seen, Series
from watchkeeper.runtime.pipeline import Pipeline
from watchkeeper.runtime.scheduled_probe import ScheduledProbe, look

REVIEW_S = 15.0
"""How often everything is judged anew although no sample came: well below the shortest default delay (a minute)."""


class StoredState(Protocol):
    """What a start reads of the store."""

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
        """Every alert that is not in its first normal state."""
        ...

    def level_samples(self, since: datetime) -> AsyncIterator[LevelSamples]:
        """The past of every level since an instant, one level after the other."""
        ...


class Replanning(Protocol):
    """Plans when probes run."""

    def realign(self) -> None:
        """Count every interval anew from now."""
        ...


class Runner:
    """What runs on the pipeline of the configuration that holds."""

    def __init__(self, pipeline: Pipeline, probes: Sequence[ScheduledProbe]) -> None:
        """pipeline: the first one. probes: those of its configuration."""
        self.pipeline, self._own = pipeline, tuple[ScheduledProbe, ...]()
        self._set(probes)
        self.stopping = asyncio.Event()
        """Set where a stop was asked for: what is looked at from then on is discarded."""
        self._breaks = 0

    def _set(self, probes: Sequence[ScheduledProbe]) -> None:
        self.probes = tuple(probes)
        self.all_probes = {each.label: each for each in (*self.probes, *self._own)}
        """Those of the configuration that holds, and the daemon's own, by label."""

    def add_own(self, probe: ScheduledProbe) -> None:
        """Run a probe of the daemon's own besides those of every configuration."""
        self._own = (*self._own, probe)
        self._set(self.probes)

    def switch(self, pipeline: Pipeline, probes: Sequence[ScheduledProbe]) -> None:
        """Go by another configuration from now on."""
        self.pipeline = pipeline
        self._set(probes)
        pipeline.adopt(tuple(self.all_probes.values()))

    def dependents_of(self, subject: str) -> tuple[str, ...]:
        """What is not told on its own while this subject is down."""
        return self.pipeline.dependents_of(subject)

    async def start(self, store: StoredState, since: datetime, last_alive: datetime | None = None) -> None:
        """Go on from what the store holds. since: how far back the past of levels is read.

        last_alive: when the last life ended; None where there was none.
        """
        first = {each.key: each.first_at for each in await store.series()}
        latest = [(seen, first[seen.observation.key]) for seen in await store.latest()]
        probes = tuple(self.all_probes.values())
        await self.pipeline.restore(probes, latest, await store.findings(), await store.alerts(), last_alive)
        self._breaks = self.pipeline.state.breaks
        async for level in store.level_samples(since):
            entry = self.pipeline.state.registry.get(level.key)
            if entry is not None:
                entry.evaluator.history.extend(level.at_s, level.used, level.capacity)

    async def run(self, label: str) -> None:
        """Run a probe once; what it says is judged as the configuration says by then. Raises KeyError where there is
        none of that label.

        What was looked at while a stop was asked for is discarded: a host that goes down ends all that it runs.
        """
        probe = self.all_probes[label]
        observed, own = await look(probe)
        if not self.stopping.is_set():
            await self.pipeline.take(self.all_probes.get(label, probe), observed, own)

    async def review(self) -> None:
        """Judge everything once more."""
        await self.pipeline.review()

    async def review_in_time(self, within_s: float) -> None:
        """For so many seconds, judge each series at the moment at which a delay of it runs out; then everything."""
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
        """One interval of reviews; after a gap, or when the clock was set, have the runs planned anew."""
        pause_s = min((each.interval_s for each in self.probes), default=REVIEW_S)
        await self.review_in_time(min(pause_s, REVIEW_S))
        if self._breaks != self.pipeline.state.breaks:
            self._breaks = self.pipeline.state.breaks
            schedule.realign()


async def look_at_all(
    probes: Sequence[ScheduledProbe],
) -> list[tuple[ScheduledProbe, Sequence[Observation], Condition]]:
    """Run every probe once, all at the same time: what each saw, and its own condition. Stores nothing."""
    looks = await asyncio.gather(*(look(each) for each in probes))
    return [(each, observed, own) for each, (observed, own) in zip(probes, looks, strict=True)]
