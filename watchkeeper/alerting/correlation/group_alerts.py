"""Two alerts that represent several others: answers lost at the same time, and a flood. Pure.

They use the same state table as any alert, with a thread of their own. Not here: which alerts they suppress
(correlation.py), and the alerts themselves (alerting/alert_book.py).
"""

from collections import deque
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from watchkeeper.alerting import state_machine
from watchkeeper.messages.wording import duration
from watchkeeper.model.alert import Alert, Concern, Delays, Event, Priority, Transition
from watchkeeper.model.finding import Finding
from watchkeeper.model.observation import SeriesKey

GROUP = SeriesKey("group of services", "answer")
FLOOD = SeriesKey("alerts", "rate")
DATABASE = SeriesKey("watchkeeper", "database")
OWN = {GROUP: Concern.NOT_ANSWERING, FLOOD: Concern.FAULTY, DATABASE: Concern.FAULTY}
"""Series that no probe delivers, each with its one concern: about other alerts, and about the daemon's own database."""

_MOST_NAMES = 12
"""A summary is read on a phone; the page shows all of them."""


@dataclass(frozen=True, slots=True)
class Limits:
    """When alerts are reported together.

    flood, flood_s: this many alerts within so many seconds are a flood; it ends below flood_ends within the same time
    (EEMUA 191, as ISA-18.2 cites it: ten in ten minutes, and five).
    settle_s: alerts that outlast their cause are reported after this: a restarted guest needs minutes until its
    services answer.
    """

    flood: int = 10
    flood_ends: int = 5
    flood_s: float = 600.0
    settle_s: float = 300.0


LIMITS = Limits()

Moved = tuple[Finding, Alert, tuple[Transition, ...]]


class Group:
    """Answers that were lost within a short time, reported as one."""

    LEAST = 2
    """The minimum number for a group."""
    GATHER_S = 60.0
    """How long the first one waits for the others, and how long others may join: they are checked within a minute."""
    CALM_S = 300.0
    """Fewer than LEAST must be without an answer for this long before it ends."""

    def __init__(self) -> None:
        self._names: dict[str, None] = {}

    def joins(self, alert: Alert, now: datetime) -> bool:
        """Return whether another loss at this time belongs to its active alert."""
        raised_at = alert.raised_at or now
        return (now - raised_at).total_seconds() <= self.GATHER_S

    def step(self, alert: Alert, members: Sequence[Alert], now: datetime, *, gathering: bool) -> Moved:
        """Move its alert to the priority of its members. gathering: others may still come."""
        standing = [m for m in members if m.standing]
        several = len(standing) >= self.LEAST and (alert.standing or not gathering)
        wanted = _most_urgent(standing) if several else None
        if wanted is not None and not alert.standing:
            self._names.clear()
        self._names.update(dict.fromkeys(m.key.subject for m in standing))
        alert, moves = state_machine.step(alert, wanted, now, Delays(off_delay_s=self.CALM_S))
        since = min((m.raised_at for m in standing if m.raised_at), default=None)
        reason = named(_short(m.key.subject for m in standing))
        if not alert.standing:
            reason = f"answering again: {named(_short(self._names))}" if self._names else "answering again"
        return Finding(GROUP, Concern.NOT_ANSWERING, now, wanted, since=since, reason=reason), alert, moves


class Flood:
    """More alerts than one person can handle, reported as one summary until the flood has ended."""

    def __init__(self, limits: Limits = LIMITS, before: "Flood | None" = None) -> None:
        """limits: when it begins and ends. before: the previous flood, which had other limits."""
        self._limits = limits
        self.raises: deque[datetime] = deque(maxlen=10_000) if before is None else before.raises
        self.came: int = 0 if before is None else before.came
        self.over: bool = False if before is None else before.over

    def restore(self, raised_at: Iterable[datetime], now: datetime) -> None:
        """Continue after a restart: recent raises count."""
        self.raises.extend(sorted(at for at in raised_at if at <= now))

    def bridge(self, gap: timedelta) -> None:
        """Account for a gap in monitoring, or a clock change, of this length."""
        self.raises = deque((at + gap for at in self.raises), maxlen=self.raises.maxlen)

    def count(self, now: datetime) -> None:
        """Count an alert that was raised, or got worse."""
        self.raises.append(now)
        self.came += 1

    def begins(self, now: datetime) -> bool:
        """Return whether one more alert would be a flood."""
        return self._lately(now) + 1 >= self._limits.flood

    def step(self, alert: Alert, members: Sequence[Alert], now: datetime) -> Moved:
        """Move its alert according to its members and the number of recent alerts."""
        standing, lately = [m for m in members if m.standing], self._lately(now)
        wanted = self._wanted(alert, standing, lately)
        alert, moves = state_machine.step(alert, wanted, now, Delays())
        self.over = self.over or any(move.event is Event.CLEAR for move in moves)
        since = alert.raised_at if wanted else None
        reason = self._reason(alert, standing, lately)
        return Finding(FLOOD, Concern.FAULTY, now, wanted, since=since, reason=reason), alert, moves

    def _wanted(self, alert: Alert, standing: Sequence[Alert], lately: int) -> Priority | None:
        most = _most_urgent(standing)
        if alert.standing:
            return max(filter(None, (most, alert.priority))) if lately >= self._limits.flood_ends else None
        if most is not None:
            self.came = lately
        return most

    def _reason(self, alert: Alert, standing: Sequence[Alert], lately: int) -> str:
        names = named(f"{m.key.subject} ({m.priority.word})" for m in _urgent_first(standing) if m.priority)
        if alert.standing:
            return f"{lately} in {duration(self._limits.flood_s)}; most urgent: {names}"
        return f"at a normal rate again after {self.came} alerts; " + (
            f"still active: {names}" if names else "none is active"
        )

    def _lately(self, now: datetime) -> int:
        while self.raises and (now - self.raises[0]).total_seconds() > self._limits.flood_s:
            self.raises.popleft()
        return sum(at <= now for at in self.raises)


def named(names: Iterable[str]) -> str:
    """A list for people, limited to a readable length."""
    every = list(names)
    more = len(every) - _MOST_NAMES
    return ", ".join(every[:_MOST_NAMES]) + (f" and {more} more" if more > 0 else "")


def _short(subjects: Iterable[str]) -> list[str]:
    """Subjects in a list about services: without that word, if all of them are services."""
    every, word = list(subjects), "service "
    return [each.removeprefix(word) for each in every] if all(each.startswith(word) for each in every) else every


def _most_urgent(alerts: Iterable[Alert]) -> Priority | None:
    return max((a.priority for a in alerts if a.priority is not None), default=None)


def _urgent_first(alerts: Sequence[Alert]) -> Sequence[Alert]:
    return sorted(alerts, key=lambda a: -(a.priority or 0))
