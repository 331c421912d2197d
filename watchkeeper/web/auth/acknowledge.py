"""Acknowledge an alert from a message: its link leads here. Opening the page changes nothing; its form acknowledges.

Mail scanners, previews and prefetching browsers follow links, so a GET must not act (RFC 9110 9.2.1). Whoever has the
link may act with it: it was signed here and sent to the operator. It works once, and only while the alert is as the
message described it.
"""

from dataclasses import dataclass, field
from datetime import datetime

from aiohttp import web

from watchkeeper.messages.ack_links import AckLinks, AckToken
from watchkeeper.messages.wording import thing, time_left_phrase
from watchkeeper.model.alert import Alert, State
from watchkeeper.web.auth.actions import Actions
from watchkeeper.web.auth.session_auth import form
from watchkeeper.web.context import Context, of
from watchkeeper.web.http.problem_details import Refusal
from watchkeeper.web.templating import render

PATH = "/acknowledge"

_GONE = (
    "This link is not valid: it was changed on the way, it is older than 30 days, or watchkeeper was installed again. "
    "The newest message about the alert has a new link."
)
_MOVED = (
    "The alert has changed since this message was sent, so nothing was acknowledged. The newest message about it has a "
    "new link; the status page shows its present state."
)
_KNOWN = "This alert is acknowledged. You need to do nothing more."


@dataclass(slots=True)
class Links:
    """What following a link needs. used: tokens that were used since the daemon started."""

    passes: AckLinks
    acting: Actions
    used: set[str] = field(default_factory=set)


LINKS = web.AppKey("links", Links)


def add(app: web.Application, links: Links, prefix: str) -> None:
    """Serve it under a prefix."""
    app[LINKS] = links
    app.router.add_get(f"{prefix}{PATH}", ask)
    app.router.add_post(f"{prefix}{PATH}", act)


async def ask(request: web.Request) -> web.Response:
    """The page that asks for confirmation. It changes nothing, however often it is loaded."""
    text = request.query.get("pass", "")
    return await _page(request, text)


async def act(request: web.Request) -> web.Response:
    """The form of that page: acknowledge, and show the result."""
    context, links = of(request), request.app[LINKS]
    text = (await form(request)).get("pass", "")
    found, alert, now = await _found(request, text)
    if found is None or alert is None or not _open(found, alert, context) or text in links.used:
        return await _page(request, text)
    if not await links.acting.acknowledge(found.key, found.concern):
        raise Refusal(409, "There is no active alert to acknowledge.")
    links.used.add(text)
    return _shown(context, now, f"{thing(found.key)}: acknowledged.", status=200)


async def _found(request: web.Request, text: str) -> tuple[AckToken | None, Alert | None, datetime]:
    context, now = of(request), of(request).clock.now()
    found = request.app[LINKS].passes.read(text, now)
    if found is None:
        return None, None, now
    alerts = await context.store.alerts()
    return found, next((a for a in alerts if (a.key, a.concern) == (found.key, found.concern)), None), now


def _open(found: AckToken, alert: Alert, context: Context) -> bool:
    return alert.state is State.ACTIVE and found.fits(alert, context.host)


async def _page(request: web.Request, text: str) -> web.Response:
    context = of(request)
    found, alert, now = await _found(request, text)
    if found is None:
        return _shown(context, now, _GONE, status=410)
    if alert is not None and found.fits(alert, context.host) and alert.state is State.ACKNOWLEDGED:
        return _shown(context, now, _KNOWN)
    if alert is None or not _open(found, alert, context) or text in request.app[LINKS].used:
        return _shown(context, now, _MOVED, status=409)
    findings = await context.store.findings()
    newest = next((f for f in findings if (f.key, f.concern) == (found.key, found.concern)), None)
    fact = f"{thing(found.key)} {time_left_phrase(newest, now, context.zone)}" if newest else thing(found.key)
    return _shown(context, now, fact, priority=found.priority.word, sealed=text)


def _shown(
    context: Context, now: datetime, said: str, *, status: int = 200, priority: str = "", sealed: str = ""
) -> web.Response:
    return render(
        "acknowledge.html",
        context,
        now,
        status=status,
        said=said,
        priority=priority,
        sealed=sealed,
        path=PATH,
        viewer=None,
    )
