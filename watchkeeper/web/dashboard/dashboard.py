"""The content of the status page, before it is drawn or worded: active alerts, times left, and what is OK.

Pure; the page and the API make their forms from the same `Dashboard`, so the order is the same.
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from enum import Enum

from watchkeeper.alerting.missing_data import is_gone
from watchkeeper.model.alert import CONCERN, Alert, Concern, Priority, State
from watchkeeper.model.finding import Finding
from watchkeeper.model.forecast import NoEnd
from watchkeeper.model.observation import OWN_SUBJECT, Condition, Kind, Observation, SeriesKey, unseen_in
from watchkeeper.model.records import Seen, Series

YEAR_S = 365 * 86_400.0
"""The end of the time-left chart; what ends later is not expected to end as far as the page is concerned."""

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

    @property
    def known(self) -> bool:
        """True if the series was evaluated and is OK; False if nothing can be said about it yet."""
        return self not in {OkSeries.LEARNING, OkSeries.UNCERTAIN}


@dataclass(frozen=True, slots=True)
class ActiveAlert:
    """An alert that is not in its normal state, with the newest finding and observation behind it.

    holds: the alerts that are suppressed because of this one; they are shown below it and nowhere else.
    """

    alert: Alert
    series_id: int | None
    finding: Finding | None
    observation: Observation | None
    holds: tuple["ActiveAlert", ...] = ()


@dataclass(frozen=True, slots=True)
class Place:
    """A subject's place on the time-left chart. Seconds from the page's own time; latest_s None: no upper end."""

    series_id: int | None
    finding: Finding
    priority: Priority | None
    left_s: float
    earliest_s: float | None
    latest_s: float | None

    @property
    def forecast(self) -> bool:
        """True if the end is an estimate, False if it is a due date."""
        return self.finding.concern is Concern.FULL


@dataclass(frozen=True, slots=True)
class QuietSeries:
    """A series that is OK, or not known yet."""

    series_id: int
    key: SeriesKey
    why: OkSeries
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

    needing: active and not shelved. known: acknowledged. aside: shelved. over: rectified and not acknowledged.
    newest_at: the time of the newest sample; None if there is none. unseen: what "OK" does not cover.
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


def build_dashboard(
    series: Sequence[Series],
    latest: Sequence[Seen],
    findings: Sequence[Finding],
    alerts: Sequence[Alert],
    now: datetime,
) -> Dashboard:
    """Sort what the store knows into the parts of the page. Series that are no longer monitored are left out."""
    gone = {f.key for f in findings if is_gone(f)}
    series = [s for s in series if s.key not in gone]
    ids = {s.key: s.id for s in series}
    seen = {s.observation.key: s.observation for s in latest}
    found = {(f.key, f.concern): f for f in findings}
    active = [_standing(a, ids, found, seen) for a in alerts if a.state is not State.NORMAL]
    standing = sorted(active, key=lambda s: _urgency(s, now))
    priorities = {(s.alert.key, s.alert.concern): s.alert.priority for s in standing}
    places = sorted(_places(findings, ids, priorities, now), key=lambda p: (p.left_s, p.finding.key))
    quiet = _not_busy(series, places, standing)
    return Dashboard(
        now,
        *_parts(_beneath(standing), now),
        tuple(places),
        tuple(_quiet(s, found, seen) for s in quiet),
        len(series),
        max((s.at for s in latest), default=None),
        tuple(not_observed(seen[each.key] for each in series if each.key in seen)),
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


def _standing(
    alert: Alert,
    ids: Mapping[SeriesKey, int],
    found: Mapping[tuple[SeriesKey, Concern], Finding],
    seen: Mapping[SeriesKey, Observation],
) -> ActiveAlert:
    return ActiveAlert(alert, ids.get(alert.key), found.get((alert.key, alert.concern)), seen.get(alert.key))


def _not_busy(series: Iterable[Series], places: Iterable[Place], standing: Iterable[ActiveAlert]) -> list[Series]:
    """The series that have neither an end ahead nor an active alert."""
    busy = {p.finding.key for p in places} | {s.alert.key for s in standing if s.alert.standing}
    return [each for each in series if each.key not in busy]


Shown = tuple[ActiveAlert, ...]


def _parts(shown: Sequence[ActiveAlert], now: datetime) -> tuple[Shown, Shown, Shown, Shown]:
    """Return those that need the operator, those acknowledged, those shelved, and those that are over."""
    aside = [s for s in shown if s.alert.standing and s.alert.shelved(now)]
    told = [s for s in shown if not (s.alert.standing and s.alert.shelved(now))]
    of_state = {state: tuple(s for s in told if s.alert.state is state) for state in State}
    return of_state[State.ACTIVE], of_state[State.ACKNOWLEDGED], tuple(aside), of_state[State.RECTIFIED]


def _beneath(standing: Sequence[ActiveAlert]) -> list[ActiveAlert]:
    """The alerts with no active cause, each with those suppressed because of it.

    An alert whose cause is no longer active (it has just ended) is shown on its own.
    """
    causes = {s.alert.key for s in standing if s.alert.standing and s.alert.held_by is None}
    held: dict[SeriesKey, list[ActiveAlert]] = {}
    free = []
    for each in standing:
        if each.alert.held_by in causes and each.alert.standing:
            held.setdefault(each.alert.held_by, []).append(each)
        else:
            free.append(each)
    return [replace(s, holds=tuple(held.pop(s.alert.key, ()))) if s.alert.standing else s for s in free]


def _urgency(standing: ActiveAlert, now: datetime) -> tuple[int, float, SeriesKey]:
    """The sort key: most urgent first.

    Among equals, what has already happened comes first, in the order in which it began (the first is the likelier
    cause), then what is ahead, by its time left.
    """
    alert, finding = standing.alert, standing.finding
    at = alert.raised_at or now
    if finding is not None and alert.concern in ENDING and finding.ends_at is not None and finding.ends_at > now:
        at = finding.ends_at
    return -(alert.priority or 0), at.timestamp(), alert.key


def _places(
    findings: Iterable[Finding],
    ids: Mapping[SeriesKey, int],
    priorities: Mapping[tuple[SeriesKey, Concern], Priority | None],
    now: datetime,
) -> Iterable[Place]:
    for f in findings:
        if f.concern not in ENDING or f.ends_at is None:
            continue
        left_s = (f.ends_at - now).total_seconds()
        priority = priorities.get((f.key, f.concern))
        # What is over is already listed above; a year and more counts as no end.
        if left_s > YEAR_S or (left_s <= 0 and priority is not None):
            continue
        yield Place(ids.get(f.key), f, priority, left_s, *(_left(f, at, now) for at in (f.earliest_at, f.latest_at)))


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
    return QuietSeries(series.id, series.key, _why(series.kind, finding), finding, seen.get(series.key))


def _why(kind: Kind, finding: Finding | None) -> OkSeries:
    no_end = finding.forecast.no_end if finding and finding.forecast else None
    if finding is None or no_end is NoEnd.TOO_FEW:
        return OkSeries.LEARNING
    return OkSeries.UNCERTAIN if no_end is NoEnd.UNCERTAIN else WELL[kind]
