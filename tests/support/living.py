"""Runs the scripted year, or a part of it, with the real pipeline, and states what each message was about.

Time moves in steps of a quarter of an hour in quiet periods, and of one minute around the script's events: a year with
one run a minute would take an hour. The pool is sampled every half-hour, other levels every one to three hours, and a
store that fills within hours as often as time moves, at most every five minutes. The stall limit is raised, so that a
step of a quarter of an hour does not count as a stall of the daemon.
Not here: the script (year.py).
"""

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from unittest import mock

from tests.support.house import Desk, Hands
from tests.support.year import BEGAN_AT, DAY, DEPENDS_ON, HOUR, MINUTE, NEVER, ZONE, Happening, Year, awake, day_of
from watchkeeper.alerting import clock_gaps
from watchkeeper.alerting.rules import Rules
from watchkeeper.config.tables.reminders import RemindersSettings
from watchkeeper.manual.runbook import first_step
from watchkeeper.messages.reminders import newest_due, remind
from watchkeeper.model.alert import Alert, Concern, NotificationKind, State
from watchkeeper.model.finding import Finding
from watchkeeper.model.message import Message
from watchkeeper.model.observation import Observation, SeriesKey
from watchkeeper.model.records import Commit, Seen
from watchkeeper.probes.host.memory import MemorySettings
from watchkeeper.runtime.pipeline import Pipeline
from watchkeeper.runtime.pipeline_state import PipelineState
from watchkeeper.runtime.scheduled_probe import ScheduledProbe, look

QUIET, BUSY = 15 * MINUTE, MINUTE
BUSY_LEVELS_S = 300.0
STALL_S = QUIET.total_seconds() + 1
HELD_BY = HOUR / 2
"""Around a beginning and an end, time moves by minutes for so long."""

ASKS = frozenset({NotificationKind.RAISED, NotificationKind.WORSE, NotificationKind.REMINDED, NotificationKind.NOTED})
"""What asks for the operator's attention; the others are good news of something that they were told."""

PLAN = RemindersSettings().plan()


@dataclass(frozen=True, slots=True)
class Told:
    """A message and the part of the script that it was about; None: no part of it."""

    message: Message
    because: Happening | None

    @property
    def asks(self) -> bool:
        """Whether it asks for attention."""
        return self.message.kind in ASKS

    @property
    def useful(self) -> bool:
        """Whether the operator could act on it."""
        return self.asks and self.because is not None and self.because.acts


class Tray:
    """A store that keeps what a restart needs, but no samples."""

    def __init__(self) -> None:
        self.latest: dict[SeriesKey, Seen] = {}
        self.first: dict[SeriesKey, datetime] = {}
        self.alerts: dict[tuple[SeriesKey, Concern], Alert] = {}
        self.findings: dict[tuple[SeriesKey, Concern], Finding] = {}
        self.new: list[Message] = []

    async def keep_aside(self, _commit: Commit) -> bool:
        """It has no place for that."""
        return False

    async def commit(self, commit: Commit, *, with_kept: bool = False) -> None:  # noqa: ARG002  one signature for all
        """Accept a commit."""
        for seen in commit.seen:
            self.latest[seen.observation.key] = seen
            self.first.setdefault(seen.observation.key, seen.at)
        self.alerts.update({(a.key, a.concern): a for a in commit.alerts})
        self.findings.update({(f.key, f.concern): f for f in commit.findings})
        self.new += [delivery.message for delivery in commit.deliveries]


@dataclass
class Sight:
    """A probe of the script."""

    year: Year
    place: int
    clock: Hands

    async def observe(self) -> Sequence[Observation]:
        """What the script shows at this time."""
        return self.year.probes()[self.place][2](self.clock.now())

    async def close(self) -> None:
        """There is nothing to release."""


USUAL = {"memory": MemorySettings.usual_rules.rules()}
"""Rules that a kind of probe has by itself, by the names of the year's probes."""


@dataclass
class Living:
    """A part of the year as it is run. told: every message, in order."""

    year: Year
    begins_at: datetime = BEGAN_AT
    told: list[Told] = field(default_factory=list)
    knows: list[tuple[datetime, SeriesKey, Concern]] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.clock, self.tray = Hands(), Tray()
        self.clock.at = self.begins_at
        self.watched = [
            ScheduledProbe(label, every_s, Sight(self.year, place, self.clock), USUAL.get(label, Rules()))
            for place, (label, every_s, _) in enumerate(self.year.probes())
        ]
        self.due = dict.fromkeys((each.label for each in self.watched), self.begins_at)
        self.pipeline = self._made()
        self._reminded_at = self.begins_at
        self._threads: dict[str, Happening | None] = {}
        for each in self.year.troubles:
            if each.begins_at < self.begins_at:
                each.ends_at = each.begins_at

    def _made(self) -> Pipeline:
        return Pipeline(PipelineState(self.tray, Desk(), self.clock, "gannet", ZONE), DEPENDS_ON)

    async def until(self, end: datetime) -> None:
        """Continue until then."""
        with mock.patch.object(clock_gaps, "STALL_S", STALL_S):
            while self.clock.now() < end:
                before = self.clock.now()
                self.clock.run(BUSY if self._busy(before) else QUIET)
                await self._breaks(before, self.clock.now())
                await self._look()
                await self._review()
                self._remind()
                self._hear()
                await self._acknowledge()

    async def _review(self) -> None:
        """Review after every run near trouble; once an hour in quiet periods, as each run evaluates its own results."""
        now = self.clock.now()
        if self._busy(now) or now.minute < QUIET / MINUTE:
            await self.pipeline.review()

    def _busy(self, now: datetime) -> bool:
        """Whether anything near needs smaller steps."""
        troubles = [e for e in self.year.troubles if not self._slow(e)]
        edges = [at for e in troubles for at in (e.begins_at, e.ends_at) if at is not NEVER]
        edges += [at for at, _ in self.year.clock_sets]
        near = any(-QUIET <= now - at <= HELD_BY for at in edges)
        restart = any(each.begins_at - QUIET <= now <= each.ends_at + 5 * MINUTE for each in self.year.restarts)
        return near or restart or self._hasty(now)

    def _hasty(self, now: datetime) -> bool:
        """Whether anything is active that must be sampled every minute."""
        hasty = ("tide-log chatters", "the network")
        return any(each.on(now) and each.name.startswith(hasty) for each in self.year.troubles)

    def _levels_every_s(self, every_s: float) -> float:
        fills = ("a log runs away", "tide-log's store")
        near = any(
            self.clock.now() - e.begins_at >= -QUIET and (e.ends_at is NEVER or self.clock.now() <= e.ends_at + HELD_BY)
            for e in self.year.troubles
            if e.name.startswith(fills)
        )
        return min(BUSY_LEVELS_S, every_s) if near else every_s

    @staticmethod
    def _slow(each: Happening) -> bool:
        return each.told_within is not None and each.told_within >= DAY

    async def _look(self) -> None:
        now = self.clock.now()
        busy = self._busy(now)
        for each in self.watched:
            levels = each.interval_s > QUIET.total_seconds()
            every_s = self._levels_every_s(each.interval_s) if levels else 60.0 if busy else each.interval_s
            due_at = min(self.due[each.label], now + timedelta(seconds=every_s))
            if due_at <= now or self.due[each.label] - now > timedelta(seconds=every_s):
                self.due[each.label] = now + timedelta(seconds=every_s)
                observed, own = await look(each)
                await self.pipeline.take(each, observed, own)
            else:
                self.due[each.label] = due_at

    async def _breaks(self, before: datetime, now: datetime) -> None:
        """The host is restarted, loses its power, or its clock is set."""
        cut = next(each for each in self.year.troubles if each.name == "power cut")
        if before < cut.begins_at <= now:
            await self._restart(cut.ends_at - now)
        if any(before < at <= now for at in self.year.reboots):
            await self._restart(4 * MINUTE)
        if self.year.clock_sets and before < self.year.clock_sets[0][0] <= now:
            self.clock.set(self.year.clock_sets.pop(0)[1])
            self._reminded_at = min(self._reminded_at, self.clock.now())

    async def _restart(self, away: timedelta) -> None:
        """End this daemon run and start another one, as the daemon does."""
        alive_at, old = self.clock.now(), self.pipeline
        self.clock.run(away)
        self.pipeline = self._made()
        latest = [(seen, self.tray.first[key]) for key, seen in self.tray.latest.items()]
        alerts = list(self.tray.alerts.values())
        await self.pipeline.restore(self.watched, latest, self.tray.findings.values(), alerts, alive_at)
        for key, entry in self.pipeline.state.registry.items():
            entry.evaluator.history = old.state.registry[key].evaluator.history

    def _remind(self) -> None:
        """Send reminders of unacknowledged alerts, by the default settings."""
        now = self.clock.now()
        for key, alert in self.tray.alerts.items():
            due = newest_due(alert, PLAN, self._reminded_at, now) if alert.state is State.ACTIVE else None
            if due is not None:
                seen = self.tray.latest.get(alert.key)
                found = self.tray.findings[key]
                told = remind(alert, found, seen.observation if seen else None, due, now, "gannet", ZONE, first_step)
                self.tray.new.append(told)
        self._reminded_at = now

    def _hear(self) -> None:
        """The operator reads what is new, will acknowledge it in some hours, and repairs what can be repaired."""
        for message in self.tray.new:
            because = self._threads.setdefault(message.thread, self._because(message))
            self.told.append(Told(message, because))
            if message.kind in (NotificationKind.RAISED, NotificationKind.WORSE):
                reads_at = awake(message.at + HOUR * self.year.chance.uniform(0.5, 5))
                self.knows.append((reads_at, message.key, message.concern))
            if because is not None and because.told_at is None:
                self._learns(because, message.at)
        self.tray.new.clear()

    @staticmethod
    def _learns(because: Happening, at: datetime) -> None:
        because.told_at = at
        if because.ends_at is NEVER:
            because.ends_at = awake(at + because.repaired_after)

    def _because(self, message: Message) -> Happening | None:
        known = (*self.year.troubles, *self.year.harmless)
        subject, concern = message.key.subject, message.concern
        return next((each for each in known if each.explains(subject, concern, message.at)), None)

    async def _acknowledge(self) -> None:
        now = self.clock.now()
        for read in [each for each in self.knows if each[0] <= now]:
            self.knows.remove(read)
            await self.pipeline.acknowledge(read[1], read[2])

    def late(self) -> Iterator[str]:
        """Each trouble of the period that was not reported, or not in time."""
        for each in self.year.troubles:
            if each.told_within is None or not self.begins_at <= each.begins_at < self.clock.now() - each.told_within:
                continue
            if each.told_at is None or each.told_at > each.begins_at + each.told_within:
                yield f"{each.name}: began {each.begins_at:%m-%d %H:%M}, told {each.told_at or 'never'}"

    def false(self) -> list[Message]:
        """The messages that nothing in the script explains."""
        return [each.message for each in self.told if each.because is None]

    def by_day(self) -> Counter[str]:
        """How many messages were sent on each of the operator's days."""
        return Counter(str(day_of(each.message.at)) for each in self.told)
