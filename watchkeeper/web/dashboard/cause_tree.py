"""Groups active alerts by cause when they are drawn: one event is one thing, in whatever order its alerts were sent.

The correlation (alerting/correlation/) decides what is sent, when it happens, from what is known at that moment. The
page knows more: a pool that is looked at every half hour is seen to be full after its guests were. Pure.
"""

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import replace
from datetime import datetime, timedelta

from watchkeeper.alerting.correlation.correlation import CAUSES, CONSEQUENCES, DOUBT_S, is_down
from watchkeeper.model.alert import Concern
from watchkeeper.model.observation import SeriesKey
from watchkeeper.web.dashboard.active_alert import ActiveAlert

DependentsOf = Callable[[str], Sequence[str]]
"""Returns the subjects that depend on a subject."""

Id = tuple[SeriesKey, Concern]


def group_by_cause(
    alerts: Sequence[ActiveAlert], dependents_of: DependentsOf, intervals: Mapping[SeriesKey, float]
) -> list[ActiveAlert]:
    """The alerts without a cause among the others, in the given order, each with its consequences beneath it.

    dependents_of: see DependentsOf. intervals: seconds between two samples of a series.
    """
    known = _Causes(alerts, dependents_of, intervals)
    parents: dict[Id, Id] = {}
    for each in alerts:
        for cause in known.of(each):
            if _id(each) not in _line(_id(cause), parents):
                parents[_id(each)] = _id(cause)
                break
    children: dict[Id, list[ActiveAlert]] = {}
    for each in alerts:
        if _id(each) in parents:
            children.setdefault(parents[_id(each)], []).append(each)
    return [_with_children(each, children) for each in alerts if _id(each) not in parents]


def _id(each: ActiveAlert) -> Id:
    return each.alert.key, each.alert.concern


def _line(cause: Id, parents: Mapping[Id, Id]) -> list[Id]:
    """A cause, its cause, and so on: what must not become a consequence of itself."""
    line = [cause]
    while line[-1] in parents:
        line.append(parents[line[-1]])
    return line


def _with_children(each: ActiveAlert, children: Mapping[Id, Sequence[ActiveAlert]]) -> ActiveAlert:
    return replace(each, holds=tuple(_with_children(child, children) for child in children.get(_id(each), ())))


class _Causes:
    """Which alerts may be the cause of which."""

    def __init__(
        self, alerts: Sequence[ActiveAlert], dependents_of: DependentsOf, intervals: Mapping[SeriesKey, float]
    ) -> None:
        self._intervals = intervals
        self._by_key: dict[SeriesKey, list[ActiveAlert]] = {}
        self._first: dict[str, ActiveAlert] = {}
        self._beneath: dict[str, list[tuple[int, ActiveAlert]]] = {}
        for each in alerts:
            self._by_key.setdefault(each.alert.key, []).append(each)
            if _stops_others(each):
                first = self._first.setdefault(each.alert.key.subject, each)
                self._first[each.alert.key.subject] = min(first, each, key=_first_words)
        for subject, first in self._first.items():
            found = dependents_of(subject)
            for name in found:
                self._beneath.setdefault(name, []).append((len(found), first))

    def of(self, each: ActiveAlert) -> Iterator[ActiveAlert]:
        """The possible causes of an alert, the likeliest first."""
        subject, concern = each.alert.key.subject, each.alert.concern
        same = self._first.get(subject)
        # A pool that is full is suspended too, and a file system that is not mounted has no figures.
        if same is not None and same is not each and (_stops_others(each) or concern is Concern.NOT_REPORTING):
            yield same
        if concern in CONSEQUENCES:
            beneath = [(n, c) for n, c in self._beneath.get(subject, ()) if self._in_time(each, c)]
            # The nearest one has the fewest dependents: a service stopped with its guest, and the guest with its pool.
            yield from (cause for _, cause in sorted(beneath, key=lambda found: found[0]))
        if each.alert.held_by is not None:
            yield from self._by_key.get(each.alert.held_by, ())

    def _in_time(self, each: ActiveAlert, cause: ActiveAlert) -> bool:
        """Could the cause have come first? It may be seen an interval of its probe late, and a minute or two more."""
        begun, caused = _began(each), _began(cause)
        late = timedelta(seconds=self._intervals.get(cause.alert.key, 0.0) + DOUBT_S)
        return begun is None or caused is None or begun >= caused - late


def _first_words(each: ActiveAlert) -> tuple[bool, datetime]:
    """Which of several alerts of one subject names the event: that it is full, else the first one."""
    return each.alert.concern is not Concern.FULL, _began(each) or each.at


def _stops_others(each: ActiveAlert) -> bool:
    """Does the alert say that its subject has stopped, or did before the alert ended?"""
    if each.alert.concern not in CAUSES:
        return False
    return not each.alert.standing or (each.observation is not None and is_down(each.observation))


def _began(each: ActiveAlert) -> datetime | None:
    return (each.finding.since if each.finding else None) or each.alert.raised_at
