"""The table of routes: the only place that says what is served where, with which parameters, and what it answers.

The router, the description at /api and the manual's chapter are all generated from it.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from functools import wraps
from typing import Any

from aiohttp import web

from watchkeeper import __version__
from watchkeeper.web.api import handlers as api
from watchkeeper.web.api.openapi import openapi
from watchkeeper.web.auth import form_handlers
from watchkeeper.web.context import of
from watchkeeper.web.dashboard import pages, subject
from watchkeeper.web.feeds import atom, calendar
from watchkeeper.web.feeds import handlers as feeds
from watchkeeper.web.http import event_stream
from watchkeeper.web.http.middleware import Handler
from watchkeeper.web.http.parameters import Parameter, refuse_unknown
from watchkeeper.web.http.problem_details import PROBLEM_JSON
from watchkeeper.web.planning import capacity, preflight, reclaim
from watchkeeper.web.planning.parameters import ROOM

HTML, JSON, EVENTS, CSV = "text/html", "application/json", "text/event-stream", "text/csv"


@dataclass(frozen=True, slots=True)
class Route:
    """One resource that can be read.

    path: with its parameters in braces. summary: one sentence. media: the type of a successful answer.
    kept: the answer is cached until the store changes. form: the schema name of its answer, if that is JSON.
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
    return api.reply(openapi((r for r in ROUTES if r.of_api), of(request).prefix))


ROUTES = (
    Route("/", pages.status, "The board: what needs the keeper, and by when.", media=HTML, kept=True),
    Route(
        "/subjects/{subject}",
        subject.subject,
        "A subject: its history, what was found, its alerts and journal.",
        (subject.SUBJECT, subject.SPAN, subject.SINCE, subject.UNTIL),
        HTML,
        kept=True,
    ),
    Route("/events", pages.events, "What happened, newest first.", (api.BEFORE,), HTML, kept=True),
    Route("/capacity", capacity.page, "Is there room: a guest, more of one, more of the host.", ROOM, HTML, looks=True),
    Route("/preflight", preflight.page, "Is a change safe now; what became of it.", preflight.READY, HTML, looks=True),
    Route(
        "/reclaim",
        reclaim.page,
        "What sets of snapshots hold, and would free together.",
        (reclaim.STORE,),
        HTML,
        looks=True,
    ),
    Route(
        "/operator",
        form_handlers.operator,
        "The keeper's own page: signing in, notes, probes, test messages.",
        media=HTML,
    ),
    Route("/api", index, "What the API has: this description.", form="Index"),
    Route("/api/openapi.json", description, "The API's description in OpenAPI 3.1.", form="Description"),
    Route(
        "/api/v1/status",
        api.status,
        "The board: what stands, what has its place on the staff, what is well.",
        kept=True,
        form="Board",
    ),
    Route(
        "/api/v1/quantities",
        api.quantities,
        "Every series: a quantity of a subject over time.",
        kept=True,
        form="SeriesList",
    ),
    Route(
        "/api/v1/quantities/{id}",
        api.quantity,
        "One series with its newest observation, its findings and its alerts.",
        (api.SERIES_ID,),
        form="OneSeries",
    ),
    Route(
        "/api/v1/quantities/{id}/history",
        api.history,
        "A series' samples, oldest first.",
        (api.SERIES_ID, api.SINCE, api.UNTIL, api.POINTS),
        form="SampleList",
    ),
    Route(
        "/api/v1/quantities/{id}/history.csv",
        api.history_csv,
        "A series' samples as a table (RFC 4180), oldest first, none left out.",
        (api.SERIES_ID, api.SINCE, api.UNTIL),
        CSV,
    ),
    Route("/api/v1/raised", api.raised, "Every alert that was ever raised, with its state now.", form="AlertList"),
    Route("/api/v1/findings", api.findings, "What the rules found last for every concern.", form="FindingList"),
    Route(
        "/api/v1/events",
        api.events,
        "What happened, newest first; the Link field leads to older lines.",
        (api.BEFORE, api.LIMIT),
        form="Journal",
    ),
    Route(
        "/api/v1/outbox", api.outbox, "Messages that wait for delivery, or were set aside.", (api.LIMIT,), form="Outbox"
    ),
    Route(
        "/api/v1/capacity",
        capacity.capacity,
        "Is there room for a guest, for more of one, or with more in the host: now, in 30, 90 and 365 days.",
        ROOM,
        form="Capacity",
        looks=True,
    ),
    Route(
        "/api/v1/preflight",
        preflight.preflight,
        "Is it safe to change something now, point by point; with after, what became of the change.",
        preflight.READY,
        form="Preflight",
        looks=True,
    ),
    Route(
        "/api/v1/reclaim",
        reclaim.reclaim,
        "What sets of snapshots hold, and would free together if they were deleted. Nothing is deleted.",
        (reclaim.STORE,),
        form="Reclaim",
        looks=True,
    ),
    Route(
        "/api/v1/changes",
        event_stream.changes,
        "Tells of each change as an event, for pages that stay open.",
        (),
        EVENTS,
    ),
    Route("/events.atom", feeds.events, "The newest lines of the journal, as an Atom feed.", media=atom.MEDIA),
    Route("/calendar.ics", feeds.dates, "Every forecast and deadline on its day, as iCalendar.", media=calendar.MEDIA),
    Route(
        "/api/v1/health",
        api.health,
        "Whether the watch itself is kept; 503 where it is not.",
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
    FormRoute("/operator/sign-in", form_handlers.enter, "Sign in.", ("password",)),
    FormRoute("/operator/sign-out", form_handlers.leave, "Sign out."),
    FormRoute("/operator/note", form_handlers.note, "Write a note into the journal.", ("text", "series")),
    FormRoute("/operator/run", form_handlers.run_now, "Run a probe now.", ("probe",)),
    FormRoute("/operator/test-message", form_handlers.test_message, "Send a test message.", ("notifier",)),
    FormRoute("/subjects/{id}/acknowledge", form_handlers.acknowledge, "Acknowledge an alert.", ("concern", "back")),
    FormRoute("/subjects/{id}/shelve", form_handlers.shelve, "Set an alert aside.", ("concern", "for", "back")),
    FormRoute("/subjects/{id}/unshelve", form_handlers.unshelve, "Let an alert count again.", ("concern", "back")),
)
"""What the operator can do, besides what anyone can read."""


def describe(prefix: str) -> dict[str, object]:
    """The API's description, generated from the table."""
    return {
        "name": "watchkeeper",
        "version": __version__,
        "errors": PROBLEM_JSON,
        "description": f"{prefix}/api/openapi.json",
        "routes": [
            {
                "method": "GET",
                "path": prefix + route.path,
                "summary": route.summary,
                "media": route.media,
                "answers": [200, *route.errors],
                "parameters": [_parameter(p) for p in route.parameters],
            }
            for route in ROUTES
            if route.of_api
        ],
    }


def _parameter(parameter: Parameter[Any]) -> Mapping[str, object]:
    return {
        "name": parameter.name,
        "in": parameter.where,
        "what": parameter.what,
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
