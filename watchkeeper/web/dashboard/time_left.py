"""The lines of the time-left chart: what is over, and what ends; equal ones are one line. Pure."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import timedelta, tzinfo

from markupsafe import Markup

from watchkeeper.messages.wording import clean, moment, thing
from watchkeeper.model.alert import Concern, Priority
from watchkeeper.web.charts import time_left_chart
from watchkeeper.web.dashboard import dashboard_text
from watchkeeper.web.dashboard.active_alert import ActiveAlert
from watchkeeper.web.dashboard.dashboard import Dashboard, Place
from watchkeeper.web.dashboard.house_state import LISTED, named_of, set_prefix

SHOWN = 14
"""So many lines are shown; the rest is folded. An alert or an estimate goes before a due date that is normally met."""


@dataclass(frozen=True, slots=True)
class Row:
    """One line. links: the things it is about, as (series id or None, name). before: the words that they share.

    left: the time left. estimate: it is a forecast. when: the date. scale: the mark on the scale, if it is drawn.
    """

    links: tuple[tuple[int | None, str], ...]
    before: str
    more: int
    left: str
    estimate: bool
    interval: str
    when: str
    priority: Priority | None
    fact: str
    scale: Markup | None


def rows(board: Dashboard, zone: tzinfo) -> tuple[list[Row], list[Row], int]:
    """The lines that are shown and those that are folded, both in the order of time, and how many more there are."""
    over = [_over(event, board, zone) for event in (*board.needing, *board.known) if _is_over(event, board)]
    groups = list(_grouped(board.places))
    ranked = sorted(groups, key=lambda g: (g[0].priority is None, not g[0].forecast, g[0].left_s))
    chosen = {id(g[0]) for g in ranked[: max(SHOWN - len(over), 0)]}
    shown = [_ahead(g, board, zone) for g in groups if id(g[0]) in chosen]
    rest = [g for g in groups if id(g[0]) not in chosen]
    folded = [replace(_ahead(g, board, zone), scale=None) for g in rest[:LISTED]]
    return over + shown, folded, len(rest) - len(folded)


def _is_over(event: ActiveAlert, board: Dashboard) -> bool:
    """Has it happened already? What is ahead has its own place."""
    if event.alert.concern not in {Concern.FULL, Concern.OVERDUE}:
        return True
    ends_at = event.finding.ends_at if event.finding else None
    return ends_at is not None and ends_at <= board.at


def _over(event: ActiveAlert, board: Dashboard, zone: tzinfo) -> Row:
    return Row(
        links=((event.series_id, thing(event.alert.key, seen=event.observation)),),
        before="",
        more=0,
        left="now",
        estimate=False,
        interval="",
        when="",
        priority=event.alert.priority,
        fact=dashboard_text.fact(event, board, zone),
        scale=_drawn(time_left_chart.Mark(0.0, priority=event.alert.priority)),
    )


def _grouped(places: Sequence[Place]) -> Iterator[list[Place]]:
    """Places one by one; due dates that say the same about the same sort of thing together."""
    groups: dict[object, list[Place]] = {}
    for place in places:
        groups.setdefault(_alike(place) or place.finding.key, []).append(place)
    yield from groups.values()


def _alike(place: Place) -> object:
    """What several due dates must have in common to be one line; None if it stays alone."""
    if place.forecast or place.priority is not None:
        return None
    prefix = set_prefix(place.finding.key.subject)
    return (prefix, place.finding.key.quantity, dashboard_text.left(place)) if prefix else None


def _ahead(group: Sequence[Place], board: Dashboard, zone: tzinfo) -> Row:
    first = group[0]
    finding, ahead = first.finding, first.left_s > 0
    forecast = first.forecast and ahead
    before = set_prefix(finding.key.subject) if len(group) > 1 else ""
    named = named_of(group)
    return Row(
        links=tuple((p.series_id, _name(p, before)) for p in named),
        before=before,
        more=len(group) - len(named),
        left=dashboard_text.left(first),
        estimate=forecast,
        interval=dashboard_text.between(first.earliest_s, first.latest_s) if forecast else "",
        when=moment(board.at + timedelta(seconds=first.left_s), zone, board.at) if ahead else "",
        priority=first.priority,
        fact="",
        scale=_drawn(time_left_chart.Mark(first.left_s, first.earliest_s, first.latest_s, first.priority)),
    )


def _name(place: Place, before: str) -> str:
    key = place.finding.key
    return clean(key.subject.removeprefix(before), 44) if before else thing(key, seen=place.observation)


def _drawn(mark: time_left_chart.Mark) -> Markup:
    return Markup(time_left_chart.line(mark))  # noqa: S704  made by web/charts/svg.py, which escapes


def axis() -> Markup:
    """The names of the times above the lines."""
    return Markup(time_left_chart.axis())  # noqa: S704  constants
