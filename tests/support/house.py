"""A pipeline on an in-memory store, with clocks that the test moves, independently of each other if needed."""

from collections.abc import Mapping, Sequence
from datetime import UTC, datetime, timedelta, tzinfo

from watchkeeper.alerting.rules import NotAnsweringRule, Rules
from watchkeeper.clock import Clock
from watchkeeper.errors import StoreError, StoreFull
from watchkeeper.model.alert import Alert, Concern
from watchkeeper.model.finding import Finding
from watchkeeper.model.message import Message
from watchkeeper.model.observation import Observation, SeriesKey
from watchkeeper.model.operator.decision import RouteChoice
from watchkeeper.model.records import Commit, Delivery, EventLine, Seen
from watchkeeper.runtime.pipeline import Pipeline
from watchkeeper.runtime.pipeline_state import PipelineState
from watchkeeper.runtime.scheduled_probe import ScheduledProbe, look
from watchkeeper.runtime.series_registry import SeriesRegistry

START = datetime(2026, 3, 1, 6, 0, tzinfo=UTC)
SECOND, MINUTE, HOUR, DAY = timedelta(seconds=1), timedelta(minutes=1), timedelta(hours=1), timedelta(days=1)

REVIEW_EVERY = timedelta(seconds=15)
"""As in the daemon."""


class Hands(Clock):
    """Clocks that the test sets."""

    def __init__(self) -> None:
        self.at, self.ran, self.slept = START, timedelta(), timedelta()

    def now(self) -> datetime:
        return self.at

    def monotonic_s(self) -> float:
        return self.ran.total_seconds()

    def boottime_s(self) -> float:
        return (self.ran + self.slept).total_seconds()

    def run(self, time: timedelta) -> None:
        """Let time pass normally on all clocks."""
        self.at += time
        self.ran += time

    def suspend(self, time: timedelta) -> None:
        """Suspend the host."""
        self.at += time
        self.slept += time

    def set(self, by: timedelta) -> None:
        """Set the wall clock."""
        self.at += by


class Shelf:
    """A store that collects commits, or raises the configured error."""

    def __init__(self) -> None:
        self.commits: list[Commit] = []
        self.trouble: StoreError | None = None
        self.aside: list[Commit] = []
        self.has_reserve = True
        self.taken_over = True

    async def commit(self, commit: Commit, *, with_kept: bool = False) -> None:
        if self.trouble is not None:
            raise self.trouble
        self.taken_over = self.taken_over or with_kept
        assert self.taken_over or not commit.alerts, "what is kept must be in the first commit"
        self.commits.append(commit)

    async def keep_aside(self, commit: Commit) -> bool:
        if self.has_reserve:
            self.aside.append(commit)
            self.taken_over = commit == Commit()
        return self.has_reserve

    def fill(self) -> None:
        """Make the store full."""
        self.trouble = StoreFull("there is no room left to write watchkeeper.db: free some space on its file system")

    def free(self) -> None:
        """Make space available again."""
        self.trouble = None

    @property
    def seen(self) -> list[Seen]:
        return [seen for commit in self.commits for seen in commit.seen]

    @property
    def events(self) -> list[EventLine]:
        return [line for commit in self.commits for line in commit.events]

    @property
    def deliveries(self) -> list[Delivery]:
        return [delivery for commit in self.commits for delivery in commit.deliveries]

    @property
    def alerts(self) -> dict[tuple[SeriesKey, Concern], Alert]:
        return {(a.key, a.concern): a for commit in self.commits for a in commit.alerts}

    @property
    def findings(self) -> dict[tuple[SeriesKey, Concern], Finding]:
        return {(f.key, f.concern): f for commit in self.commits for f in commit.findings}


class Desk:
    """An outbox with one notifier that receives every message."""

    def __init__(self) -> None:
        self.pokes = 0
        self.held: list[Delivery] = []
        self.ever_held: list[Delivery] = []

    def deliveries_for(self, message: Message, at: datetime) -> tuple[Delivery, ...]:
        return (Delivery("mail", message, at, at),)

    def choices(self, _message: Message, _at: datetime) -> tuple[RouteChoice, ...]:
        return (RouteChoice("mail"),)

    def poke(self) -> None:
        self.pokes += 1

    @property
    def holding(self) -> int:
        return len(self.held)

    def hold(self, deliveries: Sequence[Delivery]) -> None:
        self.held += deliveries
        self.ever_held += [p for p in deliveries if p not in self.ever_held]

    def take_back(self) -> tuple[Sequence[Delivery], Sequence[EventLine]]:
        taken, self.held = self.held, []
        return taken, []


class Script:
    """A probe that returns or raises a sequence of results, and repeats the last one."""

    def __init__(self, *runs: Sequence[Observation] | Exception) -> None:
        self.runs = list(runs)

    async def observe(self) -> Sequence[Observation]:
        run = self.runs.pop(0) if len(self.runs) > 1 else self.runs[0]
        if isinstance(run, Exception):
            raise run
        return run

    async def close(self) -> None:
        pass


class House:
    """A pipeline with everything that it depends on."""

    def __init__(self, depends_on: Mapping[str, Sequence[str]] | None = None, zone: tzinfo = UTC) -> None:
        self.clock, self.store, self.desk, self.zone = Hands(), Shelf(), Desk(), zone
        self.depends_on = depends_on
        self.pipeline = self.made()

    def made(self) -> Pipeline:
        return Pipeline(PipelineState(self.store, self.desk, self.clock, "gannet", self.zone), self.depends_on)

    @property
    def registry(self) -> SeriesRegistry:
        """The monitored series."""
        return self.pipeline.state.registry

    async def look(self, probe: ScheduledProbe) -> None:
        """Run a probe now."""
        observed, own = await look(probe)
        await self.pipeline.take(probe, observed, own)

    def reload(self, *probes: ScheduledProbe) -> None:
        """Switch to another configuration."""
        self.pipeline = Pipeline(self.pipeline.state, self.depends_on, before=self.pipeline)
        self.pipeline.adopt(probes)

    async def run(self, *watched: ScheduledProbe, after: timedelta = MINUTE) -> None:
        """Let time pass, with the reviews that are due in it, and run the probes."""
        await self.wait(after - SECOND)
        self.clock.run(SECOND)
        for each in watched:
            await self.look(each)

    async def wait(self, time: timedelta) -> None:
        """Let time pass, with a review every 15 s; for a day or more every 50 s, which is equivalent."""
        step = REVIEW_EVERY if time < DAY else timedelta(seconds=50)
        while time > timedelta():
            self.clock.run(min(step, time))
            time -= step
            await self.pipeline.review()

    async def restart(self, watched: Sequence[ScheduledProbe], away: timedelta = timedelta()) -> None:
        """End this daemon run and start another one on the same store, after a time without power."""
        last_commit_at = max((line.at for line in self.store.events), default=None)
        last_commit_at = max(filter(None, (last_commit_at, *(s.at for s in self.store.seen))), default=None)
        self.clock.run(away)
        self.pipeline, self.desk.held = self.made(), []
        first = {s.observation.key: s.at for s in reversed(self.store.seen)}
        latest = [(s, first[key]) for key, s in {s.observation.key: s for s in self.store.seen}.items()]
        await self.pipeline.restore(
            watched, latest, self.store.findings.values(), list(self.store.alerts.values()), last_commit_at
        )

    @property
    def messages(self) -> list[Message]:
        return [delivery.message for delivery in self.store.deliveries]

    @property
    def told(self) -> list[str]:
        return [message.headline for message in self.messages]


def watched(
    *runs: Sequence[Observation] | Exception, label: str = "hide-hub", rules: Rules | None = None, every_s: float = 60.0
) -> ScheduledProbe:
    """A probe that runs every minute, with the default rules, except that one minute without an answer is reported."""
    return ScheduledProbe(label, every_s, Script(*runs), rules or Rules(not_answering=NotAnsweringRule(warning_s=60.0)))
