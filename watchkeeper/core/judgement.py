"""One series under watch: takes its observations, judges them by the rules, moves its alerts.

The daemon and the rehearsal both live on this class, so that what is rehearsed is what would have happened. It holds
state and does no I/O; feed it in the order of time.
"""

import math
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import assert_never

from watchkeeper.core import alert_steps, exhaustion, rules
from watchkeeper.core.absence import GONE, Absence
from watchkeeper.core.alerts import Alert, Concern, Delays, Priority, State, Transition
from watchkeeper.core.exhaustion import Forecast
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


Step = Callable[[Alert, Priority | None, datetime, Delays], tuple[Alert, tuple[Transition, ...]]]
"""What moves an alert to what its finding asks for, as far as the delays allow."""


@dataclass(frozen=True, slots=True)
class Outcome:
    """What one evaluation came to: a finding for each concern, and the alerts' moves in their order."""

    findings: tuple[Finding, ...] = ()
    transitions: tuple[Transition, ...] = ()

    def finding(self, concern: Concern) -> Finding:
        """The finding behind a concern's transitions. Raises StopIteration where nothing was found about it."""
        return next(f for f in self.findings if f.concern is concern)


class Judgement:
    """The watch over one series."""

    def __init__(
        self,
        key: SeriesKey,
        kind: Kind,
        interval_s: float,
        limits: Rules,
        standing: Iterable[Alert] = (),
        *,
        step: Step = alert_steps.step,
    ) -> None:
        """Begin to watch a series.

        interval_s: seconds between the probe's samples; infinite where none is due, so that it never counts as stale.
        standing: its alerts as they were when last stored. step: how its alerts move; in a house full of others
        (together.py) one may be held because of another.
        """
        self._step = step
        self.key, self.kind, self.interval_s, self.rules = key, kind, interval_s, limits
        self.history = LevelHistory()
        self.forecast: Forecast | None = None
        self.latest: Observation | None = None
        self.first_at: datetime | None = None
        self.last_at: datetime | None = None
        self.bad_since: datetime | None = None
        self.gone = False
        self._looked, self._absence = False, Absence()
        found = {a.concern: a for a in standing}
        self.alerts = {c: found.get(c, Alert(key, c)) for c in (CONCERN[kind], Concern.STALE)}

    def take(self, seen: Observation, at: datetime) -> None:
        """Remember one observation. Cheap: nothing is judged yet."""
        self.latest, self.last_at, self._looked = seen, at, True
        self.gone, self._absence = False, Absence()
        self.first_at = self.first_at or at
        match seen:
            case Level():
                self.history.add(at.timestamp(), seen.used, seen.capacity)
                self.forecast = None
            case Answer():
                self._note(good=seen.answered, at=at)
            case Condition():
                self._note(good=seen.sound, at=at)
            case Deadline():
                pass
            case _:
                assert_never(seen)

    def resume(self, seen: Observation, first_at: datetime, bad_since: datetime | None, now: datetime) -> None:
        """Go on from what was stored before a restart.

        It counts as seen `now`, since the time away was not the probe's, and what it said is not judged again before
        the probe has looked: nobody knows how things are after three days without power.
        """
        self.latest, self.first_at, self.last_at, self.bad_since = seen, first_at, now, bad_since
        stale = self.alerts[Concern.STALE]
        if stale.standing and stale.raised_at is not None:
            self._absence.resume(stale.raised_at, now)

    def bridge(self, gap: timedelta, now: datetime, *, anew: bool) -> None:
        """The wall clock moved so far without the watch: what is measured since then leaves the gap out.

        anew: nobody knows how things are after it. Then, as after a restart, it counts as seen now, and what it said is
        not judged before the probe has looked again.
        """
        if self.first_at is None or self.last_at is None:
            return
        self.first_at = min(self.first_at + gap, now)
        self.last_at = now if anew else min(self.last_at + gap, now)
        self.bad_since = None if self.bad_since is None else min(self.bad_since + gap, now)
        self._looked = self._looked and not anew
        self._absence.bridge(gap)
        self.alerts = {concern: alert_steps.shifted(alert, gap) for concern, alert in self.alerts.items()}

    @property
    def over(self) -> bool:
        """Is the series gone for good, and nothing left to be told or acknowledged?"""
        return self.gone and all(a.state is State.NORMAL and a.owed is None for a in self.alerts.values())

    def missed(self, as_of: datetime) -> bool:
        """Has it brought no sample for so long that it counts as stale, whether or not that is told?"""
        patience_s = self.rules.stale.intervals * self.interval_s
        return self.last_at is not None and (as_of - self.last_at).total_seconds() >= patience_s

    def _note(self, *, good: bool, at: datetime) -> None:
        self.bad_since = None if good else self.bad_since or at

    def evaluate(self, now: datetime, probe_seen_at: datetime | None = None) -> Outcome:
        """Judge what is known at `now`, and move the alerts as far as their delays allow.

        probe_seen_at: when the probe last ran well; a series is stale only as measured by its own probe, so that a
        probe that has stopped is told once and not once for each of its series. None: measured by `now`; it is never
        taken to be gone for good then.
        """
        if probe_seen_at is not None and math.isfinite(self.interval_s):
            self._count_absence(max(probe_seen_at, self.last_at or probe_seen_at))
        findings = tuple(self._letting_go(now) if self.gone else self._findings(now, probe_seen_at or now))
        moves: list[Transition] = []
        for found in findings:
            delays = self.rules.delays(found.concern)
            moved, made = self._step(self.alerts[found.concern], found.priority, now, delays)
            self.alerts[found.concern] = moved
            moves.extend(made)
        return Outcome(findings, tuple(moves))

    def acknowledge(self, concern: Concern, now: datetime) -> Transition | None:
        """The keeper knows; None where there was nothing to acknowledge."""
        move = alert_steps.acknowledge(self.alerts[concern], now)
        if move is not None:
            self.alerts[concern] = move.after
        return move

    def _count_absence(self, as_of: datetime) -> None:
        # A probe that runs at its usual times is looked at once in an interval at least; slow reviews have an hour.
        longest = timedelta(seconds=max(self.rules.stale.intervals * self.interval_s, rules.HOUR_S))
        self._absence.count(self.alerts[Concern.STALE], as_of, longest)
        self.gone = self.gone or self._absence.for_good

    def _letting_go(self, now: datetime) -> Iterator[Finding]:
        """All is well with what is no longer there."""
        return (Finding(self.key, concern, now, None, reason=GONE) for concern in self.alerts)

    def _findings(self, now: datetime, probe_seen_at: datetime) -> Iterator[Finding]:
        if self.latest is None or self.first_at is None or self.last_at is None:
            return
        if isinstance(self.latest, Level) and self.latest.part_of is not None:
            return
        if self._looked and not (isinstance(self.latest, Level) and self.latest.may_be_full):
            yield self._judge_kind(self.latest, self.first_at, now)
        if math.isfinite(self.interval_s):
            as_of = max(probe_seen_at, self.last_at)
            found = rules.judge_stale(self.key, self.last_at, self.interval_s, as_of, self.rules.stale)
            if self._looked or found.priority is not None or not self.alerts[Concern.STALE].standing:
                yield found  # what was missed before a restart is not there because nobody has missed it yet since

    def _judge_kind(self, seen: Observation, first_at: datetime, now: datetime) -> Finding:
        match seen:
            case Level():
                # A forecast holds until the next sample: re-judging on a timer only looks at it from a later moment.
                self.forecast = self.forecast or exhaustion.forecast(self.history, now.timestamp())
                standing = self.alerts[Concern.FULL].priority
                return rules.judge_full(self.key, self.forecast, now, self.rules.full, standing)
            case Deadline():
                return rules.judge_overdue(seen, first_at, now, self.rules.overdue)
            case Answer():
                return rules.judge_silent(seen, self.bad_since, now, self.rules.silent)
            case Condition():
                return rules.judge_unsound(seen, self.bad_since, now, self.rules.unsound)
            case _:
                assert_never(seen)
