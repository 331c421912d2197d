"""Which metrics there are: levels, forecasts, due dates, answers, conditions, alerts, probes, deliveries and health.

Names follow the rules of OpenMetrics 1.0: a family with a unit ends with it, a counter's sample with `_total`. There
are no timestamps, because every value is the newest one. What is most urgent is taken first, so that a bound leaves
out what matters least. Not here: the text format (openmetrics.py), who may read it (handlers.py).
"""

import math
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime

from watchkeeper import __version__
from watchkeeper.model.alert import CONCERN, Alert, Concern, Priority, State
from watchkeeper.model.finding import Finding
from watchkeeper.model.observation import Answer, Condition, Deadline, Level, SeriesKey, Unit
from watchkeeper.model.records import Seen
from watchkeeper.web.dashboard.health import HealthReport, Measurements
from watchkeeper.web.exposition.activity import Activity, ProbeActivity
from watchkeeper.web.exposition.openmetrics import Exposition, Family, Limits, MetricType, Point

GAUGE, COUNTER = MetricType.GAUGE, MetricType.COUNTER

BUILD = Family("watchkeeper_build", MetricType.INFO, "The version of watchkeeper, and the host that it monitors.")
STARTED = Family("watchkeeper_started_timestamp_seconds", GAUGE, "When the daemon started (Unix time).", "seconds")
HEALTH = Family("watchkeeper_health", MetricType.STATESET, "Whether monitoring itself works.")
ALERTS = Family("watchkeeper_alerts", GAUGE, "Present alerts by state and priority.")
RECTIFIED = Family("watchkeeper_alerts_rectified", GAUGE, "Alerts that ended before anyone acknowledged them.")
SHELVED = Family("watchkeeper_alerts_shelved", GAUGE, "Alerts that are shelved.")
ALERT = Family(
    "watchkeeper_alert_priority", GAUGE, "Priority of each present alert: 1 is caution, 2 is warning, 3 is alarm."
)
RUNS = Family("watchkeeper_probe_runs", COUNTER, "Runs of a probe since the daemon started.")
FAILURES = Family("watchkeeper_probe_failures", COUNTER, "Runs of a probe that failed, since the daemon started.")
TOOK = Family("watchkeeper_probe_duration_seconds", GAUGE, "How long the last run of a probe took.", "seconds")
RAN = Family(
    "watchkeeper_probe_last_run_timestamp_seconds", GAUGE, "When the last run of a probe ended (Unix time).", "seconds"
)
ATTEMPTS = Family(
    "watchkeeper_delivery_attempts", COUNTER, "Attempts to deliver a message since the daemon started, by result."
)
WAITING = Family("watchkeeper_deliveries_waiting", GAUGE, "Messages that wait for delivery.")
USED_BYTES = Family("watchkeeper_level_used_bytes", GAUGE, "Used bytes of a level.", "bytes")
SIZE_BYTES = Family("watchkeeper_level_size_bytes", GAUGE, "Size of a level in bytes.", "bytes")
USED_ITEMS = Family("watchkeeper_level_used_items", GAUGE, "Used items of a level, such as inodes.", "items")
SIZE_ITEMS = Family("watchkeeper_level_size_items", GAUGE, "Size of a level in items.", "items")
USED_RATIO = Family("watchkeeper_level_used_ratio", GAUGE, "Used part of a level, from 0 to 1.", "ratio")
TO_FULL = Family(
    "watchkeeper_time_to_full_seconds",
    GAUGE,
    "Forecast of the time until a level is full: the likely time, and both ends of its 90 % range. "
    "A range without an upper end ends at +Inf. Without a forecast there is no sample.",
    "seconds",
)
TO_DUE = Family(
    "watchkeeper_time_to_due_seconds", GAUGE, "Time until something is due; less than 0 if it is overdue.", "seconds"
)
ANSWERING = Family("watchkeeper_answering", GAUGE, "1 if the last request was answered as it should be, else 0.")
ANSWER_TOOK = Family("watchkeeper_answer_duration_seconds", GAUGE, "How long the last answer took.", "seconds")
OK = Family("watchkeeper_condition_ok", GAUGE, "1 if a condition is OK, 0 if it is faulty.")
SEEN_AT = Family(
    "watchkeeper_observed_timestamp_seconds", GAUGE, "When a quantity was last observed (Unix time).", "seconds"
)
LEFT_OUT = Family("watchkeeper_samples_left_out", GAUGE, "Samples left out here, to bound the size of this text.")

FAMILIES = (
    BUILD, STARTED, HEALTH, ALERTS, RECTIFIED, SHELVED, ALERT, RUNS, FAILURES, TOOK, RAN, ATTEMPTS, WAITING, USED_BYTES,
    SIZE_BYTES, USED_ITEMS, SIZE_ITEMS, USED_RATIO, TO_FULL, TO_DUE, ANSWERING, ANSWER_TOOK, OK, SEEN_AT,
)  # fmt: skip
"""Every family but the last one, in the order in which they are written."""

LEVELS = {Unit.BYTES: (USED_BYTES, SIZE_BYTES), Unit.COUNT: (USED_ITEMS, SIZE_ITEMS), Unit.SHARE: (USED_RATIO, None)}

Labels = tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True)
class Monitored:
    """What is exposed. waiting: deliveries that wait, by notifier."""

    host: str
    health: Measurements
    activity: Activity = field(default_factory=Activity)
    seen: Sequence[Seen] = ()
    findings: Sequence[Finding] = ()
    alerts: Sequence[Alert] = ()
    waiting: Mapping[str, int] = field(default_factory=dict)


def expose(monitored: Monitored, now: datetime, limits: Limits) -> str:
    """The exposition at a time."""
    text = Exposition(FAMILIES, LEFT_OUT, limits)
    text.add(_own(monitored))
    text.add(_alert_counts(monitored.alerts, now))
    for alert in sorted(_present(monitored.alerts), key=lambda a: -(a.priority or 0)):
        text.add([Point(ALERT, (*_of(alert.key), ("concern", alert.concern.words)), alert.priority or 0)])
    for notifier in sorted({*monitored.waiting, *(name for name, _ in monitored.activity.attempts)}):
        text.add(_deliveries(notifier, monitored))
    for probe in monitored.activity.probes:
        text.add(_probe(probe))
    findings = {(each.key, each.concern): each for each in monitored.findings}
    for seen in sorted(monitored.seen, key=lambda s: _urgency(s, findings)):
        text.add(_quantity(seen, findings.get(_judged(seen)), now))
    return text.text()


def _own(monitored: Monitored) -> Iterator[Point]:
    yield Point(BUILD, (("version", __version__), ("host", monitored.host)), 1)
    yield Point(STARTED, (), monitored.health.started_at.timestamp())
    for each in HealthReport:
        yield Point(HEALTH, ((HEALTH.name, each.value),), each is monitored.health.fitness)


def _present(alerts: Sequence[Alert]) -> list[Alert]:
    return [each for each in alerts if each.standing]


def _alert_counts(alerts: Sequence[Alert], now: datetime) -> Iterator[Point]:
    """Every pair, also those of which there is none: a sample that disappears cannot be told from one that is lost."""
    counted = Counter((each.state, each.priority) for each in _present(alerts))
    for state in (State.ACTIVE, State.ACKNOWLEDGED):
        for priority in Priority:
            labels = (("state", state.value), ("priority", priority.word))
            yield Point(ALERTS, labels, counted[state, priority])
    yield Point(RECTIFIED, (), sum(each.state is State.RECTIFIED for each in alerts))
    yield Point(SHELVED, (), sum(each.shelved(now) for each in alerts))


def _deliveries(notifier: str, monitored: Monitored) -> Iterator[Point]:
    yield Point(WAITING, (("notifier", notifier),), monitored.waiting.get(notifier, 0))
    for (name, result), count in sorted(monitored.activity.attempts.items()):
        if name == notifier:
            yield Point(ATTEMPTS, (("notifier", notifier), ("result", result)), count)


def _probe(probe: ProbeActivity) -> Iterator[Point]:
    labels = (("probe", probe.label),)
    yield Point(RUNS, labels, probe.runs)
    yield Point(FAILURES, labels, probe.failures)
    if probe.took_s is not None:
        yield Point(TOOK, labels, probe.took_s)
    if probe.ended_at is not None:
        yield Point(RAN, labels, probe.ended_at.timestamp())


def _judged(seen: Seen) -> tuple[SeriesKey, Concern]:
    return seen.observation.key, CONCERN[seen.observation.kind]


def _urgency(seen: Seen, findings: Mapping[tuple[SeriesKey, Concern], Finding]) -> tuple[int, float]:
    """Which quantity is written first: by priority, then by the time that is left."""
    finding = findings.get(_judged(seen))
    if finding is None:
        return 0, math.inf
    ends_s = math.inf if finding.ends_at is None else finding.ends_at.timestamp()
    return -(finding.priority or 0), ends_s


def _of(key: SeriesKey) -> Labels:
    return ("subject", key.subject), ("quantity", key.quantity)


def _quantity(seen: Seen, finding: Finding | None, now: datetime) -> Iterator[Point]:
    """All samples of one quantity."""
    labels, observed = _of(seen.observation.key), seen.observation
    yield Point(SEEN_AT, labels, seen.at.timestamp())
    match observed:
        case Level():
            yield from _level(observed, labels)
            yield from _forecast(finding, labels, now)
        case Deadline():
            if observed.due_at is not None:
                yield Point(TO_DUE, labels, (observed.due_at - now).total_seconds())
        case Answer():
            yield Point(ANSWERING, labels, observed.answered)
            if observed.took_s is not None:
                yield Point(ANSWER_TOOK, labels, observed.took_s)
        case Condition():
            yield Point(OK, labels, observed.ok)


def _level(level: Level, labels: Labels) -> Iterator[Point]:
    used, size = LEVELS[level.unit]
    yield Point(used, labels, level.used)
    if size is not None:
        yield Point(size, labels, level.capacity)


def _forecast(finding: Finding | None, labels: Labels, now: datetime) -> Iterator[Point]:
    if finding is None or finding.ends_at is None:
        return
    for bound, at in (("earliest", finding.earliest_at), ("likely", finding.ends_at), ("latest", finding.latest_at)):
        left_s = math.inf if at is None else max(0.0, (at - now).total_seconds())
        if at is not None or bound == "latest":
            yield Point(TO_FULL, (*labels, ("bound", bound)), left_s)
