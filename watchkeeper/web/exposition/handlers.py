"""Serve the exposition: to everyone on a loopback address, else to those who have a token. Off by default."""

from dataclasses import dataclass
from functools import partial

from aiohttp import web

from watchkeeper.web.auth.api_tokens import API_TOKENS, bearer
from watchkeeper.web.auth.session_auth import session_of
from watchkeeper.web.context import of
from watchkeeper.web.exposition.activity import Activity, ActivitySource
from watchkeeper.web.exposition.metrics import Monitored, expose
from watchkeeper.web.exposition.openmetrics import MEDIA, Limits
from watchkeeper.web.http.middleware import Handler
from watchkeeper.web.http.parameters import refuse_unknown
from watchkeeper.web.http.response_cache import ResponseCache
from watchkeeper.web.settings import PageSettings, Right

PATH = "/metrics"


class Idle:
    """Stands in where nothing reports its work."""

    def activity(self) -> Activity:
        """No work."""
        return Activity()


@dataclass(frozen=True, slots=True)
class Exposed:
    """What the handler needs besides the store. locked: whether a token is needed."""

    source: ActivitySource
    locked: bool
    limits: Limits = Limits()


def add(app: web.Application, exposed: Exposed, prefix: str, kept: ResponseCache) -> None:
    """Serve it under a prefix."""
    handler = guarded(kept.keep(partial(answer, exposed)), locked=exposed.locked)
    app.router.add_get(f"{prefix}{PATH}", handler)


def guarded(handler: Handler, *, locked: bool) -> Handler:
    """Let in who has a token with the right, or has signed in. A wrong token is refused also where none is needed."""

    async def checked(request: web.Request) -> web.StreamResponse:
        refuse_unknown(request, ())
        if (locked or bearer(request)) and session_of(request) is None:
            await request.app[API_TOKENS].admit(request, Right.METRICS)
        return await handler(request)

    return checked


async def answer(exposed: Exposed, request: web.Request) -> web.Response:
    """The exposition as it is now."""
    context = of(request)
    store = context.store
    monitored = Monitored(
        context.host,
        context.vitals.read(),
        exposed.source.activity(),
        await store.latest(),
        await store.findings(),
        await store.alerts(),
        await store.waiting_deliveries(),
    )
    text = expose(monitored, context.clock.now(), exposed.limits)
    return web.Response(body=text.encode(), headers={"Content-Type": MEDIA})


def locked(settings: PageSettings) -> bool:
    """Is a token needed to read it?"""
    return settings.metrics_need_token or any(Right.METRICS in each.rights for each in settings.token)
