"""A host monitored for weeks of simulated time, with everything real except the clock and the monitored things.

Real are the store on disk, rules, pipeline, retention, periodic messages, outbox, a webhook with its receiver, and the
page, which is read now and then. Not here: printing (tests/bench/soak.py) and judging (tests/test_soak.py).
"""

import asyncio
import gc
import math
import random
import sqlite3
import threading
from collections.abc import AsyncIterator, Callable, Sequence
from contextlib import AsyncExitStack, asynccontextmanager, closing
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from functools import partial
from pathlib import Path

import aiohttp
import psutil
from aiohttp import web

from tests.support.virtual import VirtualTime
from watchkeeper.alerting.rules import Rules
from watchkeeper.config.paths import StoreSettings
from watchkeeper.daemon.actions import DaemonActions
from watchkeeper.daemon.health import Health
from watchkeeper.messages.delivery.routing import Route
from watchkeeper.messages.reminders import Reminders
from watchkeeper.model.observation import Answer, Condition, Deadline, Level, Observation, SeriesKey
from watchkeeper.notifiers.outbox.outbox import Outbox
from watchkeeper.notifiers.webhook.webhook import Webhook, WebhookSettings
from watchkeeper.periodic.messages import PeriodicMessages
from watchkeeper.periodic.retention import EVERY_S as KEEPING_S
from watchkeeper.periodic.retention import Retention
from watchkeeper.periodic.scheduler import Scheduler
from watchkeeper.runtime.pipeline import Pipeline
from watchkeeper.runtime.pipeline_state import PipelineState
from watchkeeper.runtime.runner import Runner
from watchkeeper.runtime.scheduled_probe import ScheduledProbe
from watchkeeper.store.store import Store
from watchkeeper.web.app import make_app
from watchkeeper.web.server import serve
from watchkeeper.web.settings import PageSettings

BEGAN_AT = datetime(2026, 3, 1, tzinfo=UTC)
STEP_S, DAY_S = 60.0, 86_400.0
GIB = 2.0**30
PER_PROBE = 10
READ_S = 7_200.0
"""Simulated time from one reading of the page to the next."""
KINDS = (("levels", 300.0, 0.3), ("answers", 120.0, 0.2), ("conditions", 300.0, 0.25), ("deadlines", 300.0, 0.25))
"""What is watched, how often, and its share of all series."""


class SoakTime(VirtualTime):
    """The host never sleeps."""

    def boottime_s(self) -> float:
        return self.passed_s


@dataclass(frozen=True, slots=True)
class Day:
    """The state at the end of one simulated day."""

    day: int
    rss_bytes: int
    objects: int
    handles: int
    threads: int
    database_bytes: int
    rows: dict[str, int]


class Things:
    """A probe of ten made-up things of one kind, with troubles that begin and end at random."""

    def __init__(self, kind: str, number: int, clock: SoakTime, chance: random.Random) -> None:
        self._clock, self._chance = clock, chance
        self._see = getattr(self, f"_{kind}")
        self._names = [f"{kind} {number}-{each}" for each in range(PER_PROBE)]
        self._bad_until_s = dict.fromkeys(self._names, 0.0)
        self._phase = {name: chance.random() for name in self._names}

    async def observe(self) -> Sequence[Observation]:
        """The current observations."""
        return [self._see(name) for name in self._names]

    async def close(self) -> None:
        """Nothing to release."""

    def _bad(self, name: str) -> bool:
        """Each thing is in trouble about every ten days, for up to three hours."""
        now_s = self._clock.passed_s
        if now_s > self._bad_until_s[name] and self._chance.random() < 1 / 2_500:
            self._bad_until_s[name] = now_s + self._chance.uniform(300, 10_800)
        return now_s < self._bad_until_s[name]

    def _levels(self, name: str) -> Level:
        days = self._clock.passed_s / DAY_S + self._phase[name]
        pruned = 8 * (days % 1) if self._phase[name] < 0.5 else 5 * math.sin(days * math.tau)
        used = 400 + 3 * days + pruned + self._chance.gauss(0, 0.3) + (60 if self._bad(name) else 0)
        return Level(SeriesKey(f"file system {name}", "space"), used * GIB, 1_000 * GIB)

    def _answers(self, name: str) -> Answer:
        bad = self._bad(name)
        took_s = None if bad else self._chance.uniform(0.001, 0.02)
        return Answer(SeriesKey(f"service {name}", "answer"), not bad, "connection refused" * bad, took_s)

    def _conditions(self, name: str) -> Condition:
        bad = self._bad(name)
        return Condition(SeriesKey(f"guest {name}", "state"), not bad, "paused" * bad, grave=bad)

    def _deadlines(self, name: str) -> Deadline:
        at = BEGAN_AT + timedelta(days=math.floor(self._clock.passed_s / DAY_S))
        late = timedelta(hours=3) if self._bad(name) else timedelta(hours=30)
        return Deadline(SeriesKey(f"backup {name}", "age of the newest"), at + late, at, DAY_S)


class Soak:
    """One monitored host."""

    def __init__(self, store: Store, clock: SoakTime, url: str, settings: StoreSettings, series: int) -> None:
        chance = random.Random(1)
        self.store, self.clock, self.folder = store, clock, settings.path.parent
        notifier = Webhook(WebhookSettings(kind="webhook", url=url), clock)
        self.outbox = Outbox(store, [notifier], clock, rest=clock.rest, drawn=chance.random)
        self.pipeline = Pipeline(PipelineState(store, self.outbox, clock, "gannet", UTC))
        self.retention = Retention(store, settings, clock, self.pipeline.note)
        routes = {notifier.name: Route(notifier.at_least)}
        self.periodic_messages = PeriodicMessages(store, self.outbox, clock, Reminders(), routes, ("gannet", UTC))
        self.watched = [
            ScheduledProbe(f"{kind} {number}", every_s, Things(kind, number, clock, chance), Rules())
            for kind, every_s, share in KINDS
            for number in range(max(round(share * series / PER_PROBE), 1))
        ]
        self.runner = Runner(self.pipeline, self.watched)
        self._due = {each.label: 0.0 for each in self.watched}
        self._page = ""
        self.read = 0

    @asynccontextmanager
    async def on_watch(self) -> AsyncIterator[None]:
        """Serve the page and deliver until the block ends."""
        await self.pipeline.restore(self.watched, [], [], [])
        self.periodic_messages.begin(None)
        named = ("gannet", UTC)
        health = Health(self.clock, self.pipeline.state, self.outbox)
        hand = DaemonActions(
            self.runner, Scheduler(self.clock), self.outbox, self.clock, named, self.store.keep_maintenance
        )
        settings = PageSettings(port=0)
        app = make_app(self.store, settings, self.clock, health, *named, hand, resting=self.runner.dependents_of)
        served = await serve(app, settings)
        self._page = served.address
        delivering = asyncio.create_task(self.outbox.run())
        try:
            yield
        finally:
            await self.outbox.close(2.0)
            await delivering
            await served.cleanup()

    async def live(self, days: int) -> AsyncIterator[Day]:
        """Simulate `days` days, and yield the state after each."""
        start = round(self.clock.passed_s / DAY_S)
        for day in range(start + 1, start + days + 1):
            while self.clock.passed_s < day * DAY_S:
                await self.clock.run(self.clock.passed_s + STEP_S, ())
                await self._minute()
            await self.clock.all_rest()
            yield await self._stands(day)

    async def _minute(self) -> None:
        passed_s = self.clock.passed_s
        for each in self.watched:
            if passed_s >= self._due[each.label]:
                self._due[each.label] = passed_s + each.interval_s
                await self.runner.run(each.label)
        await self.pipeline.review()
        await self.periodic_messages.make()
        if passed_s % KEEPING_S == 0:
            await self.retention.run()
        if passed_s % READ_S == 0:
            await self._reads_the_page()
            await self._acknowledges()

    async def _reads_the_page(self) -> None:
        """A client opens the page, a subject, the event log and the API, listens for changes, and disconnects."""
        async with aiohttp.ClientSession(self._page) as session:
            paths = ["/", "/events", "/api/v1/health", "/api/v1/quantities", "/api/v1/events?limit=200"]
            for path in paths:
                async with session.get(path) as answer:
                    assert answer.status in (200, 503), (path, answer.status)
                    self.read += len(await answer.read())
            async with session.get("/api/v1/stream") as stream:
                await stream.content.readany()

    async def _acknowledges(self) -> None:
        for alert in [a for a in await self.store.alerts() if a.standing]:
            await self.pipeline.acknowledge(alert.key, alert.concern)

    async def _stands(self, day: int) -> Day:
        # Closed objects are released over the next iterations of the event loop.
        await asyncio.sleep(0.05)
        gc.collect()
        path = self.store.path
        with closing(sqlite3.connect(f"file:{path}?mode=ro", uri=True)) as opened:
            tables = ("samples", "hours", "days", "events", "outbox", "findings", "alerts")
            rows = {each: int(opened.execute(f"SELECT count(*) FROM {each}").fetchone()[0]) for each in tables}
        extent = await self.store.extent()
        itself = psutil.Process()
        return Day(
            day,
            itself.memory_info().rss,
            len(gc.get_objects()),
            itself.num_fds(),
            threading.active_count(),
            extent.size_bytes,
            rows,
        )


async def _receiver(stack: AsyncExitStack, chance: Callable[[], float]) -> str:
    """A webhook receiver that accepts nine in ten requests and answers others with Retry-After; returns its address."""

    async def take(request: web.Request) -> web.Response:
        await request.read()
        return web.Response(status=503 if chance() < 0.1 else 204)

    app = web.Application()
    app.router.add_post("/", take)
    runner = web.AppRunner(app, access_log=None)
    await runner.setup()
    stack.push_async_callback(runner.cleanup)
    site = web.TCPSite(runner, "127.0.0.1", 0)
    await site.start()
    host, port = runner.addresses[0][:2]
    return f"http://{host}:{port}/"


@asynccontextmanager
async def soaking(folder: Path, series: int, *, samples_s: float, most_bytes: int) -> AsyncIterator[Soak]:
    """A monitored host with `series` series. samples_s, most_bytes: how the store is kept."""
    settings = StoreSettings(path=folder / "watchkeeper.db", samples=samples_s).model_copy(
        update={"max_size": most_bytes}
    )
    async with AsyncExitStack() as stack:
        url = await _receiver(stack, partial(random.Random(2).random))
        store = await stack.enter_async_context(await Store.open(settings.path))
        soak = Soak(store, SoakTime(1, BEGAN_AT), url, settings, series)
        await stack.enter_async_context(soak.on_watch())
        yield soak
