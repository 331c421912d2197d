"""An in-memory store that answers the page's queries, filled with the bird observatory's server in several states.

Everything in it is invented; the figures of a state are consistent (a level's samples lie on its forecast's line).
"""

import math
from collections import Counter
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta

import numpy as np

from watchkeeper.forecast.trends.trend import least_squares
from watchkeeper.model.alert import Alert, Concern, NotificationKind, Priority, State
from watchkeeper.model.change import Change, ChangeKind
from watchkeeper.model.finding import Finding
from watchkeeper.model.forecast import Forecast, NoEnd, UnusualGrowth
from watchkeeper.model.forecast_record import KeptForecast, Outcome
from watchkeeper.model.history.availability import AnswerHistory, Piece, history_of, outages
from watchkeeper.model.message import Message
from watchkeeper.model.observation import Answer, Condition, Deadline, Level, Observation, SeriesKey, Unit
from watchkeeper.model.operator.decision import Decision
from watchkeeper.model.operator.maintenance import Maintenance
from watchkeeper.model.records import Bucket, Delivery, DeliveryState, Entry, EventLine, Sample, Seen, Series

NOW = datetime(2026, 11, 25, 7, 24, 11, tzinfo=UTC)
HOUR, DAY = timedelta(hours=1), timedelta(days=1)
GIB = 2.0**30
HISTORY = timedelta(days=30)


@dataclass
class ReadStoreDouble:
    """Implements model.ports.ReadStore on lists."""

    now: datetime = NOW
    step: timedelta = timedelta(minutes=30)
    all_series: list[Series] = field(default_factory=list)
    seen: list[Seen] = field(default_factory=list)
    found: list[Finding] = field(default_factory=list)
    raised: list[Alert] = field(default_factory=list)
    lines: list[EventLine] = field(default_factory=list)
    open_deliveries: list[Delivery] = field(default_factory=list)
    kept: list[KeptForecast] = field(default_factory=list)
    planned: list[Maintenance] = field(default_factory=list)
    kept_decisions: list[Decision] = field(default_factory=list)
    changed: list[Change] = field(default_factory=list)
    history: dict[SeriesKey, list[Sample]] = field(default_factory=dict)
    version: int = 0

    async def series(self) -> Sequence[Series]:
        return list(self.all_series)

    async def latest(self) -> Sequence[Seen]:
        return list(self.seen)

    async def changes(
        self,
        since: datetime | None = None,
        until: datetime | None = None,
        *,
        kinds: Collection[ChangeKind] = (),
        limit: int = 1_000,
    ) -> Sequence[Change]:
        fit = [each for each in self.changed if (not kinds or each.kind in kinds)]
        within = [each for each in fit if (not since or each.at >= since) and (not until or each.at <= until)]
        return sorted(within, key=lambda each: each.at, reverse=True)[:limit]

    async def samples(self, key: SeriesKey, since: datetime, until: datetime) -> Sequence[Sample]:
        a, b = since.timestamp(), until.timestamp()
        return [s for s in self.history.get(key, []) if a <= s.at_s <= b]

    async def samples_thinned(self, key: SeriesKey, since: datetime, until: datetime, points: int) -> Sequence[Bucket]:
        start_s, width_s = since.timestamp(), (until - since).total_seconds() / points
        stretches: dict[int, list[Sample]] = {}
        for sample in await self.samples(key, since, until):
            stretches.setdefault(int((sample.at_s - start_s) / width_s), []).append(sample)
        return [_bucket(start_s + n * width_s, width_s, each) for n, each in sorted(stretches.items())]

    async def maintenance(self) -> Sequence[Maintenance]:
        return list(self.planned)

    async def decisions(self, subject: str, since: datetime) -> Sequence[Decision]:
        return [each for each in self.kept_decisions if each.key.subject == subject and each.at >= since]

    async def forecasts(self, key: SeriesKey | None = None) -> Sequence[KeptForecast]:
        return [each for each in self.kept if key is None or each.key == key]

    async def findings(self) -> Sequence[Finding]:
        return list(self.found)

    async def alerts(self) -> Sequence[Alert]:
        return list(self.raised)

    async def events(
        self,
        *,
        key: SeriesKey | None = None,
        before_id: int | None = None,
        after_id: int | None = None,
        limit: int = 100,
    ) -> Sequence[EventLine]:
        chosen = [line for line in self.lines if key is None or line.key == key]
        if after_id is not None:
            return [line for line in chosen if line.id > after_id][:limit]
        newest_first = sorted(chosen, key=lambda line: -line.id)
        return [line for line in newest_first if before_id is None or line.id < before_id][:limit]

    async def answers(self, series: Series, since: datetime, until: datetime) -> AnswerHistory:
        found = await self.samples(series.key, since, until)
        ends = [*(s.at_s for s in found[1:]), until.timestamp()]
        pieces = [
            Piece(s.at_s, end, end - s.at_s, 0.0 if s.value is not None else end - s.at_s, s.value is None)
            for s, end in zip(found, ends if found else [], strict=True)
        ]
        return history_of(pieces, outages(pieces))

    async def waiting_deliveries(self) -> Mapping[str, int]:
        return Counter(p.notifier for p in self.open_deliveries if p.state is DeliveryState.WAITING)

    async def deliveries(self, *, only_open: bool = True, limit: int = 100) -> Sequence[Delivery]:
        return [p for p in self.open_deliveries if not only_open or p.state is not DeliveryState.DELIVERED][:limit]

    def settled(self) -> "ReadStoreDouble":
        """Number the event log's lines in time order, as a store does."""
        self.lines = [replace(line, id=i) for i, line in enumerate(sorted(self.lines, key=lambda x: x.at), start=1)]
        return self

    # The methods below fill it.

    def add(self, seen: Observation, finding: Finding | None, interval_s: float = 60.0, probe: str = "host") -> Series:
        """Add a series with its newest observation and finding."""
        unit = seen.unit if isinstance(seen, Level) else None
        at = self.now - timedelta(seconds=12)
        made = Series(len(self.all_series) + 1, seen.key, seen.kind, unit, probe, interval_s, self.now - HISTORY, at)
        self.all_series.append(made)
        self.seen.append(Seen(at, seen, probe, interval_s))
        if finding:
            self.found.append(finding)
        self.found.append(Finding(seen.key, Concern.NOT_REPORTING, self.now, None, ends_at=at + timedelta(seconds=180)))
        return made

    def alert(
        self, key: SeriesKey, concern: Concern, priority: Priority | None, ago: timedelta, state: State = State.ACTIVE
    ) -> Alert:
        """Add an alert that was raised some time ago, with its line in the event log."""
        at = self.now - ago
        made = Alert(key, concern, state, priority, episode=1, message_count=1, raised_at=at, changed_at=at)
        if state is State.RECTIFIED:
            made = replace(made, ended_at=self.now - ago / 2)
        if state is State.ACKNOWLEDGED:
            made = replace(made, acknowledged_at=self.now - ago / 2)
        self.raised.append(made)
        self.note(at, f"{key}: {concern.value}, now {priority.word if priority else 'over'}", Entry.TRANSITION, key)
        return made

    def note(self, at: datetime, text: str, entry: Entry = Entry.NOTE, key: SeriesKey | None = None) -> None:
        """Add a line to the event log."""
        self.lines.append(EventLine(at, entry, text, key, id=len(self.lines) + 1))

    def scored(self, key: SeriesKey, count: int, held: int) -> None:
        """Add forecasts of a level whose time has come; those that missed were of a fill that came late."""
        at_s = (self.now - HISTORY).timestamp()
        for n in range(count):
            at = self.now - HISTORY + n * HOUR
            made = KeptForecast(key, at, at_s + 1e5, at_s + 2e5, at_s + 4e5, 1.0, 2.0, warned=True)
            made = replace(made, outcome=Outcome.FILLED, decided_at=self.now - HISTORY + 3 * DAY)
            self.kept.append(replace(made, held=n < held, error=0.12, miss=float(n >= held)))

    def growing(self, subject: str, used: float, capacity: float, *, full_in: timedelta | None = None) -> Series:
        """Add a level that has grown unusually fast for two hours. full_in: the date of the trend before it."""
        ends = None if full_in is None else (0.8 * full_in, full_in, 1.2 * full_in)
        made = self.level(subject, "space", used, capacity, full_in=ends)
        now_s = self.now.timestamp()
        young = UnusualGrowth(now_s - 7200, (capacity - used) / 2, now_s + 2 * 86_400)
        self.found = [
            replace(f, forecast=replace(f.forecast, unusual=young)) if f.forecast and f.key == made.key else f
            for f in self.found
        ]
        return made

    def level(
        self,
        subject: str,
        quantity: str,
        used: float,
        capacity: float,
        *,
        full_in: tuple[timedelta, timedelta, timedelta | None] | None = None,
        no_end: NoEnd | None = NoEnd.STILL,
        unit: Unit = Unit.BYTES,
        wave: float = 0.0,
        priority: Priority | None = None,
    ) -> Series:
        """Add a level; full_in: earliest, likely, latest from now. wave: amplitude of an added daily cycle."""
        key = SeriesKey(subject, quantity)
        now_s = self.now.timestamp()
        ends = [None if d is None else now_s + d.total_seconds() for d in full_in or (None, None, None)]
        rate = (capacity - used) / full_in[1].total_seconds() if full_in and full_in[1] > timedelta() else 0.0
        samples = self._samples(lambda ago_s: max(used - rate * ago_s, 0.0) + wave * _cycle(now_s - ago_s), capacity)
        line = least_squares(np.array([now_s - 1e5, now_s]), np.array([used - rate * 1e5, used]))
        forecast = Forecast(
            now_s,
            used,
            capacity,
            earliest_s=ends[0],
            likely_s=ends[1],
            latest_s=ends[2],
            no_end=None if full_in else no_end,
            growth_per_day=None if no_end is NoEnd.TOO_FEW and not full_in else rate * 86_400,
            since_s=now_s - HISTORY.total_seconds() / 2,
            cycle_s=86_400.0 if wave else None,
            cycles=30 if wave else 0,
            pruned_s=now_s - 4 * 3_600 if wave else None,
            line=None if no_end is NoEnd.TOO_FEW and not full_in else line,
        )
        at = [None if d is None else self.now + d for d in full_in or (None, None, None)]
        finding = Finding(
            key, Concern.FULL, self.now, priority, at[1], at[0], at[2], forecast=forecast,
            reason=forecast.no_end.value if forecast.no_end else "",
        )  # fmt: skip
        made = self.add(Level(key, used, capacity, unit, (("device", "dm-3"),)), finding)
        self.history[key] = samples[-3:] if no_end is NoEnd.TOO_FEW and not full_in else samples
        return made

    def _samples(self, value: Callable[[float], float], bound: float | None) -> list[Sample]:
        now_s, step_s = self.now.timestamp(), self.step.total_seconds()
        count = int(HISTORY / self.step)
        return [Sample(now_s - 12 - i * step_s, value(i * step_s), bound) for i in range(count, -1, -1)]

    def deadline(
        self, subject: str, quantity: str, left: timedelta, period: timedelta | None, priority: Priority | None = None
    ) -> Series:
        """Add a deadline that is due in `left`, which may be negative."""
        key, due = SeriesKey(subject, quantity), self.now + left
        last = due - period if period else None
        period_s = period.total_seconds() if period else None
        finding = Finding(key, Concern.OVERDUE, self.now, priority, due, since=due if left < timedelta() else None)
        made = self.add(Deadline(key, due, last, period_s), finding, 300.0)
        self.history[key] = [replace(s, value=self._due_s(s.at_s, due, period)) for s in self._samples(float, None)]
        return made

    def _due_s(self, at_s: float, due: datetime, period: timedelta | None) -> float:
        if period is None:
            return due.timestamp()
        back = max(math.floor((due.timestamp() - at_s) / period.total_seconds()), 0)
        return due.timestamp() - back * period.total_seconds()

    def answer(self, subject: str, took_s: float | None, reason: str = "", silent: timedelta | None = None) -> Series:
        """Add an answer; silent: how long it has not been answering."""
        key = SeriesKey(subject, "answer")
        phases = (("name lookup", 0.001), ("connect", 0.002), ("TLS", 0.011), ("first byte", 0.021)) if took_s else ()
        since = self.now - silent if silent else None
        made = self.add(
            Answer(key, silent is None, reason, took_s, phases),
            Finding(
                key, Concern.NOT_ANSWERING, self.now, Priority.WARNING if silent else None, since=since, reason=reason
            ),
        )
        base, now_s = took_s or 0.04, self.now.timestamp()
        samples = self._samples(lambda ago_s: base * (1 + 0.3 * _cycle(now_s - ago_s * 7)), None)
        quiet_s = (since or self.now + DAY).timestamp()
        self.history[key] = [replace(s, value=None) if s.at_s >= quiet_s else s for s in samples]
        return made

    def condition(self, subject: str, quantity: str, reason: str = "", faulty_for: timedelta | None = None) -> Series:
        """Add a condition; faulty_for: how long it has been faulty."""
        key, since = SeriesKey(subject, quantity), self.now - faulty_for if faulty_for else None
        made = self.add(
            Condition(key, faulty_for is None, reason, grave=faulty_for is not None),
            Finding(key, Concern.FAULTY, self.now, Priority.ALARM if faulty_for else None, since=since, reason=reason),
        )
        bad_s = (since or self.now + DAY).timestamp()
        self.history[key] = [replace(s, value=float(s.at_s < bad_s)) for s in self._samples(float, None)]
        return made


def _bucket(start_s: float, width_s: float, samples: Sequence[Sample]) -> Bucket:
    """What a store computes for one bucket."""
    values = [s.value for s in samples if s.value is not None]
    return Bucket(
        start_s,
        width_s,
        len(samples),
        len(samples) - len(values),
        min(values, default=None),
        sum(values) / len(values) if values else None,
        max(values, default=None),
        samples[-1].at_s,
        samples[-1].value,
        samples[-1].bound,
        samples[0].at_s,
        next((s.at_s for s in samples if s.value is None), None),
    )


def _cycle(at_s: float) -> float:
    """A sawtooth that rises through the day and falls at three in the morning, -0.5 to 0.5."""
    return ((at_s - 3 * 3_600) % 86_400) / 86_400 - 0.5


GUESTS = ("hide-hub", "ringing-db", "nest-cams", "tide-log")


def _well(store: ReadStoreDouble) -> None:
    """What is OK in every state."""
    store.level("file system /", "space", 21 * GIB, 64 * GIB)
    store.level("file system /", "inodes", 3.1e5, 4.2e6, unit=Unit.COUNT)
    store.level("file system /srv", "inodes", 6.1e6, 3.1e7, unit=Unit.COUNT, no_end=NoEnd.FAR)
    store.level("memory", "in use", 22 * GIB, 32 * GIB, wave=3 * GIB)
    store.level("memory", "swap", 0.2 * GIB, 8 * GIB, no_end=NoEnd.SHRINKING)
    store.level("pool skerry", "metadata", 0.31, 1.0, unit=Unit.SHARE)
    store.deadline("snapshots of hide-hub", "age of the newest", timedelta(hours=19, minutes=41), DAY)
    store.deadline("snapshots of ringing-db", "age of the newest", timedelta(hours=20, minutes=5), DAY)
    store.deadline("snapshots of tide-log", "age of the newest", timedelta(days=5, hours=3), 7 * DAY)
    store.deadline("service hide-hub", "certificate", timedelta(days=61), None)
    store.deadline("pool skerry", "scrub", timedelta(days=17), 35 * DAY)
    store.level("guest tide-log", "disk", 4.0 * GIB, 16 * GIB, no_end=NoEnd.TOO_FEW)


def _start(store: ReadStoreDouble) -> None:
    store.note(store.now - HISTORY, "watchkeeper began to monitor gannet.", Entry.START)
    store.note(store.now - 9 * DAY, "Snapshot skerry/hide-hub@before-upgrade taken, to be removed by Friday.")


def calm() -> ReadStoreDouble:
    """Everything is OK."""
    store = ReadStoreDouble()
    _start(store)
    _well(store)
    store.level("pool skerry", "space", 1.1 * 1024 * GIB, 2048 * GIB, full_in=(120 * DAY, 171 * DAY, 290 * DAY))
    store.level("file system /srv", "space", 300 * GIB, 900 * GIB, wave=40 * GIB)
    store.deadline("snapshots of nest-cams", "age of the newest", timedelta(hours=11), DAY)
    for guest in GUESTS:
        store.answer(f"service {guest}", 0.038)
        store.condition(f"guest {guest}", "state")
    store.condition("pool skerry", "health")
    store.note(store.now - 2 * DAY, "service tide-log: answers again after 4 min.", Entry.TRANSITION)
    return store.settled()


def filling() -> ReadStoreDouble:
    """A pool that will be full in three days, and several other things."""
    store = ReadStoreDouble()
    _start(store)
    _well(store)
    space = store.level(
        "pool skerry", "space", 1.86 * 1024 * GIB, 2048 * GIB,
        full_in=(2.2 * DAY, 3.1 * DAY, 4.9 * DAY), priority=Priority.WARNING,
    )  # fmt: skip
    srv = store.level(
        "file system /srv", "space", 700 * GIB, 900 * GIB, full_in=(15 * DAY, 24 * DAY, None), wave=40 * GIB,
        priority=Priority.CAUTION,
    )  # fmt: skip
    late = store.deadline(
        "snapshots of nest-cams", "age of the newest", timedelta(days=-2, hours=-4), DAY, Priority.WARNING
    )
    soon = store.deadline("service ringing-db", "certificate", timedelta(days=16), None, Priority.CAUTION)
    for guest in GUESTS:
        store.answer(f"service {guest}", 0.038)
        store.condition(f"guest {guest}", "state")
    store.condition("pool skerry", "health")
    store.alert(late.key, Concern.OVERDUE, Priority.WARNING, timedelta(days=2, hours=4))
    store.alert(srv.key, Concern.FULL, Priority.CAUTION, timedelta(days=5))
    store.alert(soon.key, Concern.OVERDUE, Priority.CAUTION, timedelta(days=5), State.ACKNOWLEDGED)
    store.alert(space.key, Concern.FULL, Priority.WARNING, timedelta(hours=10, minutes=14))
    store.alert(SeriesKey("service tide-log", "answer"), Concern.NOT_ANSWERING, None, DAY, State.RECTIFIED)
    store.open_deliveries.append(delivery(store.now))
    return store.settled()


def full() -> ReadStoreDouble:
    """The pool is full, and what depends on it fails."""
    store = ReadStoreDouble()
    _start(store)
    _well(store)
    none = timedelta()
    space = store.level(
        "pool skerry", "space", 2048 * GIB, 2048 * GIB, full_in=(none, none, none), priority=Priority.ALARM
    )
    store.level("file system /srv", "space", 860 * GIB, 900 * GIB, full_in=(6 * HOUR, 9 * HOUR, 15 * HOUR))
    health = store.condition("pool skerry", "health", "suspended: no space left", timedelta(minutes=22))
    store.alert(space.key, Concern.FULL, Priority.ALARM, timedelta(minutes=24))
    store.alert(health.key, Concern.FAULTY, Priority.ALARM, timedelta(minutes=22))
    store.alert(SeriesKey("file system /srv", "space"), Concern.FULL, Priority.ALARM, timedelta(minutes=40))
    for i, guest in enumerate(GUESTS):
        late = timedelta(minutes=20 - i)
        state = store.condition(f"guest {guest}", "state", "paused: I/O error, no space", late)
        answer = store.answer(f"service {guest}", None, "no answer within 10 s", late)
        store.alert(state.key, Concern.FAULTY, Priority.ALARM, late)
        store.alert(answer.key, Concern.NOT_ANSWERING, Priority.WARNING, late - timedelta(minutes=1))
    return store.settled()


def inside() -> ReadStoreDouble:
    """The pool is full, with what is seen inside each guest, and containers on the host."""
    store = full()
    for i, guest in enumerate(GUESTS):
        store.level(f"guest {guest}", "space on /srv", (24 + 11 * i) * GIB, 64 * GIB)
        store.level(f"guest {guest}", "memory inside", 1.2 * GIB, 4 * GIB)
        store.condition(f"guest {guest}", "clock")
    store.condition("container chart-maker", "state")
    store.level("container chart-maker", "memory", 1 * GIB, 2 * GIB)
    return store.settled()


def carried(subject: str) -> Sequence[str]:
    """What depends on a subject: the guests are on the pool, and each service runs in the guest of its name."""
    if subject == "pool skerry":
        return [f"{kind} {name}" for kind in ("guest", "service") for name in GUESTS]
    return [f"service {name}" for name in GUESTS if subject == f"guest {name}"]


def fresh() -> ReadStoreDouble:
    """Just started: nothing is known."""
    return ReadStoreDouble()


def crowd(count: int = 300) -> ReadStoreDouble:
    """Very many subjects, some of each kind, a third of them on the time-left chart; little history of each."""
    store = ReadStoreDouble(step=DAY)
    for i in range(count):
        match i % 6:
            case 0:
                likely = timedelta(hours=3 + i * 7)
                store.level(
                    f"file system /srv/hide-{i}",
                    "space",
                    70 * GIB,
                    100 * GIB,
                    full_in=(likely * 0.7, likely, likely * 1.9),
                )
            case 1:
                store.deadline(f"snapshots of hide-{i}", "age of the newest", timedelta(hours=1 + i / 20), DAY)
            case 2 | 3:
                store.answer(f"service hide-{i}", 0.03)
            case 4:
                store.condition(f"guest hide-{i}", "state")
            case _:
                store.level(f"guest hide-{i}", "disk", 4 * GIB, 32 * GIB)
    return store


def delivery(at: datetime) -> Delivery:
    """A message whose mail has not been sent yet."""
    key = SeriesKey("pool skerry", "space")
    message = Message(
        "wk-1.1", "wk-1", 1, "gannet", NotificationKind.RAISED, key, Concern.FULL, State.ACTIVE, Priority.WARNING,
        None, at,
        at, at, at, at, "pool skerry full in about 3 days", "The body.",
    )  # fmt: skip
    return Delivery("mail", message, at, at + HOUR, tries=2, trouble="connection refused")
