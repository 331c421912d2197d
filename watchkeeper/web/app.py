"""Assemble the page and the API: routes, middleware, the few static files. server.py opens the port."""

import secrets
from collections.abc import Callable
from datetime import tzinfo
from importlib.resources import files

from aiohttp import web

from watchkeeper.clock import Clock
from watchkeeper.messages.ack_links import AckLinks
from watchkeeper.messages.reports.sheet import HouseFacts
from watchkeeper.model.probe_state import MemoryStateStore, StateStore
from watchkeeper.web import moved
from watchkeeper.web.auth import acknowledge, job_reports
from watchkeeper.web.auth.acknowledge import Links
from watchkeeper.web.auth.actions import Actions
from watchkeeper.web.auth.api_tokens import API_TOKENS, ApiTokens
from watchkeeper.web.auth.browsers import Browsers
from watchkeeper.web.auth.budgets import SignInBudgets
from watchkeeper.web.auth.job_reports import Jobs
from watchkeeper.web.auth.passkeys import handlers as passkeys
from watchkeeper.web.auth.passkeys.challenges import Challenges
from watchkeeper.web.auth.session_auth import SESSION_AUTH, SessionAuth, load_session, own_forms, require_session
from watchkeeper.web.auth.sessions import Sessions
from watchkeeper.web.auth.stored_access import STORED_ACCESS, StoredAccess
from watchkeeper.web.auth.visitors import Visitors
from watchkeeper.web.auth.waiting_room import WaitingRoom
from watchkeeper.web.context import CONTEXT, Context, Hosts, PageStore, Resting
from watchkeeper.web.dashboard.dashboard import no_dependents
from watchkeeper.web.dashboard.health import HealthSource
from watchkeeper.web.dashboard.pages import error_page
from watchkeeper.web.exposition import handlers as exposition
from watchkeeper.web.exposition.activity import ActivitySource
from watchkeeper.web.exposition.handlers import Exposed, Idle
from watchkeeper.web.http.event_stream import EVENT_STREAM, EventStream
from watchkeeper.web.http.middleware import Handler, add_headers, answer_errors, check_host, validate
from watchkeeper.web.http.response_cache import ResponseCache
from watchkeeper.web.planning.best_deletions import BestDeletions
from watchkeeper.web.planning.planner import DELETIONS, PLANNER, Nowhere, Planner
from watchkeeper.web.routes import FORM_ROUTES, ROUTES, guarded
from watchkeeper.web.server import Served, serve
from watchkeeper.web.settings import PageSettings

__all__ = ["BODY_LIMIT", "Served", "make_app", "serve"]

BODY_LIMIT = 64 * 1024
"""Bytes of a request's body; many times the size of an operator's note."""

STATIC = {
    "page.css": "text/css",
    "page.js": "text/javascript",
    "passkey.js": "text/javascript",
    "app.webmanifest": "application/manifest+json",
    **{f"icon{each}.svg": "image/svg+xml" for each in ("", "-1", "-2", "-3")},
}
"""The files of the page. icon-N.svg is the tab's icon while an alert of that priority needs the operator."""


def make_app(
    store: PageStore,
    settings: PageSettings,
    clock: Clock,
    vitals: HealthSource,
    host: str,
    zone: tzinfo,
    acting: Actions | None = None,
    passes: AckLinks | None = None,
    *,
    jobs: Jobs | None = None,
    resting: Resting = no_dependents,
    planner: Planner | None = None,
    browser_key: bytes | None = None,
    states: StateStore | None = None,
    work: ActivitySource | None = None,
    facts: Callable[[], HouseFacts] | None = None,
    hosts: Hosts | None = None,
    deletions: BestDeletions | None = None,
) -> web.Application:
    """The application. host: the name of the monitored host, as the page shows it. zone: the time zone of times shown.

    acting: acts for the operator; without it the page is read-only. passes: reads the links in messages. jobs: those
    that may report over HTTP. resting: the subjects that depend on a subject. planner: answers planning questions.
    browser_key: recognises browsers after a restart too; without it, only until the next restart. states: keeps private
    addresses and passkeys; without it, until the next restart too. work: reports what the daemon has done, for
    /metrics. facts: what the configuration says of the house, for its sheet. hosts: of a page over
    several. deletions: reads what deleting snapshots would free; one of its own by default.
    """
    context = Context(store, clock, vitals, host, zone, settings.prefix, resting, facts=facts, hosts=hosts)

    def page(request: web.Request, status: int, detail: str) -> web.Response:
        return error_page(request, context, status, detail)

    guards = [answer_errors(page, settings.prefix), check_host(settings.names), load_session, own_forms]
    if settings.private:
        guards.append(require_session(settings.prefix))
    app = web.Application(middlewares=[*guards, validate], client_max_size=BODY_LIMIT)
    app[CONTEXT] = context
    visitors = Visitors(settings.proxy_networks)
    app[SESSION_AUTH] = SessionAuth(
        acting,
        settings.password,
        Sessions(clock),
        WaitingRoom(SignInBudgets(clock)),
        Browsers(browser_key or secrets.token_bytes(32)),
        visitors,
        settings.hosts,
    )
    app[STORED_ACCESS] = StoredAccess(states or MemoryStateStore())
    app[passkeys.CHALLENGES] = Challenges(clock)
    app[API_TOKENS] = ApiTokens(settings, visitors, clock)
    app[PLANNER] = planner or Nowhere()
    app[DELETIONS] = deletions or BestDeletions(app[PLANNER], clock)
    app.on_cleanup.append(app[DELETIONS].close)
    live = app[EVENT_STREAM] = EventStream()
    app.on_shutdown.append(live.close)
    app.on_response_prepare.append(add_headers)
    # A proxy may pass the prefix on or remove it: both paths are answered, and links contain it.
    kept = ResponseCache()
    for prefix in sorted({"", settings.prefix}):
        _add_routes(app, prefix, kept)
        passkeys.add_routes(app, prefix)
        moved.add(app, prefix)
        if passes is not None and acting is not None:
            acknowledge.add(app, Links(passes, acting), prefix)
        if jobs is not None:
            job_reports.add(app, jobs, prefix)
        if settings.metrics:
            exposition.add(app, Exposed(work or Idle(), exposition.locked(settings)), prefix, kept)
    return app


def _add_routes(app: web.Application, prefix: str, kept: ResponseCache) -> None:
    for route in ROUTES:
        handler = guarded(route)
        app.router.add_get(prefix + route.path, kept.keep(handler) if route.kept else handler)
    for act in FORM_ROUTES:
        app.router.add_post(prefix + act.path, act.handler)
    if prefix:
        app.router.add_get(prefix, kept.keep(guarded(ROUTES[0])))
    for name, media in STATIC.items():
        app.router.add_get(f"{prefix}/static/{name}", _file(name, media))


def _file(name: str, media: str) -> Handler:
    """A handler that answers with a file of the package; the file is read once."""
    body = files("watchkeeper.web").joinpath("static", name).read_bytes()

    async def handler(_request: web.Request) -> web.StreamResponse:
        return web.Response(body=body, content_type=media, charset="utf-8")

    return handler
