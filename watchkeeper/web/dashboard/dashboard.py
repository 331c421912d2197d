"""What the board shows, before anyone draws or words it: what stands, what has its place on the staff, what is well.

Pure; the page, the API and later the terminal make their forms from the same `Board`, so the order is the same.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from enum import Enum

from watchkeeper.alerting.missing_data import is_gone
from watchkeeper.model.alert import CONCERN, Alert, Concern, Priority, State
from watchkeeper.model.finding import Finding
from watchkeeper.model.forecast import NoEnd
from watchkeeper.model.observation import Kind, Observation, SeriesKey
from watchkeeper.model.records import Seen, Series

YEAR_S = 365 * 86_400.0
"""The staff ends here; what ends later has no end in sight as far as the board goes."""

ENDING = frozenset({Concern.FULL, Concern.OVERDUE})
"""The concerns that have an end ahead. A probe's own staleness has one too, minutes ahead and always: not shown."""


class OkSeries(Enum):
    """Why something needs no place on the staff."""

    NO_END = "no end in sight within a year"
    ANSWERS = "answering"
    SOUND = "sound"
    UNKNOWN = "not known yet"


@dataclass(frozen=True, slots=True)
class ActiveAlert:
    """An alert that is not in its normal state, with the newest finding and observation behind it.

    holds: the alerts that are not told because this one stands for them; they are shown beneath it and nowhere else.
    """

    alert: Alert
    series_id: int | None
    finding: Finding | None
    observation: Observation | None
    holds: tuple["ActiveAlert", ...] = ()


@dataclass(frozen=True, slots=True)
class Place:
    """A subject's place on the staff. Seconds from the board's own moment; latest_s None: no upper end."""

    series_id: int | None
    finding: Finding
    priority: Priority | None
    left_s: float
    earliest_s: float | None
    latest_s: float | None

    @property
    def forecast(self) -> bool:
        """True where the end is estimated, False where it is an appointment."""
        return self.finding.concern is Concern.FULL


@dataclass(frozen=True, slots=True)
class QuietSeries:
    """A series that is well, or not known yet."""

    series_id: int
    key: SeriesKey
    why: OkSeries
    finding: Finding | None
    observation: Observation | None


@dataclass(frozen=True, slots=True)
class Dashboard:
    """All of it, each part in the order in which it is shown.

    needing: active and not set aside. known: acknowledged. aside: shelved. over: rectified, nobody has said so yet.
    newest_at: when the newest sample came; None where none has.
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


def build_dashboard(
    series: Sequence[Series],
    latest: Sequence[Seen],
    findings: Sequence[Finding],
    alerts: Sequence[Alert],
    now: datetime,
) -> Dashboard:
    """Sort what the store knows into the parts of the board. What is gone for good has no place on it."""
    gone = {f.key for f in findings if is_gone(f)}
    series = [s for s in series if s.key not in gone]
    ids = {s.key: s.id for s in series}
    seen = {s.observation.key: s.observation for s in latest}
    found = {(f.key, f.concern): f for f in findings}
    stands = [_standing(a, ids, found, seen) for a in alerts if a.state is not State.NORMAL]
    standing = sorted(stands, key=lambda s: _urgency(s, now))
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
    )


def _standing(
    alert: Alert,
    ids: Mapping[SeriesKey, int],
    found: Mapping[tuple[SeriesKey, Concern], Finding],
    seen: Mapping[SeriesKey, Observation],
) -> ActiveAlert:
    return ActiveAlert(alert, ids.get(alert.key), found.get((alert.key, alert.concern)), seen.get(alert.key))


def _not_busy(series: Iterable[Series], places: Iterable[Place], standing: Iterable[ActiveAlert]) -> list[Series]:
    """The series that are neither ahead of an end nor have an alert that stands."""
    busy = {p.finding.key for p in places} | {s.alert.key for s in standing if s.alert.standing}
    return [each for each in series if each.key not in busy]


Shown = tuple[ActiveAlert, ...]


def _parts(shown: Sequence[ActiveAlert], now: datetime) -> tuple[Shown, Shown, Shown, Shown]:
    """Those that need the operator, that they know of, that they set aside, and that are over."""
    aside = [s for s in shown if s.alert.standing and s.alert.shelved(now)]
    told = [s for s in shown if not (s.alert.standing and s.alert.shelved(now))]
    of_state = {state: tuple(s for s in told if s.alert.state is state) for state in State}
    return of_state[State.ACTIVE], of_state[State.ACKNOWLEDGED], tuple(aside), of_state[State.RECTIFIED]


def _beneath(standing: Sequence[ActiveAlert]) -> list[ActiveAlert]:
    """Those that stand by themselves, each with what it holds. What is held by something that does not stand (its cause
    has just gone) stands by itself.
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
    """Most urgent first; among equals what is up already, in the order in which it began (the first is the likelier
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
        # What is over already stands in words above; a year and more is as good as no end.
        if left_s > YEAR_S or (left_s <= 0 and priority is not None):
            continue
        yield Place(ids.get(f.key), f, priority, left_s, *(_left(f, at, now) for at in (f.earliest_at, f.latest_at)))


def _left(finding: Finding, at: datetime | None, now: datetime) -> float | None:
    return None if at is None or finding.concern is not Concern.FULL else (at - now).total_seconds()


WELL = {
    Kind.ANSWER: OkSeries.ANSWERS,
    Kind.CONDITION: OkSeries.SOUND,
    Kind.LEVEL: OkSeries.NO_END,
    Kind.DEADLINE: OkSeries.NO_END,
}


def _quiet(
    series: Series, found: Mapping[tuple[SeriesKey, Concern], Finding], seen: Mapping[SeriesKey, Observation]
) -> QuietSeries:
    finding = found.get((series.key, CONCERN[series.kind]))
    forecast = finding.forecast if finding else None
    unknown = finding is None or (forecast is not None and forecast.no_end in {NoEnd.TOO_FEW, NoEnd.UNCERTAIN})
    why = OkSeries.UNKNOWN if unknown else WELL[series.kind]
    return QuietSeries(series.id, series.key, why, finding, seen.get(series.key))
