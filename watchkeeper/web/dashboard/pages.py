"""The handlers of the pages: the status page, the event log, and errors. subject.py has the page of a subject."""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime, tzinfo
from itertools import groupby
from typing import Any
from urllib.parse import urlencode

from aiohttp import web
from markupsafe import Markup

from watchkeeper.messages.wording import clean, duration, thing, what_to_look_at
from watchkeeper.model.alert import Priority
from watchkeeper.model.observation import Level, SeriesKey
from watchkeeper.model.records import EventLine
from watchkeeper.web.api.handlers import BEFORE, STATUS_EVENTS, set_aside
from watchkeeper.web.auth.session_auth import SESSION_AUTH, viewer
from watchkeeper.web.charts import time_left_chart
from watchkeeper.web.context import Context, of
from watchkeeper.web.dashboard import dashboard_text
from watchkeeper.web.dashboard.active_alert import ActiveAlert
from watchkeeper.web.dashboard.dashboard import Dashboard, OkSeries, Place, QuietSeries
from watchkeeper.web.dashboard.event_text import outcome, since_clause, statement
from watchkeeper.web.http.problem_details import title
from watchkeeper.web.templating import render

NAMED = 14
"""How many subjects have their name beside the chart.

With more, the lines to the names would run together. The rest are dots on the chart, and listed in a folded list.
"""
OPEN_ADVICE = 3
"""How many alerts are shown in full.

If there are more, only the first, the likeliest cause, shows its advice; it is folded for the others, and no advice is
repeated.
"""
JOURNAL_PAGE = 100
ROWS, ROWS_LINE = 12, 4
"""Heights in grid units (a quarter rem): of a name beside the chart, and of each further line.

The stylesheet has the classes h12, h16 and h20 for the sums.
"""
LONG_NAME = 25
"""A name of more characters than this has a second line on a narrow phone."""


@dataclass(frozen=True, slots=True)
class AlertView:
    """An alert as the status page words it."""

    series_id: int | None
    priority: Priority | None
    subject: str
    fact: str
    reason: str
    interval: str
    since: str
    advice: str
    key: SeriesKey = SeriesKey("", "")
    concern: str = ""
    open: bool = False
    folded: bool = False
    holds: tuple["AlertView", ...] = ()
    level: str = ""
    also: tuple[str, ...] = ()
    outcome: str = ""
    began: str = ""


@dataclass(frozen=True, slots=True)
class Named:
    """A subject on the chart as its name is shown. gap: grid units before it."""

    series_id: int | None
    priority: Priority | None
    subject: str
    left: str
    estimate: bool
    interval: str
    gap: int
    rows: int


@dataclass(frozen=True, slots=True)
class Group:
    """Subjects that are OK for the same reason."""

    title: str
    items: tuple[tuple[int, str, str], ...]


def alert_view(standing: ActiveAlert, board: Dashboard, context: Context) -> AlertView:
    """An alert as text."""
    alert, finding = standing.alert, standing.finding
    return AlertView(
        standing.series_id,
        alert.priority,
        thing(alert.key),
        dashboard_text.fact(standing, board, context.zone),
        dashboard_text.why(finding, standing.observation, context.zone),
        dashboard_text.interval_of(finding) if finding else "",
        dashboard_text.since(alert, board, context.zone, finding),
        what_to_look_at(alert.concern, alert.key, standing.observation) if alert.standing else "",
        alert.key,
        alert.concern.value,
        standing.open,
        holds=tuple(alert_view(each, board, context) for each in standing.consequences),
        also=tuple(statement(each, context.zone) for each in standing.also),
        outcome=outcome(standing),
        began=since_clause(standing, context.zone),
        level=dashboard_text.summary(standing.observation) if isinstance(standing.observation, Level) else "",
    )


def choose(places: Sequence[Place]) -> tuple[list[Place], list[Place]]:
    """The places whose names are shown beside the chart, and the rest; both in the order of time.

    An alert or an estimate goes before a due date that is normally met.
    """
    ranked = sorted(places, key=lambda p: (p.priority is None, not p.forecast, p.left_s))
    chosen = {id(p) for p in ranked[:NAMED]}
    return [p for p in places if id(p) in chosen], [p for p in places if id(p) not in chosen]


def mark(place: Place) -> time_left_chart.Mark:
    """A place as the chart draws it."""
    return time_left_chart.Mark(place.left_s, place.earliest_s, place.latest_s, place.priority, rows(place))


def rows(place: Place) -> int:
    """The height that a place's name needs."""
    lines = bool(_interval(place)) + (len(thing(place.finding.key)) > LONG_NAME)
    return ROWS + lines * ROWS_LINE


def _interval(place: Place) -> str:
    return dashboard_text.between(place.earliest_s, place.latest_s) if place.forecast and place.left_s > 0 else ""


def named(place: Place, gap: int) -> Named:
    """A place's name beside the chart."""
    return Named(
        place.series_id,
        place.priority,
        thing(place.finding.key),
        dashboard_text.left(place),
        place.forecast and place.left_s > 0,
        _interval(place),
        gap,
        rows(place),
    )


def needing(board: Dashboard, context: Context) -> list[AlertView]:
    """What needs the operator, as text. Many alerts are worded in short: see OPEN_ADVICE."""
    every = [alert_view(s, board, context) for s in board.needing]
    if len(every) <= OPEN_ADVICE:
        return every
    said: set[str] = set()
    short = []
    for i, (each, standing) in enumerate(zip(every, board.needing, strict=True)):
        advice = "" if each.advice in said else each.advice
        said.add(each.advice)
        since = "" if standing.alert.concern in dashboard_text.TELLS_SINCE else each.since
        short.append(replace(each, advice=advice, since=since, folded=i > 0))
    return short


def group(quiet: Sequence[QuietSeries]) -> list[Group]:
    """What is OK, by the reason. A name that would appear twice is distinguished by its quantity."""
    groups = []
    for why in OkSeries:
        chosen = [q for q in quiet if q.why is why]
        names = Counter(thing(q.key) for q in chosen)
        items = [
            (
                q.series_id,
                whole_name(q.key) if names[thing(q.key)] > 1 else thing(q.key),
                dashboard_text.summary(q.observation),
            )
            for q in chosen
        ]
        if items:
            groups.append(Group(why.value, tuple(items)))
    return groups


def open_groups(quiet: Sequence[QuietSeries], now: datetime, zone: tzinfo) -> list[Group]:
    """What is not folded, by the reason, under its heading."""
    groups = [replace(each, title=f"Nearly full, {each.title}") for each in group([q for q in quiet if not growing(q)])]
    fast = [(q.series_id, thing(q.key), dashboard_text.growth_words(q, now, zone)) for q in quiet if growing(q)]
    return [*([Group(OkSeries.UNUSUAL.value.capitalize(), tuple(fast))] if fast else []), *groups]


def growing(quiet: QuietSeries) -> bool:
    """Does it grow unusually fast?"""
    return quiet.why is OkSeries.UNUSUAL


def whole_name(key: SeriesKey) -> str:
    """A series' subject with its quantity, even if a sentence would leave that out."""
    return f"{clean(key.subject, 44)}: {clean(key.quantity, 24)}"


async def status(request: web.Request) -> web.Response:
    """The status page."""
    context = of(request)
    now = context.clock.now()
    found = await context.dashboard(now)
    troubles = context.vitals.read().troubles
    lately = await context.store.events(limit=STATUS_EVENTS)
    return render(
        "status.html",
        context,
        now,
        viewer=viewer(request),
        verdict=dashboard_text.verdict(found, troubled=bool(troubles), mute=_mute(request), zone=context.zone),
        outcome=outcome(found.needing[0]) if found.needing else "",
        by_when=dashboard_text.by_when(found, context.zone),
        unseen_line=dashboard_text.unseen(found),
        unseen=found.unseen,
        urgent=max((s.alert.priority for s in found.needing if s.alert.priority), default=None),
        needing=needing(found, context),
        short=len(found.needing) > OPEN_ADVICE,
        others=_others(found, context),
        **_timeline(found.places, now, context.zone),
        **_quiet(found.quiet, now, context.zone),
        lately=lately,
        watched=found.watched,
        fresh=_fresh(found),
        as_json="status",
        troubles=troubles,
        mute=_mute(request),
    )


def _timeline(places: Sequence[Place], now: datetime, zone: tzinfo) -> dict[str, Any]:
    """The chart of the time left, and the names of its rows and of what has no row."""
    shown, rest = choose(places)
    marks = [mark(p) for p in shown]
    layout = time_left_chart.arrange(marks)
    picture = time_left_chart.draw(marks, [mark(p) for p in rest], layout, now, zone)
    return {
        "timeline": Markup(picture),  # noqa: S704  made by web/charts/svg.py, which escapes
        "names": [named(p, gap) for p, gap in zip(shown, layout.gaps, strict=True)],
        "rest": [named(p, 0) for p in rest],
    }


def _quiet(found: Sequence[QuietSeries], now: datetime, zone: tzinfo) -> dict[str, Any]:
    """What is OK, what is not known, and of that what is nearly full."""
    well, unknown = ([q for q in found if q.why.known is known] for known in (True, False))
    counts = Counter(q.why for q in well)
    return {
        "well": group(well),
        "well_count": len(well),
        "well_line": dashboard_text.well_line([(why, counts[why]) for why in OkSeries if counts[why]]),
        "unknown": group([q for q in unknown if not q.open]),
        "unclear": open_groups([q for q in unknown if q.open], now, zone),
    }


def _others(found: Dashboard, context: Context) -> list[tuple[str, list[AlertView]]]:
    """The alerts that need nobody just now, under their headings."""
    parts = (
        ("Acknowledged", found.known),
        ("Shelved", found.aside),
        ("Ended, not acknowledged", found.over),
    )
    return [(heading, [alert_view(s, found, context) for s in part]) for heading, part in parts if part]


def _mute(request: web.Request) -> bool:
    """Is there nobody to send messages to?"""
    acting = request.app[SESSION_AUTH].acting
    return acting is not None and not acting.notifiers


def _fresh(board: Dashboard) -> str:
    """How old the newest sample is: a page that no longer updates must show it."""
    if board.newest_at is None:
        return "no reading yet"
    return f"newest reading {duration((board.at - board.newest_at).total_seconds())} old"


def by_day(lines: Sequence[EventLine], context: Context) -> list[tuple[datetime, list[EventLine]]]:
    """Event log entries under the day on which they were written, in the host's zone."""
    days = groupby(lines, key=lambda line: line.at.astimezone(context.zone).date())
    grouped = [list(of_day) for _, of_day in days]
    return [(of_day[0].at, of_day) for of_day in grouped]


async def events(request: web.Request) -> web.Response:
    """The event log, newest first, a page at a time."""
    context = of(request)
    known = {s.key: s.id for s in await context.store.series()}
    before = BEFORE.of(request)
    lines = await context.store.events(before_id=before, limit=JOURNAL_PAGE + 1)
    shown = lines[:JOURNAL_PAGE]
    older = urlencode({"before": shown[-1].id}) if len(lines) > JOURNAL_PAGE else ""
    return render(
        "events.html",
        context,
        context.clock.now(),
        viewer=viewer(request),
        days=by_day(shown, context),
        known=known,
        older=older,
        first=before is None,
        as_json="events" if before is None else f"events?{urlencode({'before': before})}",
        untaken=await set_aside(context) if before is None else (),
    )


def error_page(request: web.Request, context: Context, status: int, detail: str) -> web.Response:
    """The page for an error, for people at a browser."""
    return render(
        "error.html",
        context,
        context.clock.now(),
        viewer=viewer(request),
        status=status,
        number=status,
        title=title(status),
        detail=detail,
    )
