"""The content of the status page, before it is drawn or worded: active alerts, times left, and what is OK.

Pure; the page and the API make their forms from the same `Dashboard`, so the order is the same.
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from enum import Enum

from watchkeeper.alerting.correlation.correlation import CAUSES
from watchkeeper.alerting.missing_data import is_gone
from watchkeeper.model.alert import CONCERN, Alert, Concern, Priority, State
from watchkeeper.model.finding import Finding
from watchkeeper.model.forecast import NoEnd
from watchkeeper.model.observation import OWN_SUBJECT, Answer, Condition, Kind, Level, Observation, SeriesKey, unseen_in
from watchkeeper.model.operator.maintenance import MAINTENANCE
from watchkeeper.model.records import Seen, Series
from watchkeeper.web.dashboard.active_alert import ActiveAlert
from watchkeeper.web.dashboard.cause_tree import DependentsOf, group_by_cause
from watchkeeper.web.events.event_text import is_easing

YEAR_S = 365 * 86_400.0
"""The end of the time-left chart; what ends later is not expected to end as far as the page is concerned."""

HIGH_SHARE = 0.8
"""A level without a forecast is shown in the open from this share on, not in a folded list. Our own choice."""

ENDING = frozenset({Concern.FULL, Concern.OVERDUE})
"""The concerns with an end ahead. A probe's next sample has one too, always a few minutes ahead: it is not shown."""


class OkSeries(Enum):
    """Why a series has no place on the time-left chart, in the words of the page."""

    NO_END = "not expected to fill within a year"
    NOT_DUE = "due in over a year"
    ANSWERS = "answering"
    SOUND = "healthy"
    LEARNING = "still learning"
    UNCERTAIN = "too uncertain to forecast"
    EARLY = "growing; too early for a date"
    UNUSUAL = "growing unusually fast"
    FAILING = "failing, within its limits"
    UNJUDGED = "not judged yet"
    RECORDED = "only recorded"

    @property
    def known(self) -> bool:
        """True if the series was evaluated and is OK; False if that is not so yet, or not known yet."""
        return self not in _NOT_OK


_NOT_OK = frozenset(
    {OkSeries.LEARNING, OkSeries.UNCERTAIN, OkSeries.EARLY, OkSeries.UNUSUAL, OkSeries.FAILING, OkSeries.UNJUDGED}
)


@dataclass(frozen=True, slots=True)
class Place:
    """A subject's place on the time-left chart. Seconds from the page's own time; latest_s None: no upper end."""

    series_id: int | None
    finding: Finding
    priority: Priority | None
    left_s: float
    earliest_s: float | None
    latest_s: float | None
    observation: Observation | None = None

    @property
    def forecast(self) -> bool:
        """True if the end is an estimate, False if it is a due date."""
        return self.finding.concern is Concern.FULL


@dataclass(frozen=True, slots=True)
class QuietSeries:
    """A series without an alert: it is OK, fails for less than its limit, or is not known yet."""

    series_id: int
    key: SeriesKey
    why: OkSeries
    finding: Finding | None
    observation: Observation | None

    @property
    def open(self) -> bool:
        """True if it must not be folded: it fails, grows unusually fast, or is nearly full with an unknown trend."""
        seen = self.observation
        high = isinstance(seen, Level) and seen.used >= HIGH_SHARE * seen.capacity
        return self.why in {OkSeries.UNUSUAL, OkSeries.FAILING} or (high and not self.why.known)


@dataclass(frozen=True, slots=True)
class Item:
    """A monitored series with its newest observation, and the finding of its own kind."""

    series_id: int
    key: SeriesKey
    kind: Kind
    finding: Finding | None
    observation: Observation | None


@dataclass(frozen=True, slots=True)
class NotObserved:
    """What a probe could not look at. probe: its name. what: the thing; empty if the whole probe could not run."""

    probe: str
    what: str
    why: str


@dataclass(frozen=True, slots=True)
class Dashboard:
    """The whole content, each part in the order in which it is shown.

    needing: active and not shelved. known: acknowledged. aside: shelved, or in maintenance. over: rectified and not
    acknowledged. newest_at: the time of the newest sample; None if there is none. unseen: what "OK" does not cover.
    items: every monitored series. priorities: of each alert that is not in its normal state.
    """

    at: datetime
    needing: tuple[ActiveAlert, ...]
    known: tuple[ActiveAlert, ...]
    aside: tuple[ActiveAlert, ...]
    over: tuple[ActiveAlert, ...]
    places: tuple[Place, ...]
    quiet: tuple[QuietSeries, ...]
    watched: int
    newest_at: datetime | None
    unseen: tuple[NotObserved, ...] = ()
    items: tuple[Item, ...] = ()
    priorities: Mapping[tuple[SeriesKey, Concern], Priority | None] = field(default_factory=dict)

    @property
    def urgent(self) -> Priority | None:
        """The highest priority of what needs the operator. What has room again counts as a caution."""
        return max(
            (
                Priority.CAUTION if is_easing(e.alert, e.finding) else e.alert.priority
                for e in self.needing
                if e.alert.priority
            ),
            default=None,
        )

    def event_of(self, key: SeriesKey, concern: Concern) -> ActiveAlert | None:
        """The event to which an alert belongs; None if there is none."""
        events = (*self.needing, *self.known, *self.aside, *self.over)
        named = (key, concern)
        return next((e for e in events if any((a.alert.key, a.alert.concern) == named for a in e.whole)), None)


def no_dependents(_subject: str) -> Sequence[str]:
    """The default if no dependencies are known."""
    return ()


def build_dashboard(
    series: Sequence[Series],
    latest: Sequence[Seen],
    findings: Sequence[Finding],
    alerts: Sequence[Alert],
    now: datetime,
    dependents_of: DependentsOf = no_dependents,
) -> Dashboard:
    """Sort what the store knows into the parts of the page. Series that are no longer monitored are left out.

    dependents_of: returns the subjects that depend on a subject.
    """
    gone = {f.key for f in findings if is_gone(f)}
    series = [s for s in series if s.key not in gone]
    known = _known(series, latest, findings)
    active = [known.of(a, now) for a in alerts if a.state is not State.NORMAL]
    standing = sorted(active, key=lambda s: _urgency(s, now, dependents_of))
    priorities = {(s.alert.key, s.alert.concern): s.alert.priority for s in standing}
    places = sorted(_places(findings, known, priorities, now), key=lambda p: (p.left_s, p.finding.key))
    return Dashboard(
        now,
        *_parts(standing, dependents_of, {s.key: s.interval_s for s in series}, now),
        tuple(places),
        tuple(_quiet(s, known.found, known.seen) for s in _not_busy(series, places, standing)),
        len(series),
        max((s.at for s in latest), default=None),
        tuple(not_observed(known.seen[each.key] for each in series if each.key in known.seen)),
        tuple(
            Item(s.id, s.key, s.kind, known.found.get((s.key, CONCERN[s.kind])), known.seen.get(s.key)) for s in series
        ),
        priorities,
    )


def not_observed(seen: Iterable[Observation]) -> Iterator[NotObserved]:
    """What the probes could not look at, from their own conditions. None of it is OK, and none is known as faulty."""
    for each in seen:
        if not isinstance(each, Condition) or not each.key.subject.startswith(OWN_SUBJECT):
            continue
        name = each.key.subject.removeprefix(OWN_SUBJECT)
        if not each.ok:
            yield NotObserved(name, "", each.reason)
        yield from (NotObserved(name, part.what, part.why) for part in unseen_in(each.facts))


@dataclass(frozen=True, slots=True)
class _Known:
    """What the store knows: the ids of series, their newest observations, and the findings."""

    ids: Mapping[SeriesKey, int]
    seen: Mapping[SeriesKey, Observation]
    found: Mapping[tuple[SeriesKey, Concern], Finding]

    def of(self, alert: Alert, now: datetime) -> ActiveAlert:
        """An alert with what is known about it."""
        finding = self.found.get((alert.key, alert.concern))
        return ActiveAlert(alert, self.ids.get(alert.key), finding, self.seen.get(alert.key), now)


def _known(series: Iterable[Series], latest: Iterable[Seen], findings: Iterable[Finding]) -> _Known:
    return _Known(
        {s.key: s.id for s in series},
        {s.observation.key: s.observation for s in latest},
        {(f.key, f.concern): f for f in findings},
    )


def _not_busy(series: Iterable[Series], places: Iterable[Place], standing: Iterable[ActiveAlert]) -> list[Series]:
    """The series that have neither an end ahead nor an active alert."""
    busy = {p.finding.key for p in places} | {s.alert.key for s in standing if s.alert.standing}
    return [each for each in series if each.key not in busy]


Shown = tuple[ActiveAlert, ...]


def _parts(
    alerts: Sequence[ActiveAlert],
    dependents_of: DependentsOf,
    intervals: Mapping[SeriesKey, float],
    now: datetime,
) -> tuple[Shown, Shown, Shown, Shown]:
    """Return the events that need the operator, those acknowledged, those shelved, and those that are over."""
    standing, over = ([a for a in alerts if a.alert.standing is here] for here in (True, False))
    events = group_by_cause(standing, dependents_of, intervals)
    aside = [e for e in events if _is_aside(e.alert, now)]
    shown = [e for e in events if not _is_aside(e.alert, now)]
    return (
        tuple(e for e in shown if e.needs),
        tuple(e for e in shown if not e.needs),
        tuple(aside),
        tuple(group_by_cause(over, dependents_of, intervals)),
    )


def _is_aside(alert: Alert, now: datetime) -> bool:
    """Did the operator decide that nothing is sent about it for a time?"""
    return alert.shelved(now) or alert.held_by == MAINTENANCE


def _urgency(
    standing: ActiveAlert, now: datetime, dependents_of: DependentsOf
) -> tuple[bool, int, bool, float, SeriesKey, Concern]:
    """The sort key: most urgent first, and last what has room again and only waits for that to last.

    Of the same priority, what others depend on comes first: a pool that will stop every guest goes before a snapshot
    that is late. A priority that only came from waiting for an acknowledgement does not count. Then what has already
    happened comes in the order in which it began (the first is the likelier cause), then what is ahead.
    """
    alert, finding = standing.alert, standing.finding
    priority = (finding.priority if finding and alert.escalated else None) or alert.priority or 0
    at = alert.raised_at or now
    if finding is not None and alert.concern in ENDING and finding.ends_at is not None and finding.ends_at > now:
        at = finding.ends_at
    stops = alert.concern in CAUSES and bool(dependents_of(alert.key.subject))
    return is_easing(alert, finding), -priority, not stops, at.timestamp(), alert.key, alert.concern


def _places(
    findings: Iterable[Finding],
    known: "_Known",
    priorities: Mapping[tuple[SeriesKey, Concern], Priority | None],
    now: datetime,
) -> Iterable[Place]:
    for f in findings:
        priority = priorities.get((f.key, f.concern))
        if f.concern not in ENDING or f.ends_at is None or (priority is None and (unusual(f) or f.early)):
            continue
        left_s = (f.ends_at - now).total_seconds()
        # What is over is already listed above; a year and more counts as no end.
        if left_s > YEAR_S or (left_s <= 0 and priority is not None):
            continue
        earliest_s, latest_s = (_left(f, at, now) for at in (f.earliest_at, f.latest_at))
        yield Place(known.ids.get(f.key), f, priority, left_s, earliest_s, latest_s, known.seen.get(f.key))


def unusual(finding: Finding) -> bool:
    """Return whether a level grows unusually fast: the date of its trend, if any, is that of the time before."""
    return finding.forecast is not None and finding.forecast.unusual is not None


def _left(finding: Finding, at: datetime | None, now: datetime) -> float | None:
    return None if at is None or finding.concern is not Concern.FULL else (at - now).total_seconds()


WELL = {
    Kind.ANSWER: OkSeries.ANSWERS,
    Kind.CONDITION: OkSeries.SOUND,
    Kind.LEVEL: OkSeries.NO_END,
    Kind.DEADLINE: OkSeries.NOT_DUE,
}


def _quiet(
    series: Series, found: Mapping[tuple[SeriesKey, Concern], Finding], seen: Mapping[SeriesKey, Observation]
) -> QuietSeries:
    finding = found.get((series.key, CONCERN[series.kind]))
    return QuietSeries(
        series.id, series.key, why_ok(series.kind, finding, seen.get(series.key)), finding, seen.get(series.key)
    )


def why_ok(kind: Kind, finding: Finding | None, seen: Observation | None) -> OkSeries:
    """Why a series without an alert is OK, or why that is not known. seen: its newest observation."""
    if (why := _why_by_itself(seen)) is not None:
        return why
    if finding is not None and unusual(finding):
        return OkSeries.UNUSUAL
    forecast = finding.forecast if finding else None
    no_end = forecast.no_end if forecast else None
    if finding is None or no_end is NoEnd.TOO_FEW or (forecast is not None and forecast.learning):
        return OkSeries.LEARNING
    if finding.early:
        return OkSeries.EARLY
    return OkSeries.UNCERTAIN if no_end is NoEnd.UNCERTAIN else WELL[kind]


def _why_by_itself(seen: Observation | None) -> OkSeries | None:
    """What the newest observation says without its finding; None if that is not enough."""
    match seen:
        case Level(not_judged=True):
            return OkSeries.RECORDED
        case Answer(answered=False) | Condition(ok=False):
            return OkSeries.FAILING
        case Condition():
            return OkSeries.UNJUDGED if seen.unjudged else None
        case _:
            return None
