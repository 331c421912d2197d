"""What a page over several hosts shows of each: everything that may need somebody, and of the rest the number.

Pure. Not here: the words (host_lines.py), and the page of one host, which is the status page of its own records.
"""

from collections import Counter
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from itertools import chain

from watchkeeper.alerting.missing_data import is_gone
from watchkeeper.model.alert import CONCERN, Concern, State
from watchkeeper.model.hosts import HostRecords, KnownHost
from watchkeeper.model.observation import Kind, Level, Observation, SeriesKey
from watchkeeper.model.records import Series
from watchkeeper.web.dashboard.cause_tree import DependentsOf
from watchkeeper.web.dashboard.dashboard import (
    HIGH_SHARE,
    Dashboard,
    Item,
    NotObserved,
    OkSeries,
    build_dashboard,
    not_observed,
    why_ok,
)

DUE = 2
"""Due dates of a host on the common time-left chart, the soonest: normally they are met."""


@dataclass(frozen=True, slots=True)
class HostSummary:
    """One host. shown: the records of what is shown on the page over all. watched: how many series it has.

    ok: of those that are not shown, how many are OK, by the reason. later: how many have a due date that is not shown.
    unknown: levels without a forecast. fullest: the level that is fullest; None if there is none.
    """

    name: str
    heard_at: datetime | None
    shown: HostRecords
    watched: int
    ok: Mapping[OkSeries, int]
    later: int
    newest_at: datetime | None
    unseen: tuple[NotObserved, ...]
    unknown: tuple[SeriesKey, ...]
    fullest: Item | None


class Summaries:
    """The summaries of all hosts; each is made again only when its host has written since."""

    def __init__(self) -> None:
        self._made: dict[str, tuple[HostRecords, HostSummary]] = {}

    def of(self, hosts: Iterable[KnownHost]) -> list[HostSummary]:
        """The summaries of these hosts, in their order."""
        made = {}
        for each in hosts:
            records, summary = self._made.get(each.name, (None, None))
            if summary is None or records is not each.records:
                summary = summarise(each)
            made[each.name] = each.records, replace(summary, heard_at=each.heard_at)
        self._made = made
        return [summary for _, summary in made.values()]


def summarise(host: KnownHost) -> HostSummary:
    """What is shown of a host. Series that are no longer monitored are left out."""
    records = host.records
    series, items = _monitored(records)
    active = {each.key for each in records.alerts if each.state is not State.NORMAL}
    due = _due(each for each in items if each.key not in active)
    keys = active | {each.key for each in items if _in_the_open(each)} | set(due[:DUE])
    rest = [each for each in items if each.key not in keys and each.key not in due]
    return HostSummary(
        host.name,
        host.heard_at,
        _about(records, series, keys),
        len(series),
        Counter(why for each in rest if (why := why_ok(each.kind, each.finding, each.observation)).known),
        len(due[DUE:]),
        max((each.at for each in records.latest), default=None),
        _unseen(items),
        tuple(each.key for each in items if _unknown(each)),
        max(filter(is_judged_level, items), key=share_of, default=None),
    )


def _monitored(records: HostRecords) -> tuple[list[Series], list[Item]]:
    """The series that are still monitored, and what is known of each."""
    gone = {each.key for each in records.findings if is_gone(each)}
    series = [each for each in records.series if each.key not in gone]
    seen = {each.observation.key: each.observation for each in records.latest}
    found = {(each.key, each.concern): each for each in records.findings}
    return series, [Item(s.id, s.key, s.kind, found.get((s.key, CONCERN[s.kind])), seen.get(s.key)) for s in series]


def _unseen(items: Iterable[Item]) -> tuple[NotObserved, ...]:
    return tuple(not_observed(each.observation for each in items if each.observation is not None))


def _about(records: HostRecords, series: Iterable[Series], keys: Collection[SeriesKey]) -> HostRecords:
    """The records of some series."""
    return HostRecords(
        [each for each in series if each.key in keys],
        [each for each in records.latest if each.observation.key in keys],
        [each for each in records.findings if each.key in keys],
        [each for each in records.alerts if each.key in keys],
    )


def is_judged_level(item: Item) -> bool:
    """Is it a level with a limit that matters, and not a part of another one?"""
    seen = item.observation
    return isinstance(seen, Level) and not seen.not_judged and seen.capacity > 0 and seen.part_of is None


def share_of(item: Item) -> float:
    """How full a level is, from 0 to 1; 0 for anything else."""
    seen = item.observation
    return seen.used / seen.capacity if isinstance(seen, Level) and seen.capacity > 0 else 0.0


def is_high(seen: Observation | None) -> bool:
    """Is it a level that is never folded?"""
    return isinstance(seen, Level) and not seen.not_judged and seen.used >= HIGH_SHARE * seen.capacity


def _in_the_open(item: Item) -> bool:
    """Is it shown also without an alert: nearly full, growing unusually fast, or with an estimated end?"""
    found = item.finding
    ends = found is not None and found.concern is Concern.FULL and found.ends_at is not None
    return is_high(item.observation) or ends or why_ok(item.kind, found, item.observation) is OkSeries.UNUSUAL


def _due(items: Iterable[Item]) -> list[SeriesKey]:
    """The series with a due date, the soonest first."""
    found = [
        (each.finding.ends_at, each.key)
        for each in items
        if each.kind is Kind.DEADLINE and each.finding is not None and each.finding.ends_at is not None
    ]
    return [key for _, key in sorted(found)]


def _unknown(item: Item) -> bool:
    return is_judged_level(item) and why_ok(item.kind, item.finding, item.observation) in {
        OkSeries.LEARNING,
        OkSeries.UNCERTAIN,
        OkSeries.EARLY,
    }


def whole(own: HostRecords, summaries: Sequence[HostSummary], now: datetime, dependents_of: DependentsOf) -> Dashboard:
    """The content of the page over all hosts. own: the station's records."""
    parts = [own, *(each.shown for each in summaries)]
    made = build_dashboard(
        [*chain.from_iterable(each.series for each in parts)],
        [*chain.from_iterable(each.latest for each in parts)],
        [*chain.from_iterable(each.findings for each in parts)],
        [*chain.from_iterable(each.alerts for each in parts)],
        now,
        dependents_of,
    )
    newest = filter(None, (made.newest_at, *(each.newest_at for each in summaries)))
    return replace(
        made,
        watched=len(own.series) + sum(each.watched for each in summaries),
        newest_at=max(newest, default=None),
        unseen=(
            *_unseen(_monitored(own)[1]),
            *chain.from_iterable(each.unseen for each in summaries),
        ),
    )
