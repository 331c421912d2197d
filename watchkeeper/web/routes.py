"""The table of routes: the only place that says what is served where, with which parameters, and with what answer.

The router, the description at /api and the manual's chapter are all generated from it.
"""

from dataclasses import dataclass
from functools import wraps
from typing import Any

from aiohttp import web

from watchkeeper import __version__
from watchkeeper.web.api import availability, decisions, hosts, maintenance
from watchkeeper.web.api import handlers as api
from watchkeeper.web.api.response_types import Index, RouteParameter
from watchkeeper.web.auth import form_handlers
from watchkeeper.web.auth.passkeys import handlers as passkeys
from watchkeeper.web.context import of
from watchkeeper.web.dashboard import pages, subject
from watchkeeper.web.events import event_log
from watchkeeper.web.feeds import addresses
from watchkeeper.web.http import event_stream
from watchkeeper.web.http.late import late
from watchkeeper.web.http.middleware import Handler
from watchkeeper.web.http.parameters import Parameter, refuse_unknown
from watchkeeper.web.http.problem_details import PROBLEM_JSON
from watchkeeper.web.planning.parameters import CAPACITY, PREFLIGHT, RECLAIM_STORE
from watchkeeper.web.reports import pages as reports

HTML, JSON, EVENTS, CSV = "text/html", "application/json", "text/event-stream", "text/csv"
ATOM, CALENDAR = "application/atom+xml", "text/calendar"


@dataclass(frozen=True, slots=True)
class Route:
    """One resource that can be read.

    path: with its parameters in braces. summary: one sentence. media: the type of a successful answer.
    kept: the answer is cached until the store changes. form: the name of the answer's schema, if that is JSON.
    looks: it reads the host, which may be refused for a moment.
    """

    path: str
    handler: Handler
    summary: str
    parameters: tuple[Parameter[Any], ...] = ()
    media: str = JSON
    kept: bool = False
    form: str = ""
    looks: bool = False

    @property
    def of_api(self) -> bool:
        """Is it for programs? Pages are for people, and feeds for readers that know their own standard."""
        return self.path.startswith("/api")

    @property
    def errors(self) -> tuple[int, ...]:
        """Error statuses of this route, besides those of every route.

        They are: a bad query, a missing resource, unhealthy monitoring.
        """
        missing = any(p.where == "path" for p in self.parameters)
        return (400, *(404,) * missing, *(503,) * (self.looks or self.media in {api.HEALTH_JSON, EVENTS}))


async def index(request: web.Request) -> web.Response:
    """The index of the API."""
    return api.reply(describe(of(request).prefix))


async def description(request: web.Request) -> web.Response:
    """The API's description."""
    from watchkeeper.web.api.openapi import openapi  # noqa: PLC0415  hundreds of schemas, seldom asked for

    return api.reply(openapi((r for r in ROUTES if r.of_api), of(request).prefix))


ROUTES = (
    Route(
        "/",
        pages.status,
        "The status page: what needs you and by when, the time left, and what is OK.",
        media=HTML,
        kept=True,
    ),
    Route(
        "/hosts/{host}",
        pages.host,
        "A host of a station: the status page of its own records.",
        (pages.HOST,),
        HTML,
        kept=True,
    ),
    Route(
        "/subjects/{subject}",
        subject.subject,
        "A subject: its history, forecast, alerts and events.",
        (subject.SUBJECT, subject.SPAN, subject.SINCE, subject.UNTIL),
        HTML,
        kept=True,
    ),
    Route(
        "/events", pages.events, "The event log, newest first.", (api.BEFORE, *event_log.PARAMETERS), HTML, kept=True
    ),
    Route("/report", reports.month, "What happened in a month, ready to print.", (reports.MONTH,), HTML, kept=True),
    Route("/sheet", reports.sheet, "One page for somebody who looks after this house.", media=HTML, kept=True),
    Route(
        "/capacity",
        late("planning.capacity", "page"),
        "Is there enough capacity for a new guest, a larger one, or with a larger host?",
        CAPACITY,
        HTML,
        looks=True,
    ),
    Route(
        "/preflight",
        late("planning.preflight", "page"),
        "Is a change safe now? After it: what was its result?",
        PREFLIGHT,
        HTML,
        looks=True,
    ),
    Route(
        "/reclaim",
        late("planning.reclaim", "page"),
        "How much space sets of snapshots hold, and would free if they were deleted.",
        (RECLAIM_STORE,),
        HTML,
        looks=True,
    ),
    Route(
        "/backups",
        late("planning.backups", "page"),
        "Which guest has a backup, how old it is, and when it was last restored.",
        media=HTML,
        looks=True,
    ),
    Route(
        "/operator",
        form_handlers.operator,
        "Sign in, write a note, run a probe, send a test message.",
        media=HTML,
    ),
    Route("/api", index, "The index: every path of the API with its parameters.", form="Index"),
    Route("/api/openapi.json", description, "The description of the API in OpenAPI 3.1.", form="Description"),
    Route(
        "/api/v1/status",
        api.status,
        "The content of the status page: alerts, time left, and what is OK.",
        kept=True,
        form="Status",
    ),
    Route(
        "/api/v1/quantities",
        api.quantities,
        "Every quantity that is recorded, such as the space of a pool.",
        kept=True,
        form="QuantityList",
    ),
    Route(
        "/api/v1/hosts",
        hosts.hosts,
        "The hosts of a station, each with what needs you and its fullest level; none on the page of one host.",
        form="HostList",
    ),
    Route(
        "/api/v1/quantities/{id}",
        api.quantity,
        "One quantity with its newest reading, findings, alerts and events.",
        (api.QUANTITY_ID,),
        form="QuantityDetails",
    ),
    Route(
        "/api/v1/quantities/{id}/history",
        api.history,
        "The history of a quantity, oldest first; downsampled if it has more points than requested.",
        (api.QUANTITY_ID, api.SINCE, api.UNTIL, api.POINTS),
        form="History",
    ),
    Route(
        "/api/v1/quantities/{id}/history.csv",
        api.history_csv,
        "The complete history of a quantity as CSV (RFC 4180), oldest first.",
        (api.QUANTITY_ID, api.SINCE, api.UNTIL),
        CSV,
    ),
    Route(
        "/api/v1/availability",
        availability.answers,
        "How long services did not answer, and how often, by calendar period.",
        (availability.SUBJECT, availability.SINCE, availability.BY),
        form="AvailabilityList",
    ),
    Route("/api/v1/raised", api.raised, "Every alert that was ever raised, with its current state.", form="AlertList"),
    Route(
        "/api/v1/findings",
        api.findings,
        "The newest result of every rule, whether it raised an alert or not.",
        form="FindingList",
    ),
    Route(
        "/api/v1/decisions",
        decisions.decisions,
        "Why something was or was not sent about a subject: rules, suppression and routes, oldest first.",
        (decisions.SUBJECT, decisions.SINCE),
        form="DecisionList",
    ),
    Route("/api/v1/report", reports.month_as_json, "What happened in a month.", (reports.MONTH,), form="Report"),
    Route("/api/v1/sheet", reports.sheet_as_json, "The sheet of this house.", form="Report"),
    Route(
        "/api/v1/maintenance",
        maintenance.planned,
        "The planned maintenance that is under way.",
        form="MaintenanceList",
    ),
    Route(
        "/api/v1/events",
        api.events,
        "The event log, newest first; the Link header has the next page.",
        (api.BEFORE, api.LIMIT),
        form="EventList",
    ),
    Route(
        "/api/v1/changes",
        api.changes,
        "What changed on the host, newest first: packages, unit files, mounts, guests, devices, restarts, notes.",
        (api.CHANGED_SINCE, api.CHANGED_UNTIL, api.LIMIT),
        form="HostChangeList",
    ),
    Route(
        "/api/v1/outbox",
        api.outbox,
        "Messages that wait for delivery, or could not be delivered.",
        (api.LIMIT,),
        form="DeliveryList",
    ),
    Route(
        "/api/v1/capacity",
        late("planning.capacity", "capacity"),
        "Is there enough capacity for a new or larger guest, or with a larger host: now, and in 30, 90 and 365 days.",
        CAPACITY,
        form="Capacity",
        looks=True,
    ),
    Route(
        "/api/v1/preflight",
        late("planning.preflight", "preflight"),
        "Is it safe to change something now, check by check; with after=yes: what was the result of the change.",
        PREFLIGHT,
        form="Preflight",
        looks=True,
    ),
    Route(
        "/api/v1/reclaim",
        late("planning.reclaim", "reclaim"),
        "How much space sets of snapshots hold, and would free if they were deleted. Nothing is deleted.",
        (RECLAIM_STORE,),
        form="Reclaim",
        looks=True,
    ),
    Route(
        "/api/v1/backups",
        late("planning.backups", "backups"),
        "Which guest has a backup, how old it is, where it lies, and when it was last restored.",
        form="Backups",
        looks=True,
    ),
    Route(
        "/api/v1/stream",
        event_stream.stream,
        "Server-sent events: one for each change, for pages that stay open.",
        (),
        EVENTS,
    ),
    Route("/events.atom", late("feeds.handlers", "events"), "The newest events as an Atom feed.", media=ATOM),
    Route(
        "/calendar.ics",
        late("feeds.handlers", "dates"),
        "Every forecast and due date as an iCalendar file.",
        media=CALENDAR,
    ),
    *(
        Route(f"/feeds/{{token}}/{name}", addresses.private(name), said, (addresses.TOKEN,), media)
        for name, said, media in (
            ("events.atom", "The Atom feed at a private address, for a reader that cannot sign in.", ATOM),
            ("calendar.ics", "The calendar at a private address.", CALENDAR),
        )
    ),
    Route(
        "/api/v1/health",
        api.health,
        "Whether monitoring itself works; 503 if it does not.",
        (),
        api.HEALTH_JSON,
        form="Health",
    ),
)


@dataclass(frozen=True, slots=True)
class FormRoute:
    """A form that the operator can send. fields: what it takes besides the session's CSRF token."""

    path: str
    handler: Handler
    summary: str
    fields: tuple[str, ...] = ()


FORM_ROUTES = (
    FormRoute("/operator/sign-in", form_handlers.enter, "Sign in.", ("password", "back")),
    FormRoute("/operator/sign-out", form_handlers.leave, "Sign out."),
    FormRoute("/operator/note", form_handlers.note, "Write a note into the event log.", ("text", "series")),
    FormRoute("/operator/run", form_handlers.run_now, "Run a probe now.", ("probe",)),
    FormRoute("/operator/test-message", form_handlers.test_message, "Send a test message.", ("notifier",)),
    FormRoute("/operator/feed-address", addresses.make, "Make a private address of the feeds.", ("name",)),
    FormRoute("/operator/revoke-feed-address", addresses.revoke, "Revoke a private address of the feeds.", ("id",)),
    FormRoute("/operator/passkey/remove", passkeys.remove, "Remove a passkey.", ("id",)),
    FormRoute(
        "/acknowledge-event",
        form_handlers.acknowledge_event,
        "Acknowledge an alert and all that belongs to its event.",
        ("subject", "quantity", "concern", "back"),
    ),
    FormRoute(
        "/acknowledge-ended",
        form_handlers.acknowledge_ended,
        "Acknowledge every alert that has ended.",
        ("back",),
    ),
    FormRoute("/subjects/{id}/acknowledge", form_handlers.acknowledge, "Acknowledge an alert.", ("concern", "back")),
    FormRoute("/subjects/{id}/shelve", form_handlers.shelve, "Shelve an alert for a time.", ("concern", "for", "back")),
    FormRoute(
        "/subjects/{id}/maintenance",
        form_handlers.maintain,
        "Begin or end the maintenance of a subject and of all that depends on it.",
        ("for", "reason", "back"),
    ),
    FormRoute("/subjects/{id}/unshelve", form_handlers.unshelve, "End the shelving of an alert.", ("concern", "back")),
)
"""What the operator can do, besides what anyone can read."""


def describe(prefix: str) -> Index:
    """The API's description, generated from the table."""
    return {
        "name": "watchkeeper",
        "version": __version__,
        "errors": PROBLEM_JSON,
        "openapi": f"{prefix}/api/openapi.json",
        "routes": [
            {
                "method": "GET",
                "path": prefix + route.path,
                "summary": route.summary,
                "media_type": route.media,
                "statuses": [200, *route.errors],
                "parameters": [_parameter(p) for p in route.parameters],
            }
            for route in ROUTES
            if route.of_api
        ],
    }


def _parameter(parameter: Parameter[Any]) -> RouteParameter:
    return {
        "name": parameter.name,
        "in": parameter.where,
        "description": parameter.what,
        "allowed": parameter.allowed,
        "schema": dict(parameter.schema),
    }


def guarded(route: Route) -> Handler:
    """A route's handler; outside the pages it also refuses unknown query parameters, which may be misspelt."""
    if route.media == HTML:
        return route.handler
    known = [p.name for p in route.parameters if p.where == "query"]

    @wraps(route.handler)
    async def handler(request: web.Request) -> web.StreamResponse:
        refuse_unknown(request, known)
        return await route.handler(request)

    return handler
