"""Reload: a new runtime is built from the new settings, and takes over the store and the state of the previous one.

What lives as long as a configuration is a Runtime, which never changes. What lives as long as the process is in
Lasting. Work in progress at a reload is finished by the old configuration. Not here: signals and what is sent to
systemd (daemon/daemon.py), and which parts of a configuration continue unchanged (active_config.py).
"""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Awaitable, Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from functools import partial
from typing import TYPE_CHECKING, Protocol

from watchkeeper.clock import Clock
from watchkeeper.config.loading import Loaded
from watchkeeper.config.types import SecretSource
from watchkeeper.errors import ConfigError
from watchkeeper.logs.fields import Event, about
from watchkeeper.model.change import ChangeKind
from watchkeeper.model.records import Entry, Seen
from watchkeeper.notifiers.outbox.outbox import Outbox
from watchkeeper.periodic.messages import PeriodicMessages
from watchkeeper.periodic.retention import Retention
from watchkeeper.periodic.scheduler import Scheduler
from watchkeeper.periodic.stand_ins import StandIns
from watchkeeper.probes.base import ProbeContext
from watchkeeper.runtime.active_config import ActiveConfig, build, check_in_place
from watchkeeper.runtime.late_planner import LatePlanner
from watchkeeper.runtime.pipeline import Pipeline
from watchkeeper.runtime.pipeline_state import PipelineState
from watchkeeper.runtime.runner import Runner
from watchkeeper.runtime.scheduled_probe import ScheduledProbe
from watchkeeper.settings import Settings
from watchkeeper.store.store import Store

if TYPE_CHECKING:  # see late_planner.py
    from watchkeeper.messages.reports.report import Report
    from watchkeeper.planning.backups import BackupsAnswer
    from watchkeeper.planning.capacity.answer import CapacityAnswer
    from watchkeeper.planning.capacity.question import Question
    from watchkeeper.planning.preflight.decide import PreflightAnswer
    from watchkeeper.planning.reclaim.snapshots import ReclaimAnswer
    from watchkeeper.web.planning.planner import Change, Planned

log = logging.getLogger(__name__)

GRACE_S = 10.0
"""How long a stop, or a reload, waits for running probes and deliveries; the unit's TimeoutStopSec is three times
that."""


@dataclass(frozen=True, slots=True)
class ScheduledHeartbeat:
    """The configured heartbeat: its label in the schedule, its interval, and what sends it."""

    label: str
    every_s: float
    tell: Callable[[], Awaitable[None]]


class Refusals(Protocol):
    """Shows why the newest configuration was not accepted; empty if it was."""

    refused: str


@dataclass(frozen=True, slots=True)
class Lasting:
    """What lives as long as the process. heartbeat: returns the one that settings configure, or None."""

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
    periodic_messages: PeriodicMessages
    retention: Retention
    planner: LatePlanner


class _Nothing:
    """The state before the first configuration: nothing runs."""

    pipeline = periodic_messages = retention = planner = None


def build_runtime(config: ActiveConfig, lasting: Lasting, before: Runtime | None = None) -> Runtime:
    """Create what a configuration needs. before: the previous runtime, on which nothing may run any more."""
    settings, store, clock = config.settings, lasting.store, lasting.clock
    named = (settings.host.label, settings.host.zone)
    last = before or _Nothing()
    pipeline = Pipeline(lasting.state, config.depends_on, settings.grouping.limits(), last.pipeline)
    return Runtime(
        config,
        pipeline,
        PeriodicMessages(
            store,
            lasting.outbox,
            clock,
            settings.reminders.plan(),
            settings.routes,
            named,
            last.periodic_messages,
            StandIns(store, settings.stand_ins, partial(_sheet, settings, pipeline), named),
        ),
        Retention(store, settings.store, clock, pipeline.note, store.probe_states, last.retention),
        LatePlanner(settings, store, config.bench, last.planner),
    )


def _sheet(settings: Settings, pipeline: Pipeline, seen: Sequence[Seen], now: datetime) -> Report:
    """The sheet of the house, as the configuration and what is seen make it."""
    from watchkeeper.inventory.house_facts import house_facts  # noqa: PLC0415  only where somebody stands in
    from watchkeeper.messages.reports.sheet import sheet  # noqa: PLC0415  the same

    return sheet(house_facts(settings), seen, pipeline.dependents_of, settings.host.zone, now)


class ActiveRuntime:
    """The active runtime, and its replacement. It plans as well: the page's questions go to the active one."""

    def __init__(self, runtime: Runtime, runner: Runner, lasting: Lasting) -> None:
        """runner: runs on this runtime's pipeline."""
        self.runtime = runtime
        self._runner, self._lasting = runner, lasting

    def tokens(self) -> Mapping[str, SecretSource]:
        """The secrets of jobs, by name, as configured."""
        return self.runtime.config.tokens

    def plan(self) -> None:
        """Schedule the probes at their intervals, and the heartbeat."""
        for each in self._runner.all_probes.values():
            self._plan_probe(each)
        self._plan_heartbeat()

    async def keep(self) -> None:
        """Run retention, as configured."""
        await self.runtime.retention.run()

    async def send_periodic_messages(self) -> None:
        """Send the periodic messages that are due, as configured."""
        await self.runtime.periodic_messages.make()

    def _plan_probe(self, probe: ScheduledProbe) -> None:
        self._lasting.schedule.every(probe.label, probe.interval_s, partial(self._runner.run, probe.label))

    def _plan_heartbeat(self) -> None:
        beat = self._lasting.heartbeat(self.runtime.config.settings)
        if beat is not None:
            self._lasting.schedule.every(beat.label, beat.every_s, beat.tell)

    # The page's planner ---------------------------------------------------------------------------------------------

    async def capacity(self, question: Question, *, signed_in: bool = False) -> Planned[CapacityAnswer]:
        """Answer whether there is capacity."""
        return await self.runtime.planner.capacity(question, signed_in=signed_in)

    async def preflight(self, change: Change, *, signed_in: bool = False) -> Planned[PreflightAnswer]:
        """Answer whether a change is safe, or how it went."""
        return await self.runtime.planner.preflight(change, signed_in=signed_in)

    async def reclaim(self, store: str | None, *, signed_in: bool = False) -> Planned[ReclaimAnswer]:
        """Answer how much space sets of snapshots hold."""
        return await self.runtime.planner.reclaim(store, signed_in=signed_in)

    async def backups(self, *, signed_in: bool = False) -> Planned[BackupsAnswer]:
        """Answer which guest has a backup."""
        return await self.runtime.planner.backups(signed_in=signed_in)

    # Reloading ------------------------------------------------------------------------------------------------------

    async def reload(self, reread: Callable[[], Loaded[Settings]]) -> None:
        """Build the new configuration, then activate it; if it has errors, continue with the old one."""
        before = self.runtime.config
        try:
            loaded = await asyncio.to_thread(reread)
            check_in_place(loaded.settings, before.settings, loaded.path)
            after = build(loaded.settings, self._bench_for(loaded.settings), self._lasting.clock, before)
        except ConfigError as error:
            await self._refuse(error.in_one_line, len(error.problems))
            return
        except Exception as error:
            # Creating a probe of a package may raise anything; that must not end monitoring.
            log.exception("a part of the configuration cannot be created", extra=about(Event.RELOAD))
            await self._refuse(f"a part of it cannot be created: {type(error).__name__}: {error}", 1)
            return
        for warning in loaded.warnings:
            log.warning("%s", warning, extra=about(Event.RELOAD))
        await self._put_to_work(after)
        self._lasting.refusals.refused = ""
        said = difference(before, after)
        await self.runtime.pipeline.note(Entry.CONFIGURATION, said)
        _, _, detail = said.partition("; ")
        done = "reloaded:" if detail else "reloaded"
        await self.runtime.pipeline.changed(ChangeKind.CONFIGURATION, "watchkeeper's configuration", done, detail)

    def _bench_for(self, settings: Settings) -> ProbeContext:
        bench = self.runtime.config.bench
        if bench.database is None or bench.database.most_bytes == settings.store.max_size:
            return bench
        return replace(bench, database=replace(bench.database, most_bytes=settings.store.max_size))

    async def _refuse(self, errors: str, count: int) -> None:
        log.error("%s", errors, extra=about(Event.RELOAD))
        said = f"the new configuration has {count} error{'' if count == 1 else 's'} and was rejected"
        self._lasting.refusals.refused = f"{said}; the previous one is active: run watchkeeper check-config"
        await self.runtime.pipeline.note(Entry.CONFIGURATION, f"{said}; the previous one is active", errors=errors)

    async def _put_to_work(self, after: ActiveConfig) -> None:
        """Wait for runs of removed probes, which end by the old configuration; then activate all of the new one."""
        before, settings = self.runtime.config, after.settings
        gone, new = changed_probes(before, after)
        other_beat = before.settings.heartbeat != settings.heartbeat
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
        await self._lasting.outbox.switch(after.notifiers, settings.routes, settings.host.zone, GRACE_S)

    def _switch(self, after: ActiveConfig) -> None:
        """Switch in one step, without a pause in which anything could run on both."""
        self.runtime = build_runtime(after, self._lasting, self.runtime)
        self._runner.switch(self.runtime.pipeline, after.probes)


def changed_probes(before: ActiveConfig, after: ActiveConfig) -> tuple[list[ScheduledProbe], list[ScheduledProbe]]:
    """The probes that end, and those that begin: a changed interval ends a probe and begins it again."""

    def identity(each: ScheduledProbe) -> tuple[str, int, float]:
        return each.label, id(each.probe), each.interval_s

    stays = {identity(each) for each in before.probes} & {identity(each) for each in after.probes}
    gone = [each for each in before.probes if identity(each) not in stays]
    return gone, [each for each in after.probes if identity(each) not in stays]


def difference(before: ActiveConfig, after: ActiveConfig) -> str:
    """What a reload changed, for the event log."""
    said = []
    for what, old, new in (
        ("probe", {e.label: e for e in before.probes}, {e.label: e for e in after.probes}),
        ("notifier", {e.name: e for e in before.notifiers}, {e.name: e for e in after.notifiers}),
    ):
        for word, names in (
            ("new", new.keys() - old.keys()),
            ("changed", {name for name in new.keys() & old.keys() if new[name] != old[name]}),
            ("removed", old.keys() - new.keys()),
        ):
            if names:
                said.append(f"{word}: {what} {', '.join(sorted(names))}")
    return f"the configuration was reloaded; {'; '.join(said) or 'probes and notifiers are unchanged'}"
