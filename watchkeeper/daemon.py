"""The composition root: makes every part, joins them, and takes them down in order when a signal comes.

What lives as long as the process is made once: store, clock, workers, schedule, pipeline, outbox, the page's socket.
What lives as long as a configuration is a Watch (watch.py); at SIGHUP another one is built and takes its place. Nothing
is decided here; what a part does stands in its own file.
"""

import asyncio
import contextlib
import logging
import signal
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import timedelta
from functools import partial

from watchkeeper import rounds, starting, systemd
from watchkeeper.alive import LABEL as LABEL_OF_ALIVE
from watchkeeper.alive import Alive
from watchkeeper.clock import Clock
from watchkeeper.config.keyfile import own_key
from watchkeeper.config.loading import Loaded
from watchkeeper.core.observation import Condition, Observation
from watchkeeper.core.passes import Passes
from watchkeeper.core.records import Entry
from watchkeeper.core.ties import Ties
from watchkeeper.core.together import Together
from watchkeeper.errors import ConfigError, StartError
from watchkeeper.hand import Hand
from watchkeeper.health import Health
from watchkeeper.keeping import EVERY_S, Keeping
from watchkeeper.logs.fields import Event, about
from watchkeeper.notifiers.outbox import Outbox
from watchkeeper.pipeline import Pipeline
from watchkeeper.planning.planner import HostPlanner
from watchkeeper.privileged import descriptors
from watchkeeper.probes.base import Bench, OwnDatabase
from watchkeeper.probes.workers import ThreadWorkers
from watchkeeper.rounds import Rounds
from watchkeeper.schedule import Schedule
from watchkeeper.settings import Settings
from watchkeeper.starting import Doubt
from watchkeeper.store.mending import set_aside_of
from watchkeeper.store.spool import SpooledCheckIns, spool_of
from watchkeeper.store.store import Store
from watchkeeper.watch import Watch, build, check_in_place, watch
from watchkeeper.watched import Watched, look
from watchkeeper.web.app import make_app
from watchkeeper.web.auth.budgets import Tries
from watchkeeper.web.auth.tokens import JobTokens
from watchkeeper.web.checkin import Jobs
from watchkeeper.web.serve import Served
from watchkeeper.web.serve import serve as serve_page

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


async def serve(settings: Settings, *, ready: Callable[[str], None], reread: Callable[[], Loaded[Settings]]) -> None:
    """Be on watch until SIGTERM or SIGINT. ready: called once with the page's address when everything runs.

    reread: reads the configuration anew, in a thread, at each SIGHUP; raises ConfigError. Raises StartError and
    StoreError where the daemon cannot start here; nothing is left running then.
    """
    descriptors.raise_limit()
    clock, again = Clock(), _set_by(asyncio.Event(), signal.SIGHUP)
    async with contextlib.AsyncExitStack() as stack:
        store = await Store.open(settings.store.path, mend_at=clock.now())
        stack.push_async_callback(store.close)
        await _Daemon(settings, clock, store).keep_watch(stack, ready, _Reloads(again, reread))


@dataclass(frozen=True, slots=True)
class _Reloads:
    """asked: set where the configuration is to be read anew, which `reread` does."""

    asked: asyncio.Event
    reread: Callable[[], Loaded[Settings]]


class _Daemon:
    """One life of the daemon on an open store: what lives as long as the process, and the watch that it keeps."""

    def __init__(self, settings: Settings, clock: Clock, store: Store) -> None:
        self._clock, self._store = clock, store
        host, zone, path = settings.host.label, settings.host.zone, settings.store.path
        self._workers, self._schedule = ThreadWorkers(), Schedule(clock)
        check_ins = SpooledCheckIns(store.check_ins, spool_of(path), clock.now)
        own = OwnDatabase(path, settings.store.most, partial(set_aside_of, path), store.quarantined)
        self._watch = build(settings, Bench(clock, self._workers, store.notes, check_ins, own), clock)
        self._tokens = self._watch.tokens
        self._jobs = Jobs(JobTokens(self._tokens), check_ins, Tries(clock))
        self._passes, routes = _passes(settings), settings.routes
        notifiers = self._watch.notifiers
        self._outbox = Outbox(store, notifiers, clock, routes=routes, zone=zone, passes=self._passes)
        self._rounds = Rounds(store, self._outbox, clock, settings.reminders.plan(), routes, (host, zone))
        together = Together(Ties(self._watch.rests_on), settings.together.limits())
        self._resting = together.resting_on
        self._pipeline = Pipeline(store, self._outbox, clock, host, zone, together)
        self._keeping = Keeping(store, settings.store, clock, self._pipeline.note, store.notes)
        self._health = Health(clock, self._pipeline, self._outbox)
        named = (host, zone)
        self._hand = Hand(self._pipeline, self._schedule, self._watch.watched, notifiers, clock, named)
        self._planner = HostPlanner(settings, store, self._watch.bench)
        self._service = systemd.Service()
        self._ending = asyncio.Event()
        self._own: tuple[Watched, ...] = ()

    async def keep_watch(
        self, stack: contextlib.AsyncExitStack, ready: Callable[[str], None], reloads: _Reloads
    ) -> None:
        """Restore, serve the page, run the probes; return when a signal has come and all is down again."""
        _set_by(self._ending, signal.SIGTERM, signal.SIGINT)
        stack.callback(self._workers.close)
        await self._look_at_clock(self._ending)
        await self._restore()
        served = await self._serve_page()
        stack.push_async_callback(served.cleanup)
        delivering = asyncio.create_task(self._outbox.run())
        stack.push_async_callback(self._outbox.close, GRACE_S)
        stack.push_async_callback(self._close_probes)
        self._plan()
        self._schedule.start()
        reviewing = asyncio.create_task(self._review())
        ready(served.address)
        self._service.tell("READY=1")
        reloading = asyncio.create_task(self._reload_when_asked(reloads))
        ended = asyncio.create_task(self._ending.wait())
        parts = (reviewing, delivering, reloading)
        await asyncio.wait({ended, *parts}, return_when=asyncio.FIRST_COMPLETED)
        self._service.tell("STOPPING=1")
        await self._wind_down(reviewing, reloading)
        # A part that ended by itself has failed: let the reason out, so that systemd starts the daemon anew.
        for part in parts:
            if part.done() and not part.cancelled() and part.exception() is not None:
                part.result()

    async def _look_at_clock(self, stop: asyncio.Event) -> None:
        """Wait a little for a clock that is before the newest sample to be set; then begin in doubt."""
        newest = max((seen.at for seen in await self._store.latest()), default=None)
        if newest is None:
            return
        doubt = Doubt(self._clock, newest, starting.keeps_time, self._believe)

        def say(status: str) -> None:
            self._service.tell(f"STATUS={status[: systemd.LONGEST_STATUS]}")

        if not await doubt.settles(stop, say, starting.WAIT_S, starting.LOOK_S):
            log.error("the clock: %s", doubt.why, extra=about(Event.START))
            self._pipeline.recording = False
            self._own = (doubt.watched(),)

    def _believe(self) -> None:
        self._pipeline.recording = True

    @property
    def _watched(self) -> tuple[Watched, ...]:
        """All probes: those of the configuration, and the daemon's own."""
        return (*self._watch.watched, *self._own)

    async def _serve_page(self) -> Served:
        settings = self._watch.settings
        app = make_app(
            self._store,
            settings.page,
            self._clock,
            self._health,
            settings.host.label,
            settings.host.zone,
            self._hand,
            self._passes,
            jobs=self._jobs,
            resting=self._resting,
            planner=self._planner,
            browser_key=_browser_key(settings),
        )
        return await serve_page(app, settings.page)

    async def _close_probes(self) -> None:
        for each in reversed(self._watch.watched):
            await each.probe.close()

    def _plan(self) -> None:
        """Have everything run that runs at steady intervals."""
        for each in self._watched:
            self._schedule.every(each.label, each.interval_s, partial(self._run, each.label))
        self._schedule.every(KEEPING_LABEL, EVERY_S, self._keeping.run)
        self._tell_alive()
        self._schedule.every(rounds.LABEL, rounds.EVERY_S, self._rounds.make)
        if self._service.listens:
            zone = self._watch.settings.host.zone
            reports = systemd.Reports(self._service, self._clock, self._health, self._store.findings, zone)
            self._schedule.every(systemd.LABEL, reports.every_s, reports.tell)

    def _tell_alive(self) -> None:
        settings = self._watch.settings
        if settings.alive.url is not None:
            alive = Alive(settings.alive, self._clock, self._health, settings.host.label)
            self._schedule.every(LABEL_OF_ALIVE, settings.alive.every, alive.tell)

    async def _run(self, label: str) -> None:
        """Run a probe once; what it says is judged as the configuration says by then.

        What was looked at while a stop was asked for is let go: a host that goes down ends all that it runs.
        """
        watched = {each.label: each for each in self._watched}
        observed, own = await look(watched[label])
        if self._ending.is_set():
            return
        now = {each.label: each for each in self._watched}
        await self._pipeline.take(now.get(label, watched[label]), observed, own)

    # Another configuration ----------------------------------------------------------------------------------------

    async def _reload_when_asked(self, reloads: _Reloads) -> None:
        while True:
            await reloads.asked.wait()
            reloads.asked.clear()
            # sd_notify(3): with the time of CLOCK_MONOTONIC, so that systemd can tell this reload from one before.
            began_us = int(self._clock.monotonic_s() * 1e6)
            self._service.tell("RELOADING=1", f"MONOTONIC_USEC={began_us}")
            await self._reload(reloads.reread)
            self._service.tell("READY=1")

    async def _reload(self, reread: Callable[[], Loaded[Settings]]) -> None:
        """Build what the configuration says now, then put it to work; where it has errors, go on with the old one."""
        before = self._watch
        try:
            loaded = await asyncio.to_thread(reread)
            check_in_place(loaded.settings, before.settings, loaded.path)
            after = build(loaded.settings, self._bench_for(loaded.settings), self._clock, before)
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
        self._health.refused = ""
        await self._pipeline.note(Entry.CONFIGURATION, _difference(before, after))

    def _bench_for(self, settings: Settings) -> Bench:
        bench = self._watch.bench
        if bench.database is None or bench.database.most_bytes == settings.store.most:
            return bench
        return replace(bench, database=replace(bench.database, most_bytes=settings.store.most))

    async def _refuse(self, errors: str, count: int) -> None:
        log.error("%s", errors, extra=about(Event.RELOAD))
        said = f"the new configuration has {count} error{'' if count == 1 else 's'} and was not taken"
        self._health.refused = f"{said}; the one before holds: run watchkeeper check-config"
        await self._pipeline.note(Entry.CONFIGURATION, f"{said}; the one before holds", errors=errors)

    async def _put_to_work(self, after: Watch) -> None:
        """Runs of what goes are waited for and end by the old configuration; then the new one holds all at once."""
        before, settings = self._watch, after.settings
        staying = {(e.label, id(e.probe), e.interval_s) for e in after.watched}
        gone = [e for e in before.watched if (e.label, id(e.probe), e.interval_s) not in staying]
        alive_too = before.settings.alive != settings.alive
        also = [LABEL_OF_ALIVE] if alive_too and before.settings.alive.url is not None else []
        await self._schedule.drop([*(e.label for e in gone), *also], GRACE_S)
        self._watch = after
        self._pipeline.change(self._watched, after.rests_on, settings.together.limits())
        self._rounds.change(settings.reminders.plan(), settings.routes)
        self._keeping.change(settings.store)
        self._hand.change(after.watched, after.notifiers)
        self._planner.change(settings, after.bench)
        self._tokens.clear()
        self._tokens.update(after.tokens)
        for each in gone:
            await each.probe.close()
        known = {e.label for e in before.watched} - {e.label for e in gone}
        for each in after.watched:
            if each.label not in known:
                self._schedule.every(each.label, each.interval_s, partial(self._run, each.label))
        if alive_too:
            self._tell_alive()
        await self._outbox.change(after.notifiers, settings.routes, settings.host.zone, GRACE_S)

    async def _wind_down(self, *tasks: asyncio.Task[None]) -> None:
        for task in tasks[1:]:
            task.cancel()
            await asyncio.wait({task})
        await self._schedule.stop(GRACE_S)
        tasks[0].cancel()
        await asyncio.wait({tasks[0]})
        await self._pipeline.note(Entry.STOP, "the watch ended")

    async def _restore(self) -> None:
        """Go on from what the store holds, and say so in the journal."""
        store, now = self._store, self._clock.now()
        last_alive = await store.last_alive()
        self._rounds.begin(last_alive)
        await self._keeping.begin(last_alive)
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
        breaks = self._pipeline.breaks
        while True:
            pause_s = min((each.interval_s for each in self._watch.watched), default=REVIEW_S)
            pause_s = min(pause_s, REVIEW_S)
            await self._pipeline.review_in_time(pause_s)
            if breaks != self._pipeline.breaks:
                breaks = self._pipeline.breaks
                self._schedule.realign()


def _passes(settings: Settings) -> Passes | None:
    """What signs and reads the links in messages, where the configuration says how the page is reached."""
    address = settings.page.address
    return None if address is None else Passes(own_key(settings.store.path.with_name(KEY_NAME)), str(address))


def _browser_key(settings: Settings) -> bytes | None:
    """The key by which the page recognises browsers. The watch does not stay down for want of it."""
    if settings.page.password is None:
        return None
    try:
        return own_key(settings.store.path.with_name(KEY_NAME))
    except StartError as error:
        log.warning("%s; until then a restart forgets which browsers signed in", error, extra=about(Event.PAGE))
        return None


def _difference(before: Watch, after: Watch) -> str:
    """What a reload changed, for the journal."""
    said = []
    for what, old, new in (
        ("probe", {e.label: e for e in before.watched}, {e.label: e for e in after.watched}),
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


def _set_by(event: asyncio.Event, *numbers: signal.Signals) -> asyncio.Event:
    """Let each of these signals set an event."""
    loop = asyncio.get_running_loop()
    for number in numbers:
        loop.add_signal_handler(number, event.set)
    return event
