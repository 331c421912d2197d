"""The simulation behind the demo: a real store, runner, outbox and page with a clock that is advanced by the program.

Nothing on the page is faked: the story's observations take the same path as a probe's. Not here: what happens
(story.py), and printing (cli/commands/demo.py).
"""

import asyncio
from collections.abc import Callable, Sequence
from contextlib import AsyncExitStack
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta, tzinfo
from pathlib import Path

from watchkeeper.alerting.rules import Rules
from watchkeeper.clock import Clock
from watchkeeper.config.paths import StoreSettings
from watchkeeper.config.tables.host import HostSettings
from watchkeeper.config.types import SecretSource
from watchkeeper.daemon.actions import DaemonActions
from watchkeeper.daemon.health import Health
from watchkeeper.demo import story
from watchkeeper.demo.planning import DemoPlanner
from watchkeeper.demo.story import Moment
from watchkeeper.model.alert import Priority
from watchkeeper.model.message import Message
from watchkeeper.model.observation import Observation
from watchkeeper.model.records import Commit, Entry, Seen
from watchkeeper.notifiers.outbox.outbox import Outbox
from watchkeeper.probes.base import BaseProbe, ProbeContext
from watchkeeper.probes.support.workers import ThreadWorkers
from watchkeeper.runtime.pipeline import Pipeline
from watchkeeper.runtime.pipeline_state import PipelineState
from watchkeeper.runtime.runner import Runner
from watchkeeper.runtime.scheduled_probe import ScheduledProbe
from watchkeeper.settings import known_model
from watchkeeper.store.store import Store
from watchkeeper.web.app import make_app
from watchkeeper.web.auth import passwords
from watchkeeper.web.server import Served, serve
from watchkeeper.web.settings import PageSettings

STEP_S = 60.0
"""The step of simulated time: a pipeline that does not run for longer takes that for a gap."""
BATCH = 2_000
HISTORY_STEP = timedelta(minutes=30)
GRACE_S = 2.0


class SimulatedClock(Clock):
    """All three clocks, advanced by the program."""

    def __init__(self, at: datetime) -> None:
        self._at, self._ran_s = at, 0.0

    def now(self) -> datetime:
        """The simulated time."""
        return self._at

    def monotonic_s(self) -> float:
        """Seconds of simulated time since it began."""
        return self._ran_s

    def boottime_s(self) -> float:
        """The same: the simulation never sleeps."""
        return self._ran_s

    def move(self, seconds: float) -> None:
        """Let time pass."""
        self._at += timedelta(seconds=seconds)
        self._ran_s += seconds


class PageClock(Clock):
    """The simulated time on the page; but the length of a session is measured in the visitor's real time."""

    def __init__(self, stage: SimulatedClock) -> None:
        self._stage = stage

    def now(self) -> datetime:
        """The simulated time."""
        return self._stage.now()


@dataclass
class DemoProbe(BaseProbe):
    """A probe of the story."""

    see: Callable[[Moment], Sequence[Observation]]
    clock: Clock
    begun_at: datetime

    async def observe(self) -> Sequence[Observation]:
        """What there is to see at this moment."""
        return self.see(Moment(self.clock.now(), self.begun_at))


@dataclass
class Listener:
    """A notifier that hands each message to a function."""

    hear: Callable[[Message], None]
    name: str = "terminal"
    at_least: Priority = Priority.CAUTION

    async def deliver(self, message: Message) -> None:
        """Pass the message on."""
        self.hear(message)

    async def close(self) -> None:
        """There is nothing to release."""


@dataclass
class Simulation:
    """A running demo. due: when each probe runs next, by its label."""

    clock: SimulatedClock
    store: Store
    runner: Runner
    begun_at: datetime
    served: Served | None = None
    due: dict[str, datetime] = field(default_factory=dict)

    @property
    def address(self) -> str:
        """Where the page is; empty before it is served."""
        return self.served.address if self.served else ""

    def now(self, label: str) -> asyncio.Future[None]:
        """Run a probe at once, at the operator's request. Raises KeyError for an unknown label."""
        return asyncio.ensure_future(self.runner.run(label))

    async def advance(self, seconds: float) -> None:
        """Advance the simulated time by this much, in steps."""
        for _ in range(int(seconds // STEP_S)):
            before = Moment(self.clock.now(), self.begun_at).into
            self.clock.move(STEP_S)
            now = self.clock.now()
            for each in self.runner.probes:
                if self.due.get(each.label, now) <= now:
                    self.due[each.label] = now + timedelta(seconds=each.interval_s)
                    await self.runner.run(each.label)
            await self.runner.review()
            after = Moment(now, self.begun_at).into
            for at, words in story.NOTES:
                if before < at <= after:
                    await self.runner.pipeline.note(Entry.NOTE, words)


@dataclass(frozen=True, slots=True)
class DemoOptions:
    """The options of the demo.

    place: an empty folder. hear: is called with each message. begun_at: when the story begins. skip: how far into the
    story the simulation starts.
    """

    place: Path
    port: int
    password: str
    hear: Callable[[Message], None]
    begun_at: datetime
    zone: tzinfo = UTC
    skip: timedelta = timedelta()


async def build(bill: DemoOptions, stack: AsyncExitStack) -> Simulation:
    """Set the simulation up, with a month of history, and serve its page; the stack shuts it down."""
    clock = SimulatedClock(bill.begun_at + bill.skip)
    store = await stack.enter_async_context(await Store.open(bill.place / "demo.db"))
    listener = Listener(bill.hear)
    outbox = Outbox(store, [listener], clock, zone=bill.zone)
    named = ("gannet", bill.zone)
    state = PipelineState(store, outbox, clock, *named)
    probes = [
        ScheduledProbe(n, every_s, DemoProbe(see, clock, bill.begun_at), Rules()) for n, every_s, see in story.PROBES
    ]
    runner = Runner(Pipeline(state, story.DEPENDS_ON), probes)
    await _live_through(store, bill.begun_at, clock.now())
    await runner.start(store, clock.now() - story.HISTORY)
    await runner.pipeline.note(Entry.START, "monitoring of gannet continues; everything here is invented")
    settings = PageSettings(port=bill.port, password=_password(bill))
    stage = Simulation(clock, store, runner, bill.begun_at)
    hand = DaemonActions(runner, stage, outbox, clock, named, store.keep_maintenance)
    health, visitor = Health(clock, state), PageClock(clock)
    planner = _planner(bill, store, visitor, stack)
    app = make_app(
        store,
        settings,
        visitor,
        health,
        *named,
        hand,
        resting=runner.dependents_of,
        planner=planner,
        states=store.probe_states,
        facts=lambda: story.HOUSE,
    )
    stage.served = await serve(app, settings)
    stack.push_async_callback(stage.served.cleanup)
    delivering = asyncio.create_task(outbox.run())
    stack.push_async_callback(_end, outbox, delivering)
    return stage


def _planner(bill: DemoOptions, store: Store, clock: Clock, stack: AsyncExitStack) -> DemoPlanner:
    """The planner of the page; it sees only the story."""
    workers = ThreadWorkers()
    stack.callback(workers.close)
    known = known_model()(
        watch_host=False, host=HostSettings(name="gannet"), store=StoreSettings(path=bill.place / "demo.db")
    )
    return DemoPlanner(known, store, ProbeContext(clock, workers), lambda: Moment(clock.now(), bill.begun_at))


async def _end(outbox: Outbox, delivering: asyncio.Task[None]) -> None:
    await outbox.close(GRACE_S)
    await delivering


async def _live_through(store: Store, begun_at: datetime, until: datetime) -> None:
    """Write the ordinary month before the story, as the daemon would have done."""
    seen: list[Seen] = []
    at = until - story.HISTORY
    while at < until:
        for label, every_s, see in story.PROBES:
            seen += [Seen(at, each, label, every_s) for each in see(Moment(at, begun_at))]
        at += HISTORY_STEP
        if len(seen) >= BATCH:
            await store.commit(Commit(seen=tuple(seen)))
            seen.clear()
    await store.commit(Commit(seen=tuple(seen)))


def _password(bill: DemoOptions) -> SecretSource:
    path = bill.place / "page-password"
    path.touch(mode=0o600)
    path.write_text(f"{passwords.make(bill.password)}\n")
    return SecretSource(file=path)
