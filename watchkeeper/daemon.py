"""The composition root: makes every part, joins them, and takes them down in order when a signal comes.

Nothing is decided here; what a part does stands in its own file.
"""

import asyncio
import contextlib
import logging
import signal
from collections.abc import Callable, Sequence
from datetime import timedelta
from functools import partial

from watchkeeper import rounds, systemd
from watchkeeper.alive import LABEL as LABEL_OF_ALIVE
from watchkeeper.alive import Alive
from watchkeeper.clock import Clock
from watchkeeper.config.keyfile import own_key
from watchkeeper.config.types import SecretSource
from watchkeeper.core.observation import Condition, Observation
from watchkeeper.core.passes import Passes
from watchkeeper.core.records import Entry
from watchkeeper.core.ties import Ties
from watchkeeper.core.together import Together
from watchkeeper.hand import Hand
from watchkeeper.health import Health
from watchkeeper.keeping import EVERY_S, Keeping
from watchkeeper.notifiers.base import Notifier
from watchkeeper.notifiers.outbox import Outbox
from watchkeeper.notifiers.table import make_notifier
from watchkeeper.pipeline import Pipeline, Watched, look
from watchkeeper.probes.base import Bench, OwnDatabase
from watchkeeper.probes.checkin import CheckinSettings
from watchkeeper.probes.table import make_probe
from watchkeeper.probes.workers import ThreadWorkers
from watchkeeper.rounds import Rounds
from watchkeeper.schedule import Schedule
from watchkeeper.settings import Settings
from watchkeeper.store.mending import set_aside_of
from watchkeeper.store.spool import SpooledCheckIns, spool_of
from watchkeeper.store.store import Store
from watchkeeper.web.app import make_app
from watchkeeper.web.checkin import Jobs
from watchkeeper.web.serve import serve as serve_page
from watchkeeper.web.sessions import Throttle

log = logging.getLogger(__name__)

REVIEW_S = 15.0
"""How often everything is judged anew although no sample came: well below the shortest default delay (a minute)."""

GRACE_S = 10.0
"""How long a stop waits for probes and deliveries that are under way; the unit's TimeoutStopSec is three times that."""

REMEMBER = timedelta(days=1_160)
"""How far back histories are filled at the start: what a history keeps, its three years of days and eight weeks."""

KEEPING_LABEL = " keeping"
"""In the schedule; no probe's name begins with a space."""


KEY_NAME = "acknowledge.key"
"""Beside the database: the key with which links in messages are signed."""


def watch(settings: Settings, bench: Bench) -> list[Watched]:
    """Every configured probe, made and ready to run."""
    return [
        Watched(each.label, each.every, make_probe(each, bench), settings.rules_for(each)) for each in settings.probes
    ]


async def look_once(settings: Settings) -> list[tuple[Watched, Sequence[Observation], Condition]]:
    """Run every configured probe once, all at the same time: what each saw, and its own condition. Stores nothing."""
    workers = ThreadWorkers()
    watched = watch(settings, Bench(Clock(), workers))
    try:
        looks = await asyncio.gather(*(look(each) for each in watched))
    finally:
        for each in watched:
            await each.probe.close()
        workers.close()
    return [(each, observed, own) for each, (observed, own) in zip(watched, looks, strict=True)]


async def serve(settings: Settings, *, ready: Callable[[str], None]) -> None:
    """Be on watch until SIGTERM or SIGINT. ready: called once with the page's address when everything runs.

    Raises StartError and StoreError where the daemon cannot start here; nothing is left running then.
    """
    clock = Clock()
    async with contextlib.AsyncExitStack() as stack:
        store = await Store.open(settings.store.path, mend_at=clock.now())
        stack.push_async_callback(store.close)
        notifiers = [make_notifier(each, clock) for each in settings.notifiers]
        for notifier in notifiers:
            stack.push_async_callback(notifier.close)
        await _Daemon(settings, clock, store, notifiers).keep_watch(stack, ready)


class _Daemon:
    """One life of the daemon on an open store."""

    def __init__(self, settings: Settings, clock: Clock, store: Store, notifiers: Sequence[Notifier]) -> None:
        self._settings, self._clock, self._store, self._notifiers = settings, clock, store, notifiers
        host, zone = settings.host.label, settings.host.zone
        routes = settings.routes
        self._passes = _passes(settings)
        self._outbox = Outbox(store, notifiers, clock, routes=routes, zone=zone, passes=self._passes)
        self._rounds = Rounds(store, self._outbox, clock, settings.reminders.plan(), routes, (host, zone))
        ties = Ties({each.label: each.rests_on for each in settings.probes})
        together = Together(ties, settings.together.limits())
        self._resting = together.resting_on
        self._pipeline = Pipeline(store, self._outbox, clock, host, zone, together)
        self._schedule = Schedule(clock)
        self._workers = ThreadWorkers()
        self._keeping = Keeping(store, settings.store, clock, self._pipeline.note)
        path, most_bytes = settings.store.path, settings.store.most
        own = OwnDatabase(path, most_bytes, partial(set_aside_of, path))
        check_ins = SpooledCheckIns(store.check_ins, spool_of(path), clock.now)
        self._jobs = Jobs(_tokens(settings), check_ins, Throttle(clock))
        self._watched = watch(settings, Bench(clock, self._workers, store.notes, check_ins, own))

    async def keep_watch(self, stack: contextlib.AsyncExitStack, ready: Callable[[str], None]) -> None:
        """Restore, serve the page, run the probes; return when a signal has come and all is down again."""
        settings, stop = self._settings, _stop_event()
        stack.callback(self._workers.close)
        await self._restore()
        health = Health(self._clock, self._pipeline, self._outbox)
        named = (settings.host.label, settings.host.zone)
        hand = Hand(self._pipeline, self._schedule, self._watched, self._notifiers, self._clock, named)
        app = make_app(
            self._store,
            settings.page,
            self._clock,
            health,
            *named,
            hand,
            self._passes,
            jobs=self._jobs,
            resting=self._resting,
        )
        served = await serve_page(app, settings.page)
        stack.push_async_callback(served.cleanup)
        delivering = asyncio.create_task(self._deliver(stop))
        stack.push_async_callback(self._outbox.close, GRACE_S)
        for each in self._watched:
            self._schedule.every(each.label, each.interval_s, partial(self._pipeline.run, each))
            stack.push_async_callback(each.probe.close)
        self._schedule.every(KEEPING_LABEL, EVERY_S, self._keeping.run)
        if settings.alive.url is not None:
            alive = Alive(settings.alive, self._clock, health, settings.host.label)
            self._schedule.every(LABEL_OF_ALIVE, settings.alive.every, alive.tell)
        self._schedule.every(rounds.LABEL, rounds.EVERY_S, self._rounds.make)
        if (service := systemd.Service()).listens:
            reports = systemd.Reports(service, self._clock, health, self._store.findings, settings.host.zone)
            self._schedule.every(systemd.LABEL, reports.every_s, reports.tell)
        self._schedule.start()
        reviewing = asyncio.create_task(self._review())
        ready(served.address)
        service.tell("READY=1")
        ended = asyncio.create_task(stop.wait())
        await asyncio.wait({ended, reviewing, delivering}, return_when=asyncio.FIRST_COMPLETED)
        service.tell("STOPPING=1")
        await self._wind_down(reviewing)
        # A part that ended by itself has failed: let the reason out, so that systemd starts the daemon anew.
        for part in (reviewing, delivering):
            if part.done() and not part.cancelled() and part.exception() is not None:
                part.result()

    async def _deliver(self, stop: asyncio.Event) -> None:
        await self._outbox.run()
        await stop.wait()  # with nobody to tell, the outbox has nothing to run for

    async def _wind_down(self, reviewing: asyncio.Task[None]) -> None:
        await self._schedule.stop(GRACE_S)
        reviewing.cancel()
        await asyncio.wait({reviewing})
        await self._pipeline.note(Entry.STOP, "the watch ended")

    async def _restore(self) -> None:
        """Go on from what the store holds, and say so in the journal."""
        store, now = self._store, self._clock.now()
        last_alive = await store.last_alive()
        self._rounds.begin(last_alive)
        series = {each.key: each.first_at for each in await store.series()}
        latest = [(seen, series[seen.observation.key]) for seen in await store.latest()]
        await self._pipeline.restore(self._watched, latest, await store.findings(), await store.alerts(), last_alive)
        async for level in store.level_samples(now - REMEMBER):
            judgement = self._pipeline.judgements.get(level.key)
            if judgement is not None:
                judgement.history.extend(level.at_s, level.used, level.capacity)
        if not self._pipeline.breaks:  # else it has said so, with the time that it was away
            how = "began, with an empty database" if last_alive is None else "goes on"
            await self._pipeline.note(Entry.START, f"the watch {how}")

    async def _review(self) -> None:
        """Judge everything at steady intervals; after a gap, or when the clock was set, plan the runs anew."""
        pause_s = min(REVIEW_S, *(each.interval_s for each in self._watched), REVIEW_S)
        breaks = self._pipeline.breaks
        while True:
            await self._pipeline.review_in_time(pause_s)
            if breaks != self._pipeline.breaks:
                breaks = self._pipeline.breaks
                self._schedule.realign()


def _tokens(settings: Settings) -> dict[str, SecretSource]:
    """The secrets of those jobs that may check in over HTTP."""
    jobs = [each for each in settings.probes if isinstance(each, CheckinSettings)]
    return {each.name: each.token for each in jobs if each.token is not None}


def _passes(settings: Settings) -> Passes | None:
    """What signs and reads the links in messages, where the configuration says how the page is reached."""
    address = settings.page.address
    return None if address is None else Passes(own_key(settings.store.path.with_name(KEY_NAME)), str(address))


def _stop_event() -> asyncio.Event:
    """Set by the first SIGTERM or SIGINT."""
    stop, loop = asyncio.Event(), asyncio.get_running_loop()
    for number in (signal.SIGTERM, signal.SIGINT):
        loop.add_signal_handler(number, stop.set)
    return stop
