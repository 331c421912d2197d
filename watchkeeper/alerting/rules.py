"""Rules: from an observation to a finding. One for each concern, all pure.

A finding says which priority the facts require right now, and why. Whether that becomes an alert (delays, states) is
decided in state_machine.py. The deadband is here, because it is about the thresholds: the priority of an active alert
is kept until the facts are better than its threshold by that share.
"""

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from fnmatch import fnmatchcase

from watchkeeper.model.alert import Concern, Delays, Priority
from watchkeeper.model.chattering import Chattering
from watchkeeper.model.finding import Finding
from watchkeeper.model.forecast import GRACE_S, Forecast
from watchkeeper.model.observation import Answer, Condition, Deadline, SeriesKey
from watchkeeper.model.units import DAY_S, HOUR_S


@dataclass(frozen=True, slots=True)
class UsedShareRule:
    """Some levels are reported from a share of their capacity on, beside the forecast; None switches a priority off.

    subjects: globs of the subjects that it is for. deadband: an active priority is kept until the share is this much
        below its limit.
    """

    subjects: tuple[str, ...] = ()
    caution: float | None = None
    warning: float | None = 0.9
    alarm: float | None = 0.97
    deadband: float = 0.02

    def limit(self, subject: str, used: float, standing: Priority | None) -> tuple[Priority, float] | None:
        """The most urgent priority whose limit a share has reached, and that limit; None if there is none."""
        if not any(fnmatchcase(subject, each) for each in self.subjects):
            return None
        for priority, limit in self._limits():
            slack = self.deadband if standing is not None and standing >= priority else 0.0
            if used >= limit - slack:
                return priority, limit
        return None

    def lowest(self, subject: str) -> float | None:
        """The lowest of its limits; None if it is not for this subject."""
        fits = any(fnmatchcase(subject, each) for each in self.subjects)
        return min((limit for _, limit in self._limits()), default=None) if fits else None

    def _limits(self) -> Iterator[tuple[Priority, float]]:
        limits = ((Priority.ALARM, self.alarm), (Priority.WARNING, self.warning), (Priority.CAUTION, self.caution))
        return ((priority, limit) for priority, limit in limits if limit is not None)


@dataclass(frozen=True, slots=True)
class FullRule:
    """A level is forecast to be full within these times; None switches a priority off.

    min_history: the growth must have lasted for this share of the time left before it is a warning or an alarm; for a
        caution a third of it is enough. A process that has lasted for a time t lasts as long again with probability
        1/2 (Gott 1993, Nature 363:315), so 1.0 would require that the end is as likely as not.
    """

    caution_s: float | None = 30 * DAY_S
    warning_s: float | None = 7 * DAY_S
    alarm_s: float | None = 1 * DAY_S
    deadband: float = 0.25
    min_history: float = 0.95
    delays: Delays = Delays(on_delay_s=0.0, off_delay_s=3 * HOUR_S)

    @property
    def widest_s(self) -> float:
        """The time left from which on it may raise anything; 0 if it never does."""
        limits = [each for each in (self.caution_s, self.warning_s, self.alarm_s) if each is not None]
        return max(limits, default=0.0)


@dataclass(frozen=True, slots=True)
class OverdueRule:
    """A recurring deadline is reported when it is missed; a single end is reported in advance.

    late_warning, late_alarm: how late a recurring deadline is, as a share of its period.
    ahead_*_s: how long before a single end.
    """

    late_caution: float | None = None
    late_warning: float | None = 0.0
    late_alarm: float | None = 1.0
    ahead_caution_s: float | None = 21 * DAY_S
    ahead_warning_s: float | None = 7 * DAY_S
    ahead_alarm_s: float | None = 1 * DAY_S
    delays: Delays = Delays()


@dataclass(frozen=True, slots=True)
class NotAnsweringRule:
    """No answer for this long (since the first one that failed); None switches a priority off."""

    caution_s: float | None = None
    warning_s: float | None = 180.0
    alarm_s: float | None = HOUR_S
    delays: Delays = Delays()


@dataclass(frozen=True, slots=True)
class FaultyRule:
    """Faulty: a warning, or an alarm if the thing itself reports that it has stopped."""

    priority: Priority | None = Priority.WARNING
    failed_priority: Priority | None = Priority.ALARM
    delays: Delays = Delays()


@dataclass(frozen=True, slots=True)
class NotReportingRule:
    """No sample for this many of the probe's own intervals."""

    intervals: float = 3.0
    priority: Priority | None = Priority.WARNING
    delays: Delays = Delays()


@dataclass(frozen=True, slots=True)
class Rules:
    """The rule for each concern, as configured for one series, the limits of used shares, and those of chattering."""

    full: FullRule = FullRule()
    used_share: UsedShareRule = UsedShareRule()
    overdue: OverdueRule = OverdueRule()
    not_answering: NotAnsweringRule = NotAnsweringRule()
    faulty: FaultyRule = FaultyRule()
    not_reporting: NotReportingRule = NotReportingRule()
    chattering: Chattering = Chattering()

    def delays(self, concern: Concern) -> Delays:
        """A concern's delays, with the limits of chattering."""
        rule: FullRule | OverdueRule | NotAnsweringRule | FaultyRule | NotReportingRule = getattr(self, concern.value)
        return replace(rule.delays, chattering=self.chattering)


def within(
    left_s: float,
    caution_s: float | None,
    warning_s: float | None,
    alarm_s: float | None,
    *,
    standing: Priority | None = None,
    deadband: float = 0.0,
) -> Priority | None:
    """The most urgent priority whose threshold `left_s` is within; `standing` is kept through its deadband."""
    for priority, limit_s in (
        (Priority.ALARM, alarm_s),
        (Priority.WARNING, warning_s),
        (Priority.CAUTION, caution_s),
    ):
        if limit_s is None:
            continue
        slack = 1 + deadband if standing is not None and standing >= priority else 1.0
        if left_s <= limit_s * slack:
            return priority
    return None


def instant(at_s: float | None) -> datetime | None:
    """Seconds since 1970 as an aware datetime; None beyond the range of datetime (the year 9999)."""
    if at_s is None or not -6e10 < at_s < 2.5e11:
        return None
    return datetime.fromtimestamp(at_s, UTC)


def judge_full(
    key: SeriesKey,
    found: Forecast,
    now: datetime,
    rule: FullRule,
    standing: Priority | None,
    since: datetime | None = None,
    used: float | None = None,
    used_share: UsedShareRule = UsedShareRule(),
) -> Finding:
    """Evaluate a level: how long until it is full. since: since when it is full; None if it is not.

    used: the share of the capacity that the newest sample uses; None: that of the forecast.
    used_share: the operator's limits for that share.
    """
    priority = _wanted(found, now, rule, standing)
    if priority is not None and priority > (standing or 0):
        priority = max(filter(None, (standing, _earned(found, rule, priority))), default=None)
    limit = None
    if used_share.subjects:
        share = used if used is not None else found.used / found.capacity
        priority, limit = _with_share(key.subject, share, used_share, priority, standing)
    return Finding(
        key,
        Concern.FULL,
        now,
        priority,
        ends_at=instant(found.likely_s),
        earliest_at=instant(found.earliest_s),
        latest_at=instant(found.latest_s),
        since=since,
        reason=found.no_end.value if found.no_end else "",
        forecast=found,
        used_limit=limit,
    )


def _with_share(
    subject: str, used: float, rule: UsedShareRule, priority: Priority | None, standing: Priority | None
) -> tuple[Priority | None, float | None]:
    """The priority, with what the used share calls for; and the limit that decided, or that it is back below."""
    reached = rule.limit(subject, used, standing)
    if reached is not None and reached[0] >= (priority or 0):
        return reached
    return priority, rule.lowest(subject) if priority is None and standing is not None else None


PROVEN_D, LASTING_LESS = (0.5, 0.9), 0.57
"""What has lasted for most of a day is rarely a job: from then on 0.57 of `min_history` is enough, and from half
a day on a part of that."""
UNKNOWN_CYCLE_S, FROM_THE_FIRST = 8 * DAY_S, 0.1
"""In its first week a record may be one rise of a weekly cycle that was not cleared yet: if the growth began within
this share of the record, nothing less than `min_history` is enough."""
GRACE_TIMES = 1.0
"""The grace is at most this many times the known duration of the growth. In the first minutes of a history plain noise
looks like a growth that fills the store within the hour; tests/alerting/test_rules.py counts how often that is
reported."""
FARTHEST = 3.0
"""An active alert is dropped in any case if the likely end is this many times farther away than its threshold."""


def _wanted(found: Forecast, now: datetime, rule: FullRule, standing: Priority | None) -> Priority | None:
    """The priority that the time left requires. An active one is kept while the end may still be that close."""
    if found.likely_s is None or found.earliest_s is None:
        return None
    likely_s, earliest_s = found.likely_s - now.timestamp(), found.earliest_s - now.timestamp()
    limits = rule.caution_s, rule.warning_s, rule.alarm_s
    wanted = within(likely_s, *limits, standing=standing, deadband=rule.deadband)
    if standing is None or (wanted or 0) >= standing:
        return wanted
    kept = within(max(earliest_s, likely_s / FARTHEST), *limits)
    return max(filter(None, (wanted, kept and min(kept, standing))), default=None)


def _earned(found: Forecast, rule: FullRule, wanted: Priority) -> Priority | None:
    """The priority that a growth may raise, given its duration: the wanted one, a caution, or none yet.

    A growth that rests raises nothing: it may have stopped, and what does not move comes no closer to the end.
    """
    if found.resting_since_s is not None:
        return None
    if found.likely_s is None or found.since_s is None:
        return wanted
    lasted_s, left_s = found.at_s - found.since_s, found.likely_s - found.at_s
    if lasted_s + min(GRACE_S, GRACE_TIMES * lasted_s) >= needed_s(found, left_s, rule):
        return wanted
    return Priority.CAUTION if lasted_s >= rule.min_history * left_s / 3 and rule.caution_s is not None else None


def needed_s(found: Forecast, left_s: float, rule: FullRule) -> float:
    """For how long a growth must have lasted before it raises a warning."""
    lasted_s = found.at_s - (found.at_s if found.since_s is None else found.since_s)
    proven = min(max((lasted_s / DAY_S - PROVEN_D[0]) / (PROVEN_D[1] - PROVEN_D[0]), 0.0), 1.0)
    less = 0.0 if _only_rise(found, lasted_s) else (1 - LASTING_LESS) * proven
    return rule.min_history * left_s * (1 - less)


def _only_rise(found: Forecast, lasted_s: float) -> bool:
    """Return whether all that is known is one rise, which may be part of a cycle of a week."""
    known_s = found.at_s - (-math.inf if found.recorded_since_s is None else found.recorded_since_s)
    return known_s < UNKNOWN_CYCLE_S and known_s - lasted_s < FROM_THE_FIRST * known_s


def judge_overdue(seen: Deadline, first_seen_at: datetime, now: datetime, rule: OverdueRule) -> Finding:
    """Evaluate a deadline: missed, or near. One of which none is found counts as due when it was first checked."""
    due_at = seen.due_at or first_seen_at
    left_s = (due_at - now).total_seconds()
    if seen.period_s is not None:
        limits = [
            None if late is None else -late * seen.period_s
            for late in (rule.late_caution, rule.late_warning, rule.late_alarm)
        ]
        priority = within(left_s, *limits)
    else:
        priority = within(left_s, rule.ahead_caution_s, rule.ahead_warning_s, rule.ahead_alarm_s)
    return Finding(
        seen.key,
        Concern.OVERDUE,
        now,
        priority,
        ends_at=due_at,
        since=due_at if left_s < 0 else None,
        reason="" if seen.due_at else "none found",
    )


def judge_not_answering(seen: Answer, since: datetime | None, now: datetime, rule: NotAnsweringRule) -> Finding:
    """Evaluate an answer: how long there has been none."""
    priority = None
    if not seen.answered and since is not None:
        lasted_s = (now - since).total_seconds()
        priority = within(
            -lasted_s, *(None if s is None else -s for s in (rule.caution_s, rule.warning_s, rule.alarm_s))
        )
    return Finding(seen.key, Concern.NOT_ANSWERING, now, priority, since=since, reason=seen.reason)


def judge_faulty(seen: Condition, since: datetime | None, now: datetime, rule: FaultyRule) -> Finding:
    """Evaluate a condition: OK or faulty."""
    priority = None if seen.ok else rule.failed_priority if seen.grave else rule.priority
    return Finding(seen.key, Concern.FAULTY, now, priority, since=since, reason=seen.reason)


def judge_not_reporting(
    key: SeriesKey, last_at: datetime, interval_s: float, now: datetime, rule: NotReportingRule
) -> Finding:
    """Evaluate whether the probe has recently delivered a sample."""
    ends_at = last_at + timedelta(seconds=rule.intervals * interval_s)
    missing = now >= ends_at
    return Finding(
        key,
        Concern.NOT_REPORTING,
        now,
        rule.priority if missing else None,
        ends_at=ends_at,
        since=last_at if missing else None,
        reason="no reading" if missing else "",
    )
