"""A reload: a new runtime is built from the new settings, and takes over the store and the state of the one before.

What lives as long as a configuration is a Runtime; nothing in one changes. What lives as long as the process is in
Lasting. What is under way when a reload comes ends by the old configuration. Not here: signals and what systemd is told
(daemon/daemon.py), and what of a configuration goes on as it is (active_config.py).
"""

import asyncio
import logging
from collections.abc import Awaitable, Callable
from dataclasses import dataclass, replace
from functools import partial
from typing import Protocol

from watchkeeper.clock import Clock
from watchkeeper.config.loading import Loaded
from watchkeeper.config.types import SecretSource
from watchkeeper.errors import ConfigError
from watchkeeper.inventory.planner import HostPlanner
from watchkeeper.logs.fields import Event, about
from watchkeeper.model.records import Entry
from watchkeeper.notifiers.outbox.outbox import Outbox
from watchkeeper.periodic.messages import PeriodicMessages
from watchkeeper.periodic.retention import Retention
from watchkeeper.periodic.scheduler import Scheduler
from watchkeeper.planning.capacity.answer import RoomAnswer
from watchkeeper.planning.capacity.question import Question
from watchkeeper.planning.preflight.decide import ReadyAnswer
from watchkeeper.planning.reclaim.snapshots import FreesAnswer
from watchkeeper.probes.base import ProbeContext
from watchkeeper.runtime.active_config import ActiveConfig, build, check_in_place
from watchkeeper.runtime.pipeline import Pipeline
from watchkeeper.runtime.pipeline_state import PipelineState
from watchkeeper.runtime.runner import Runner
from watchkeeper.runtime.scheduled_probe import ScheduledProbe
from watchkeeper.settings import Settings
from watchkeeper.store.store import Store
from watchkeeper.web.planning.planner import Change, Planned

log = logging.getLogger(__name__)

GRACE_S = 10.0
"""How long a stop, or a reload, waits for probes and deliveries that are under way; the unit's TimeoutStopSec is three
times that."""


@dataclass(frozen=True, slots=True)
class ScheduledHeartbeat:
    """The sign of life that a configuration asks for: its label in the schedule, its interval, and what sends it."""

    label: str
    every_s: float
    tell: Callable[[], Awaitable[None]]


class Refusals(Protocol):
    """Shows why the newest configuration was not taken; empty where it was."""

    refused: str


@dataclass(frozen=True, slots=True)
class Lasting:
    """What lives as long as the process. heartbeat: the one that settings ask for; None where they ask for none."""

    store: Store
    clock: Clock
    schedule: Scheduler
    outbox: Outbox
    state: PipelineState
    refusals: Refusals
    heartbeat: Callable[[Settings], ScheduledHeartbeat | None]


@dataclass(frozen=True, slots=True)
class Runtime:
    """What lives as long as a configuration."""

    config: ActiveConfig
    pipeline: Pipeline
    rounds: PeriodicMessages
    keeping: Retention
    planner: HostPlanner


class _Nothing:
    """What runs before the first configuration."""

    pipeline = rounds = keeping = planner = None


def build_runtime(config: ActiveConfig, lasting: Lasting, before: Runtime | None = None) -> Runtime:
    """Make what a configuration needs. before: what runs until now; from now on nothing may run on it any more."""
    settings, store, clock = config.settings, lasting.store, lasting.clock
    named = (settings.host.label, settings.host.zone)
    last = before or _Nothing()
    pipeline = Pipeline(lasting.state, config.depends_on, settings.together.limits(), last.pipeline)
    return Runtime(
        config,
        pipeline,
        PeriodicMessages(store, lasting.outbox, clock, settings.reminders.plan(), settings.routes, named, last.rounds),
        Retention(store, settings.store, clock, pipeline.note, store.notes, last.keeping),
        HostPlanner(settings, store, config.bench, before=last.planner),
    )


class ActiveRuntime:
    """The runtime that holds, and what replaces it. It plans as well: the page's questions go to the one that holds."""

    def __init__(self, runtime: Runtime, runner: Runner, lasting: Lasting) -> None:
        """runner: runs on this runtime's pipeline."""
        self.runtime = runtime
        self.tokens: dict[str, SecretSource] = runtime.config.tokens
        """The secrets of jobs; the page reads them here, so that a reload fills the same table."""
        self._runner, self._lasting = runner, lasting

    def plan(self) -> None:
        """Have the probes run at their intervals, and the sign of life be sent."""
        for each in self._runner.all_probes.values():
            self._plan_probe(each)
        self._plan_heartbeat()

    async def keep(self) -> None:
        """Keep the store, as the configuration says."""
        await self.runtime.keeping.run()

    async def make_rounds(self) -> None:
        """Send what is due by time alone, as the configuration says."""
        await self.runtime.rounds.make()

    def _plan_probe(self, probe: ScheduledProbe) -> None:
        self._lasting.schedule.every(probe.label, probe.interval_s, partial(self._runner.run, probe.label))

    def _plan_heartbeat(self) -> None:
        beat = self._lasting.heartbeat(self.runtime.config.settings)
        if beat is not None:
            self._lasting.schedule.every(beat.label, beat.every_s, beat.tell)

    # The page's planner ---------------------------------------------------------------------------------------------

    async def room(self, question: Question, *, signed_in: bool = False) -> Planned[RoomAnswer]:
        """Is there room?"""
        return await self.runtime.planner.room(question, signed_in=signed_in)

    async def ready(self, change: Change, *, signed_in: bool = False) -> Planned[ReadyAnswer]:
        """Is a change safe, or what became of it?"""
        return await self.runtime.planner.ready(change, signed_in=signed_in)

    async def frees(self, store: str | None, *, signed_in: bool = False) -> Planned[FreesAnswer]:
        """What sets of snapshots hold."""
        return await self.runtime.planner.frees(store, signed_in=signed_in)

    # Another configuration ------------------------------------------------------------------------------------------

    async def reload(self, reread: Callable[[], Loaded[Settings]]) -> None:
        """Build what the configuration says now, then put it to work; where it has errors, go on with the old one."""
        before = self.runtime.config
        try:
            loaded = await asyncio.to_thread(reread)
            check_in_place(loaded.settings, before.settings, loaded.path)
            after = build(loaded.settings, self._bench_for(loaded.settings), self._lasting.clock, before)
        except ConfigError as error:
            await self._refuse(str(error), len(error.problems))
            return
        except Exception as error:
            # A package's kind of probe may raise anything when it is made; the watch must not end of that.
            log.exception("a part of the configuration cannot be made", extra=about(Event.RELOAD))
            await self._refuse(f"a part of it cannot be made: {type(error).__name__}: {error}", 1)
            return
        for warning in loaded.warnings:
            log.warning("%s", warning, extra=about(Event.RELOAD))
        await self._put_to_work(after)
        self._lasting.refusals.refused = ""
        await self.runtime.pipeline.note(Entry.CONFIGURATION, difference(before, after))

    def _bench_for(self, settings: Settings) -> ProbeContext:
        bench = self.runtime.config.bench
        if bench.database is None or bench.database.most_bytes == settings.store.most:
            return bench
        return replace(bench, database=replace(bench.database, most_bytes=settings.store.most))

    async def _refuse(self, errors: str, count: int) -> None:
        log.error("%s", errors, extra=about(Event.RELOAD))
        said = f"the new configuration has {count} error{'' if count == 1 else 's'} and was not taken"
        self._lasting.refusals.refused = f"{said}; the one before holds: run watchkeeper check-config"
        await self.runtime.pipeline.note(Entry.CONFIGURATION, f"{said}; the one before holds", errors=errors)

    async def _put_to_work(self, after: ActiveConfig) -> None:
        """Runs of what goes are waited for and end by the old configuration; then the new one holds all at once."""
        before, settings = self.runtime.config, after.settings
        gone, new = changed_probes(before, after)
        other_beat = before.settings.alive != settings.alive
        beat = self._lasting.heartbeat(before.settings) if other_beat else None
        also = [] if beat is None else [beat.label]
        await self._lasting.schedule.drop([*(each.label for each in gone), *also], GRACE_S)
        self._switch(after)
        for each in gone:
            await each.probe.close()
        for each in new:
            self._plan_probe(each)
        if other_beat:
            self._plan_heartbeat()
        await self._lasting.outbox.change(after.notifiers, settings.routes, settings.host.zone, GRACE_S)

    def _switch(self, after: ActiveConfig) -> None:
        """From one step to the next, without a pause in which anything could run on both."""
        self.runtime = build_runtime(after, self._lasting, self.runtime)
        self._runner.switch(self.runtime.pipeline, after.probes)
        self.tokens.clear()
        self.tokens.update(after.tokens)


def changed_probes(before: ActiveConfig, after: ActiveConfig) -> tuple[list[ScheduledProbe], list[ScheduledProbe]]:
    """The probes that end, and those that begin: another interval ends one and begins it again."""

    def identity(each: ScheduledProbe) -> tuple[str, int, float]:
        return each.label, id(each.probe), each.interval_s

    stays = {identity(each) for each in before.probes} & {identity(each) for each in after.probes}
    gone = [each for each in before.probes if identity(each) not in stays]
    return gone, [each for each in after.probes if identity(each) not in stays]


def difference(before: ActiveConfig, after: ActiveConfig) -> str:
    """What a reload changed, for the journal."""
    said = []
    for what, old, new in (
        ("probe", {e.label: e for e in before.probes}, {e.label: e for e in after.probes}),
        ("notifier", {e.name: e for e in before.notifiers}, {e.name: e for e in after.notifiers}),
    ):
        for word, names in (
            ("new", new.keys() - old.keys()),
            ("changed", {name for name in new.keys() & old.keys() if new[name] != old[name]}),
            ("gone", old.keys() - new.keys()),
        ):
            if names:
                said.append(f"{word}: {what} {', '.join(sorted(names))}")
    return f"the configuration was read anew; {'; '.join(said) or 'probes and notifiers are as before'}"
