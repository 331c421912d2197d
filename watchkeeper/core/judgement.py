"""One series under watch: takes its observations, judges them by the rules, moves its alerts.

The daemon and the rehearsal both live on this class, so that what is rehearsed is what would have happened. It holds
state and does no I/O; feed it in the order of time.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime

from watchkeeper.core import alerts, exhaustion, rules
from watchkeeper.core.alerts import Alert, Concern, Transition
from watchkeeper.core.history import LevelHistory
from watchkeeper.core.observation import Answer, Condition, Deadline, Kind, Level, Observation, SeriesKey
from watchkeeper.core.rules import Finding, Rules

CONCERN = {
    Kind.LEVEL: Concern.FULL,
    Kind.DEADLINE: Concern.OVERDUE,
    Kind.ANSWER: Concern.SILENT,
    Kind.CONDITION: Concern.UNSOUND,
}
"""What a kind of observation can raise."""


@dataclass(frozen=True, slots=True)
class Outcome:
    """What one evaluation came to: the findings by concern, and the alerts' moves in the order in which they happened."""

    findings: tuple[Finding, ...]
    transitions: tuple[Transition, ...]


class Judgement:
    """The watch over one series."""

    def __init__(
        self, key: SeriesKey, kind: Kind, interval_s: float, limits: Rules, standing: Iterable[Alert] = ()
    ) -> None:
        """interval_s: seconds between the probe's samples. standing: alerts as they were when last stored."""
        self.key, self.kind, self.interval_s, self.rules = key, kind, interval_s, limits
        self.history = LevelHistory()
        self.latest: Observation | None = None
        self.first_at: datetime | None = None
        self.last_at: datetime | None = None
        self.bad_since: datetime | None = None
        found: Mapping[Concern, Alert] = {a.concern: a for a in standing}
        self.alerts = {c: found.get(c, Alert(key, c)) for c in (CONCERN[kind], Concern.STALE)}

    def take(self, seen: Observation, at: datetime) -> None:
        """Remember one observation. Cheap: nothing is judged yet."""
        self.latest, self.last_at = seen, at
        self.first_at = self.first_at or at
        match seen:
            case Level():
                self.history.add(at.timestamp(), seen.used, seen.capacity)
            case Answer():
                self._note(good=seen.answered, at=at)
            case Condition():
                self._note(good=seen.sound, at=at)
            case Deadline():
                pass

    def _note(self, *, good: bool, at: datetime) -> None:
        self.bad_since = None if good else self.bad_since or at

    def evaluate(self, now: datetime) -> Outcome:
        """Judge what is known at `now`, and move the alerts as far as their delays allow."""
        findings = tuple(self._findings(now))
        moves: list[Transition] = []
        for found in findings:
            alert = self.alerts[found.concern]
            self.alerts[found.concern], made = alerts.step(alert, found.priority, now, self.rules.delays(found.concern))
            moves.extend(made)
        return Outcome(findings, tuple(moves))

    def acknowledge(self, concern: Concern, now: datetime) -> Transition | None:
        """The keeper knows; None where there was nothing to acknowledge."""
        move = alerts.acknowledge(self.alerts[concern], now)
        if move is not None:
            self.alerts[concern] = move.after
        return move

    def _findings(self, now: datetime) -> Iterable[Finding]:
        if self.latest is None or self.first_at is None or self.last_at is None:
            return
        yield self._judge_kind(self.latest, self.first_at, now)
        yield rules.judge_stale(self.key, self.last_at, self.interval_s, now, self.rules.stale)

    def _judge_kind(self, seen: Observation, first_at: datetime, now: datetime) -> Finding:
        match seen:
            case Level():
                found = exhaustion.forecast(self.history, now.timestamp())
                standing = self.alerts[Concern.FULL].priority
                return rules.judge_full(self.key, found, now, self.rules.full, standing)
            case Deadline():
                return rules.judge_overdue(seen, first_at, now, self.rules.overdue)
            case Answer():
                return rules.judge_silent(seen, self.bad_since, now, self.rules.silent)
            case Condition():
                return rules.judge_unsound(seen, self.bad_since, now, self.rules.unsound)
