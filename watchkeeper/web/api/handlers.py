"""The handlers of the JSON API. They read the store and convert records to JSON; they evaluate nothing."""

import csv
import io
import json
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime, timedelta
from urllib.parse import urlencode

from aiohttp import web

from watchkeeper import __version__
from watchkeeper.forecast.scoring import summary
from watchkeeper.model.observation import Kind, SeriesKey
from watchkeeper.model.records import Delivery, DeliveryState, Sample, Series
from watchkeeper.web.api import json_forms
from watchkeeper.web.api import response_types as forms
from watchkeeper.web.charts.downsample import downsample
from watchkeeper.web.context import Context, of
from watchkeeper.web.dashboard import dashboard_text
from watchkeeper.web.dashboard.health import HealthReport
from watchkeeper.web.dashboard.house_tree import build_tree
from watchkeeper.web.http.parameters import moment, part, whole
from watchkeeper.web.http.problem_details import Refusal
from watchkeeper.web.moved import refuse_stream

HEALTH_JSON = "application/health+json"
CSV_TYPE = "text/csv; charset=utf-8; header=present"
EARLIEST = datetime(1970, 1, 1, tzinfo=UTC)
LARGEST_ID = 2**63 - 1
"""SQLite's largest integer."""


def read_id(text: str) -> int:
    """A quantity's id. Raises ValueError."""
    if not (text.isascii() and text.isdecimal() and len(text) < 19):
        raise ValueError(text)
    return int(text)


QUANTITY_ID = part("id", "The id of a quantity, from /api/v1/quantities", read_id, {"type": "integer", "minimum": 1})
SINCE = moment("since", "Readings from this time on; default: one day before until.")
UNTIL = moment("until", "Readings up to this time; default: now.")
POINTS = whole("points", "The maximum number of points; peaks are kept.", 4, 10_000, 1_000)
BEFORE = whole("before", "Events with a smaller id than this; default: the newest events.", 1, LARGEST_ID)
CHANGED_SINCE = moment("since", "Changes from this time on; default: one day before until.")
CHANGED_UNTIL = moment("until", "Changes up to this time; default: now.")
LIMIT = whole("limit", "The maximum number of items.", 1, 500, 100)
STATUS_EVENTS = 5
"""How many of the newest events belong to the status."""
QUANTITY_EVENTS = 20
"""How many of its newest events belong to a quantity."""
SEARCHED_DELIVERIES = 200
"""Deliveries searched for those set aside; if more are waiting, the health of deliveries reports it."""


def reply(body: object, *, status: int = 200, media: str = "application/json") -> web.Response:
    """A JSON answer; it never contains NaN."""
    text = json.dumps(body, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
    # A file name that is not UTF-8 has lone surrogates in it, which no JSON text can carry.
    return web.Response(status=status, body=text.encode("utf-8", "replace"), content_type=media)


async def ids(context: Context) -> Mapping[SeriesKey, int]:
    """The id of every series."""
    return {s.key: s.id for s in await context.store.series()}


async def status(request: web.Request) -> web.Response:
    """The content of the status page."""
    context = of(request)
    found = await context.dashboard()
    problems, known = context.vitals.read().troubles, await ids(context)
    recent = await context.store.events(limit=STATUS_EVENTS)
    answer: forms.Status = {
        "host": context.host,
        "summary": dashboard_text.verdict(found, troubled=bool(problems)),
        "monitoring_problems": list(problems),
        "forecast_record": json_forms.record_form(await context.forecast_record()),
        **json_forms.status_form(found, known),
        "tree": json_forms.tree_form(build_tree(found.items, context.resting), found),
        "stand_ins": json_forms.stand_ins_form(context.facts().away if context.facts else (), found.at),
        "recent_events": [json_forms.event_form(line, known) for line in recent],
    }
    return reply(answer)


async def quantities(request: web.Request) -> web.Response:
    """Every monitored quantity."""
    return reply(forms.QuantityList(items=[json_forms.quantity_form(s) for s in await of(request).store.series()]))


async def quantity(request: web.Request) -> web.Response:
    """One quantity with its newest reading, findings, alerts and events."""
    context = of(request)
    found = await context.one(QUANTITY_ID.given(request))
    store, known, now = context.store, {found.key: found.id}, context.clock.now()
    latest = next((s for s in await store.latest() if s.observation.key == found.key), None)
    answer: forms.QuantityDetails = {
        **json_forms.quantity_form(found),
        "latest": json_forms.reading_form(latest) if latest else None,
        "findings": [json_forms.finding_form(f, known) for f in await store.findings() if f.key == found.key],
        "alerts": [json_forms.alert_form(a, known, now) for a in await store.alerts() if a.key == found.key],
        "forecast_record": await _record(context, found),
        "dependents": list(dict.fromkeys(context.resting(found.key.subject))),
        "recent_events": [
            json_forms.event_form(line, known) for line in await store.events(key=found.key, limit=QUANTITY_EVENTS)
        ],
    }
    return reply(answer)


async def _record(context: Context, series: Series) -> forms.ForecastRecord | None:
    """What became of a level's forecasts; None for another kind."""
    if series.kind is not Kind.LEVEL:
        return None
    return json_forms.record_form(summary(await context.store.forecasts(series.key)))


def window(request: web.Request, now: datetime) -> tuple[datetime, datetime]:
    """Since and until of a request. Raises Refusal (400) if they are in the wrong order."""
    until = _resolved(UNTIL.of(request), now) or now
    since = _resolved(SINCE.of(request), now) or max(until - timedelta(days=1), EARLIEST)
    if since > until:
        raise Refusal(
            400,
            f"since ({json_forms.stamp(since)}) is after until ({json_forms.stamp(until)}); write an earlier time.",
            {"parameter": "since", "allowed": "a time before until"},
        )
    return since, until


def _resolved(value: datetime | timedelta | None, now: datetime) -> datetime | None:
    """A time; nothing was recorded before 1970, and the ends of the calendar are no use to count from."""
    if value is None:
        return None
    return max(now + value if isinstance(value, timedelta) else value, EARLIEST)


async def history(request: web.Request) -> web.Response:
    """A quantity's history, downsampled to the requested number of points."""
    context = of(request)
    found = await context.one(QUANTITY_ID.given(request))
    since, until = window(request, context.clock.now())
    stored = await context.store.samples(found.key, since, until)
    items = downsample(stored, POINTS.given(request))
    return reply(
        forms.History(
            quantity_id=found.id,
            kind=found.kind,
            unit=found.unit,
            since=json_forms.stamp(since),
            until=json_forms.stamp(until),
            stored_count=len(stored),
            items=[json_forms.point_form(s, found.kind) for s in items],
        )
    )


async def history_csv(request: web.Request) -> web.Response:
    """A quantity's history as RFC 4180 says: a header, a line for each reading, quoted if needed, ended by CRLF."""
    context = of(request)
    found = await context.one(QUANTITY_ID.given(request))
    since, until = window(request, context.clock.now())
    points = [json_forms.point_form(s, found.kind) for s in await context.store.samples(found.key, since, until)]
    text = io.StringIO()
    table = csv.writer(text, lineterminator="\r\n")
    table.writerow(json_forms.point_form(Sample(0.0, None, None), found.kind))
    table.writerows([_cell(value) for value in form.values()] for form in points)
    answer = web.Response(body=text.getvalue().encode(), headers={"Content-Type": CSV_TYPE})
    answer.headers["Content-Disposition"] = f'attachment; filename="quantity-{found.id}.csv"'
    return answer


def _cell(value: object) -> object:
    """A value as a cell: nothing for null, true and false as in JSON."""
    return str(value).lower() if isinstance(value, bool) else value


async def raised(request: web.Request) -> web.Response:
    """Every alert that has ever been raised, with its state now."""
    context = of(request)
    known, now = await ids(context), context.clock.now()
    return reply(forms.AlertList(items=[json_forms.alert_form(a, known, now) for a in await context.store.alerts()]))


async def findings(request: web.Request) -> web.Response:
    """The newest finding of every concern."""
    context = of(request)
    known = await ids(context)
    return reply(forms.FindingList(items=[json_forms.finding_form(f, known) for f in await context.store.findings()]))


async def events(request: web.Request) -> web.Response:
    """The event log, newest first, a page at a time; the Link field (RFC 8288) leads to older events."""
    context, limit, before = of(request), LIMIT.given(request), BEFORE.of(request)
    # One more than requested shows whether there is a next page.
    lines = await context.store.events(before_id=before, limit=limit + 1)
    known, shown = await ids(context), lines[:limit]
    undelivered = await set_aside(context) if before is None else ()
    answer = reply(
        forms.EventList(
            items=[json_forms.event_form(line, known) for line in shown],
            undelivered=[json_forms.delivery_form(each) for each in undelivered],
        )
    )
    if len(lines) > limit:
        older = urlencode({"before": shown[-1].id, "limit": limit})
        answer.headers["Link"] = f'<{context.prefix}/api/v1/events?{older}>; rel="next"'
    return answer


async def changes(request: web.Request) -> web.Response:
    """What changed on the host, newest first."""
    refuse_stream(request)
    context = of(request)
    since, until = window(request, context.clock.now())
    found = await context.store.changes(since, until, limit=LIMIT.given(request))
    return reply(forms.HostChangeList(items=[json_forms.change_form(each) for each in found]))


async def set_aside(context: Context) -> Sequence[Delivery]:
    """Deliveries that will not be tried again."""
    deliveries = await context.store.deliveries(limit=SEARCHED_DELIVERIES)
    return [each for each in deliveries if each.state is DeliveryState.SET_ASIDE]


async def outbox(request: web.Request) -> web.Response:
    """Messages that are not delivered yet, or were set aside."""
    deliveries = await of(request).store.deliveries(only_open=True, limit=LIMIT.given(request))
    return reply(forms.DeliveryList(items=[json_forms.delivery_form(p) for p in deliveries]))


async def health(request: web.Request) -> web.Response:
    """The state of monitoring itself, after draft-inadarei-api-health-check-06. pass and warn are 200, fail is 503."""
    signs = of(request).vitals.read()
    checks: dict[str, list[forms.Check]] = {}
    for check in signs.checks:
        checks.setdefault(f"{check.component}:{check.measurement}", []).append(json_forms.check_form(check))
    body: forms.Health = {
        "status": signs.fitness,
        "version": "1",
        "releaseId": __version__,
        "description": "whether monitoring itself works",
        "notes": [f"started {json_forms.stamp(signs.started_at)}"],
        "checks": checks,
    }
    if signs.troubles:
        body["output"] = "; ".join(signs.troubles)
    return reply(body, status=503 if signs.fitness is HealthReport.FAIL else 200, media=HEALTH_JSON)
