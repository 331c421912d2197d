"""The composition root: creates every part, connects them, and shuts them down in order when a signal arrives.

What lives as long as the process is created once: store, clock, workers, schedule, outbox, the page's socket, and the
state of the pipeline. What lives as long as a configuration is a Runtime (runtime/reload.py); at SIGHUP a new one is
built and replaces it. Nothing is decided here; what a part does is in its own file.
"""

import asyncio
import contextlib
import logging
import signal
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import timedelta
from functools import partial
from typing import TYPE_CHECKING

from watchkeeper.clock import Clock
from watchkeeper.config.key_file import own_key
from watchkeeper.config.loading import Loaded
from watchkeeper.daemon import sd_notify, startup_clock
from watchkeeper.daemon.actions import DaemonActions
from watchkeeper.daemon.activity import DaemonActivity
from watchkeeper.daemon.believed_clock import BelievedClock, ClockJumps
from watchkeeper.daemon.control import ControlSocket
from watchkeeper.daemon.database_location import DatabaseLocation
from watchkeeper.daemon.health import Health
from watchkeeper.daemon.startup_clock import ClockDoubt
from watchkeeper.discovery.coverage import HostCoverage
from watchkeeper.errors import StartError
from watchkeeper.inventory.host_backups import HostBackups
from watchkeeper.logs.fields import Event, about
from watchkeeper.manual.runbook import runbook
from watchkeeper.messages.ack_links import AckLinks
from watchkeeper.model.observation import Condition, Observation
from watchkeeper.model.records import Entry
from watchkeeper.notifiers.outbox.outbox import Outbox
from watchkeeper.ownership.folder_owner import real_file
from watchkeeper.periodic import messages
from watchkeeper.periodic.retention import EVERY_S
from watchkeeper.periodic.scheduler import Scheduler
from watchkeeper.privileged import descriptors
from watchkeeper.probes.base import OwnDatabase, ProbeContext
from watchkeeper.probes.support.workers import ThreadWorkers
from watchkeeper.probes.verification.late_verifier import LateVerifier
from watchkeeper.runtime.active_config import build, make_probes
from watchkeeper.runtime.pipeline_state import PipelineState
from watchkeeper.runtime.recent_changes import REMEMBERED, RecentChanges
from watchkeeper.runtime.reload import GRACE_S, ActiveRuntime, Lasting, ScheduledHeartbeat, build_runtime
from watchkeeper.runtime.runner import Runner, look_at_all
from watchkeeper.runtime.scheduled_probe import ScheduledProbe
from watchkeeper.settings import Settings
from watchkeeper.store.files.job_spool import SpooledJobReports, earlier_spool_of, spool_of
from watchkeeper.store.recovery.repair import damaged_files
from watchkeeper.store.store import Store
from watchkeeper.web.bound_page import BoundPage, bind
from watchkeeper.web.late_page import LatePage, Serve
from watchkeeper.web.planning.best_deletions import BestDeletions

if TYPE_CHECKING:
    from watchkeeper.archive.common_store import CommonStore
    from watchkeeper.web.server import Served

log = logging.getLogger(__name__)

REMEMBER = timedelta(days=1_160)
"""How far back histories are filled at the start: as far as a history goes, three years of days and eight weeks."""

GATHER_S = 1.0
"""How long samples that change no alert wait for a commit that they share: 60 probes every 30 s then need half as many.
A killed process loses this time's samples at most, which a power cut would lose anyway."""

RETENTION_LABEL = " retention"
"""In the schedule; no probe's name begins with a space."""


KEY_NAME = "acknowledge.key"
"""Stored beside the database: the key that signs links in messages."""


async def look_once(settings: Settings) -> list[tuple[ScheduledProbe, Sequence[Observation], Condition]]:
    """Run every configured probe once, concurrently, and return its observations and own condition. Stores nothing."""
    workers = ThreadWorkers()
    coverage = HostCoverage(lambda: settings.probes)
    backups = HostBackups(lambda: settings)
    probes = make_probes(settings, ProbeContext(Clock(), workers, coverage=coverage, backups=backups))
    try:
        return await look_at_all(probes)
    finally:
        for each in probes:
            await each.probe.close()
        workers.close()


async def serve(
    settings: Settings,
    *,
    ready: Callable[[str], None],
    reread: Callable[[], Loaded[Settings]],
    station: bool = False,
) -> None:
    """Monitor until SIGTERM or SIGINT. ready: called once with the page's address when everything runs.

    station: the page shows all hosts of the archive, and hosts that no longer write to it are reported. reread: reads
    the configuration again, in a thread, at each SIGHUP; raises ConfigError. Raises StartError and StoreError where the
    daemon cannot start; nothing is left running then.
    """
    descriptors.raise_limit()
    clock, again = BelievedClock(Clock()), _set_by(asyncio.Event(), signal.SIGHUP)
    async with contextlib.AsyncExitStack() as stack:
        store = await Store.open(settings.store.path, repair_at=clock.now())
        stack.push_async_callback(store.close)
        common = _common_store(settings, store, clock) if station else None
        if common is not None:
            stack.push_async_callback(common.close)
        await _Daemon(settings, clock, store, common).keep_watch(stack, ready, _Reloads(again, reread))


@dataclass(frozen=True, slots=True)
class _Reloads:
    """asked: set when the configuration must be read again, which `reread` does."""

    asked: asyncio.Event
    reread: Callable[[], Loaded[Settings]]


class _Daemon:
    """One run of the daemon on an open store: what lives as long as the process, and the active runtime."""

    def __init__(
        self, settings: Settings, clock: BelievedClock, store: Store, common: "CommonStore | None" = None
    ) -> None:
        """common: the records of all hosts, if this is a station."""
        self._clock, self._store, self._common = clock, store, common
        named, path = (settings.host.label, settings.host.zone), settings.store.path
        self._workers, self._schedule = ThreadWorkers(), Scheduler(clock.host)
        job_reports = SpooledJobReports(
            store.job_reports, spool_of(path), clock.now, earlier_spool_of(path), clock.boot
        )
        own = OwnDatabase(path, settings.store.max_size, partial(damaged_files, path), store.quarantined)
        coverage = HostCoverage(lambda: self._active.runtime.config.settings.probes)
        changes = RecentChanges(store.change_log)
        backups = HostBackups(lambda: self._active.runtime.config.settings)
        context = ProbeContext(
            clock,
            self._workers,
            store.probe_states,
            job_reports,
            own,
            coverage,
            backups,
            changes,
            verification=LateVerifier(store),
        )
        config = build(settings, context, clock)
        self._passes = _passes(settings)
        self._outbox = Outbox(
            store,
            config.notifiers,
            clock,
            routes=settings.routes,
            zone=settings.host.zone,
            passes=self._passes,
            left_to_others=None if common is None else common.left_to_others,
        )
        self._state = PipelineState(store, self._outbox, clock, *named, gather_s=GATHER_S, changes=changes)
        self._health = Health(clock, self._state, self._outbox)
        lasting = Lasting(
            store,
            clock,
            self._schedule,
            self._outbox,
            self._state,
            self._health,
            partial(heartbeat, clock, self._health),
        )
        runtime = build_runtime(config, lasting)
        self._runner = Runner(runtime.pipeline, config.probes)
        self._runner.look_now = self._schedule.now
        self._active = ActiveRuntime(runtime, self._runner, lasting)
        self._deletions = self._state.deletions = BestDeletions(self._active, clock)
        self._job_reports = job_reports
        self._hand = DaemonActions(self._runner, self._schedule, self._outbox, clock, named, store.keep_maintenance)
        self._service = sd_notify.Service()
        self._ending = self._runner.stopping

    async def keep_watch(
        self, stack: contextlib.AsyncExitStack, ready: Callable[[str], None], reloads: _Reloads
    ) -> None:
        """Restore, serve the page, run the probes; return after a signal, when everything is shut down."""
        _set_by(self._ending, signal.SIGTERM, signal.SIGINT)
        stack.callback(self._workers.close)
        await self._look_at_clock(self._ending)
        self._runner.add_own(ClockJumps(self._clock, startup_clock.keeps_time).watched())
        location = DatabaseLocation(self._store, self._clock)
        await location.observe()
        self._runner.add_own(location.watched())
        await self._copy_to_archive(stack)
        await self._restore()
        page = LatePage(await bind(self._active.runtime.config.settings.page), self._load_page)
        stack.push_async_callback(page.close)
        control = ControlSocket(real_file(self._store.path).parent, self._hand)
        stack.push_async_callback(control.close)
        await control.start()
        delivering = asyncio.create_task(self._outbox.run())
        stack.push_async_callback(self._outbox.close, GRACE_S)
        stack.push_async_callback(self._close_probes)
        stack.push_async_callback(self._deletions.close)
        self._plan()
        self._schedule.start()
        reviewing = asyncio.create_task(self._review())
        serving = asyncio.create_task(page.serve_when_asked())
        ready(page.address)
        self._service.tell("READY=1")
        runbook()  # read before there is an alert: it may be about the disk that the entries are on
        reloading = asyncio.create_task(self._reload_when_asked(reloads))
        ended = asyncio.create_task(self._ending.wait())
        parts = (reviewing, delivering, reloading, serving)
        await asyncio.wait({ended, *parts}, return_when=asyncio.FIRST_COMPLETED)
        self._service.tell("STOPPING=1")
        await self._wind_down(reviewing, reloading, serving)
        # A part that ended on its own has failed: raise its error, so that systemd restarts the daemon.
        for part in parts:
            if part.done() and not part.cancelled() and part.exception() is not None:
                part.result()

    async def _copy_to_archive(self, stack: contextlib.AsyncExitStack) -> None:
        settings = self._active.runtime.config.settings
        if self._common is not None:
            self._watch_hosts(self._common, settings)
            return
        if settings.archive.url is None:
            return
        from watchkeeper.daemon.archive_copy import ArchiveCopy  # noqa: PLC0415  only where there is an archive
        from watchkeeper.daemon.archive_requests import ArchiveRequests  # noqa: PLC0415  the same

        requests = ArchiveRequests(self._runner, accepted=settings.archive.accept_requests)
        copy = await ArchiveCopy.begin(
            settings.archive, settings.archive.url, self._store, settings.host.label, self._clock, requests
        )
        stack.push_async_callback(copy.stop)
        self._runner.add_own(copy.watched())

    def _watch_hosts(self, common: "CommonStore", settings: Settings) -> None:
        from watchkeeper.daemon.station import HostsWatched  # noqa: PLC0415  only on a station

        hosts = HostsWatched(common, settings.archive.silent_after, settings.host.zone, self._clock)
        self._runner.add_own(hosts.watched())

    async def _look_at_clock(self, stop: asyncio.Event) -> None:
        """Wait briefly for a clock that is behind the newest sample to be set; then start with the clock in doubt."""
        newest = max((seen.at for seen in await self._store.latest()), default=None)
        if newest is None:
            self._clock.watch()
            return
        doubt = ClockDoubt(self._clock.host, newest, startup_clock.keeps_time, self._believe)

        def say(status: str) -> None:
            self._service.tell(f"STATUS={status[: sd_notify.LONGEST_STATUS]}")

        if not await doubt.settles(stop, say, startup_clock.WAIT_S, startup_clock.LOOK_S):
            log.error("the clock of this host: %s", doubt.why, extra=about(Event.START))
            self._state.recording = False
            self._runner.add_own(doubt.watched())
            return
        self._clock.watch()

    def _believe(self) -> None:
        if not self._state.recording:
            self._clock.watch()
        self._state.recording = True

    def _load_page(self) -> Serve:
        """Import what serves the page."""
        from watchkeeper.inventory.house_facts import house_facts  # noqa: PLC0415  the same
        from watchkeeper.web.app import make_app  # noqa: PLC0415  see web/late_page.py
        from watchkeeper.web.auth.budgets import Tries  # noqa: PLC0415  the same
        from watchkeeper.web.auth.job_reports import Jobs  # noqa: PLC0415  the same
        from watchkeeper.web.auth.tokens import Tokens  # noqa: PLC0415  the same
        from watchkeeper.web.server import serve as serve_page  # noqa: PLC0415  the same

        settings = self._active.runtime.config.settings

        async def serve_app(bound: BoundPage) -> "Served":
            app = make_app(
                self._common or self._store,
                settings.page,
                self._clock,
                self._health,
                settings.host.label,
                settings.host.zone,
                self._hand,
                self._passes,
                jobs=Jobs(Tokens(self._active.tokens), self._job_reports, Tries(self._clock)),
                resting=self._runner.dependents_of,
                planner=self._active,
                deletions=self._deletions,
                browser_key=_browser_key(settings),
                states=self._store.probe_states,
                work=DaemonActivity(self._runner, self._outbox),
                facts=lambda: house_facts(self._active.runtime.config.settings),
                hosts=self._common,
            )
            return await serve_page(app, settings.page, bound=bound)

        return serve_app

    async def _close_probes(self) -> None:
        for each in reversed(self._runner.probes):
            await each.probe.close()

    def _plan(self) -> None:
        """Schedule everything that runs at fixed intervals."""
        self._active.plan()
        self._schedule.every(RETENTION_LABEL, EVERY_S, self._active.keep)
        self._schedule.every(messages.LABEL, messages.EVERY_S, self._active.send_periodic_messages)
        if self._service.listens:
            zone = self._active.runtime.config.settings.host.zone
            reports = sd_notify.Reports(self._service, self._clock, self._health, self._store.findings, zone)
            self._schedule.every(sd_notify.LABEL, reports.every_s, reports.tell)

    async def _reload_when_asked(self, reloads: _Reloads) -> None:
        while True:
            await reloads.asked.wait()
            reloads.asked.clear()
            # sd_notify(3): with the time of CLOCK_MONOTONIC, so that systemd can tell this reload from an earlier one.
            began_us = int(self._clock.monotonic_s() * 1e6)
            self._service.tell("RELOADING=1", f"MONOTONIC_USEC={began_us}")
            await self._active.reload(reloads.reread)
            self._service.tell("READY=1")

    async def _wind_down(self, *tasks: asyncio.Task[None]) -> None:
        for task in tasks[1:]:
            task.cancel()
            await asyncio.wait({task})
        await self._schedule.stop(GRACE_S)
        tasks[0].cancel()
        await asyncio.wait({tasks[0]})
        await self._runner.pipeline.note(Entry.STOP, "monitoring stopped")

    async def _restore(self) -> None:
        """Continue from what the store holds, and record that in the event log."""
        kept = await self._store.kept_aside()
        known = (await self._store.last_commit_at(), *(each.at for each in kept.events))
        last_commit_at = max((each for each in known if each is not None), default=None)
        self._active.runtime.periodic_messages.begin(last_commit_at)
        await self._active.runtime.retention.begin(last_commit_at)
        self._state.changes.restore(await self._store.changes(self._clock.now() - REMEMBERED))
        self._state.maintenance.restore(await self._store.maintenance())
        await self._runner.start(self._store, self._clock.now() - REMEMBER, last_commit_at, kept)
        if not self._state.breaks:  # else the event log has it, with the length of the gap
            how = "started, with an empty database" if last_commit_at is None else "started"
            await self._runner.pipeline.note(Entry.START, f"monitoring {how}")

    async def _review(self) -> None:
        """Evaluate everything at fixed intervals; after a gap or a clock change, reschedule the runs."""
        steps = self._clock.steps
        while True:
            await self._runner.review_round(self._schedule)
            if steps != self._clock.steps:  # the schedule goes by the wall clock of the host
                steps = self._clock.steps
                self._schedule.realign()


def _common_store(settings: Settings, store: Store, clock: Clock) -> "CommonStore | None":
    from watchkeeper.archive.common_store import CommonStore  # noqa: PLC0415  only on a station
    from watchkeeper.archive.reader import ArchiveReader  # noqa: PLC0415  the same

    url = settings.archive.url
    return None if url is None else CommonStore(store, lambda: ArchiveReader.at(url), clock)


def heartbeat(clock: Clock, health: Health, settings: Settings) -> ScheduledHeartbeat | None:
    """The heartbeat that the settings ask for; None where they ask for none."""
    if settings.heartbeat.url is None:
        return None
    from watchkeeper.daemon.heartbeat import LABEL, Heartbeat  # noqa: PLC0415  its HTTP client, only if it is needed

    beat = Heartbeat(settings.heartbeat, clock, health, settings.host.label)
    return ScheduledHeartbeat(LABEL, settings.heartbeat.every, beat.tell)


def _passes(settings: Settings) -> AckLinks | None:
    """What signs and reads the links in messages, where the configuration gives the page's address."""
    address = settings.page.address
    return None if address is None else AckLinks(own_key(settings.store.path.with_name(KEY_NAME)), str(address))


def _browser_key(settings: Settings) -> bytes | None:
    """The key by which the page recognises browsers. The daemon starts without it if it cannot be read."""
    if settings.page.password is None:
        return None
    try:
        return own_key(settings.store.path.with_name(KEY_NAME))
    except StartError as error:
        log.warning("%s; until then browsers must sign in again after a restart", error, extra=about(Event.PAGE))
        return None


def _set_by(event: asyncio.Event, *numbers: signal.Signals) -> asyncio.Event:
    """Make each of these signals set an event."""
    loop = asyncio.get_running_loop()
    for number in numbers:
        loop.add_signal_handler(number, event.set)
    return event
