"""The handlers of the operator's forms: sign in and out, acknowledge, shelve, note, run a probe, send a test message.

Each ends with a redirect to a page (303), so that reloading sends nothing twice; that page shows the result once.
Permissions are checked in session_auth.py; the daemon carries the actions out.
"""

from collections.abc import Iterable
from datetime import timedelta

from aiohttp import web

from watchkeeper.errors import ArchiveError
from watchkeeper.messages.wording import clean, thing
from watchkeeper.model.alert import OPEN, Concern
from watchkeeper.model.observation import SeriesKey
from watchkeeper.model.records import Series
from watchkeeper.web.api.handlers import QUANTITY_ID
from watchkeeper.web.auth.actions import Actions
from watchkeeper.web.auth.passkeys.ceremonies import available
from watchkeeper.web.auth.session_auth import (
    COOKIE,
    SESSION_AUTH,
    authorized_form,
    form,
    session_of,
    set_browser_cookie,
    set_cookie,
    sign_in,
    viewer,
    visitor_of,
    wanted_back,
)
from watchkeeper.web.auth.stored_access import STORED_ACCESS
from watchkeeper.web.context import Context, of
from watchkeeper.web.events.event_text import event_subjects
from watchkeeper.web.http.problem_details import Refusal
from watchkeeper.web.templating import render

LONGEST_NOTE = 1_000
"""Characters of a note: half a page."""

SHELVINGS: dict[str, tuple[str, timedelta | None]] = {
    "1h": ("for an hour", timedelta(hours=1)),
    "8h": ("for 8 hours", timedelta(hours=8)),
    "1d": ("for a day", timedelta(days=1)),
    "3d": ("for 3 days", timedelta(days=3)),
    "7d": ("for a week", timedelta(days=7)),
    "once": ("until it ends", None),
}
"""How long an alert can be shelved. Nothing is shelved permanently; the alert's own limit is 30 days."""

MAINTENANCES: dict[str, tuple[str, timedelta]] = {
    "1h": ("for an hour", timedelta(hours=1)),
    "2h": ("for 2 hours", timedelta(hours=2)),
    "8h": ("for 8 hours", timedelta(hours=8)),
    "1d": ("for a day", timedelta(days=1)),
    "7d": ("for a week", timedelta(days=7)),
}
"""How long a maintenance may be planned."""
END = "end"


def back(context: Context, wanted: str | None, otherwise: str = "") -> web.Response:
    """The redirect at the end of an action."""
    where = wanted_back(wanted)
    where = otherwise if where is None else where
    return web.Response(status=303, headers={"Location": f"{context.prefix}/{where}"})


async def operator(request: web.Request) -> web.Response:
    """The operator's own page: signing in, or the actions that do not concern a single alert."""
    answer = await _page(request, request.query.get("back"))
    if request.app[SESSION_AUTH].open and session_of(request) is None:
        set_browser_cookie(request, answer, visitor_of(request)[1], known=False)
    return answer


async def _page(request: web.Request, back: str | None, status: int = 200, trouble: str = "") -> web.Response:
    context, desk, session = of(request), request.app[SESSION_AUTH], session_of(request)
    made_address = ""
    if session is not None:
        made_address, session.made_address = session.made_address, ""
    return render(
        "operator.html",
        context,
        context.clock.now(),
        status=status,
        viewer=viewer(request),
        possible=desk.open,
        trouble=trouble,
        back=wanted_back(back),
        probes=desk.acting.probes if desk.acting else (),
        notifiers=desk.acting.notifiers if desk.acting else (),
        longest=LONGEST_NOTE,
        access=await request.app[STORED_ACCESS].read(),
        passkeys_possible=available(),
        made_address=made_address,
    )


async def enter(request: web.Request) -> web.Response:
    """Sign in."""
    context, fields = of(request), await form(request)
    visitor, new_cookie = visitor_of(request)
    try:
        done = await sign_in(request, visitor, fields.get("password", ""))
    except Refusal as refusal:
        answer = await _page(request, fields.get("back"), refusal.status, refusal.detail)
        if "retry_after_s" in refusal.more:
            answer.headers["Retry-After"] = str(refusal.more["retry_after_s"])
        set_browser_cookie(request, answer, new_cookie, known=False)
        return answer
    done.session.said = "You are signed in."
    answer = back(context, fields.get("back"), "operator")
    set_cookie(request, answer, done.token, context.prefix)
    set_browser_cookie(request, answer, done.browser_cookie, known=True)
    return answer


async def leave(request: web.Request) -> web.Response:
    """Sign out."""
    await authorized_form(request)
    request.app[SESSION_AUTH].sessions.end(request.cookies.get(COOKIE, ""))
    answer = back(of(request), "")
    set_cookie(request, answer, "", of(request).prefix)
    return answer


def _concern(fields: dict[str, str]) -> Concern:
    try:
        return Concern(fields.get("concern", ""))
    except ValueError:
        raise Refusal(400, f"concern must be one of {', '.join(Concern)}.") from None


async def _done(request: web.Request, fields: dict[str, str], series: Series | None, said: str) -> web.Response:
    session = session_of(request)
    if session is not None:
        session.said = said
    return back(of(request), fields.get("back"), f"subjects/{series.id}" if series else "operator")


def _only_there(host: str) -> str:
    return f"Only {clean(host)} itself can do that: on its own page, or with the command there. Nothing was changed."


async def _acknowledge(
    context: Context, acting: Actions, parts: Iterable[tuple[SeriesKey, Concern]]
) -> tuple[int, str]:
    """Acknowledge alerts: how many, and what hosts were asked to do. Raises Refusal if that cannot be asked."""
    done, asked = 0, dict[str, int]()
    for key, concern in parts:
        host = context.host_of(key)
        if host is None or context.hosts is None:
            done += await acting.acknowledge(key, concern)
            continue
        try:
            if await context.hosts.request_acknowledgement(key, concern, context.host):
                asked[host] = asked.get(host, 0) + 1
        except ArchiveError as error:
            raise Refusal(503, f"{clean(host)} could not be asked to acknowledge it: {error}.") from None
    if not asked:
        return done, ""
    names = ", ".join(clean(each) for each in asked)
    what = "it" if sum(asked.values()) == 1 else f"{sum(asked.values())} alerts"
    return (
        done,
        f"{names} was asked to acknowledge {what}. The event log says what came of it, usually within a minute.",
    )


async def acknowledge(request: web.Request) -> web.Response:
    """Acknowledge an alert."""
    acting, _, fields = await authorized_form(request)
    series = await of(request).one(QUANTITY_ID.given(request))
    done, asked = await _acknowledge(of(request), acting, [(series.key, _concern(fields))])
    said = asked or ("Acknowledged." if done else "There is no active alert to acknowledge.")
    return await _done(request, fields, series, said)


async def acknowledge_event(request: web.Request) -> web.Response:
    """Acknowledge an event: the alert that is named, and everything that the page shows with it."""
    acting, _, fields = await authorized_form(request)
    context, named = of(request), SeriesKey(fields.get("subject", ""), fields.get("quantity", ""))
    event = (await context.dashboard()).event_of(named, _concern(fields))
    parts = [each.alert for each in event.whole if each.alert.state in OPEN] if event else []
    done, asked = await _acknowledge(context, acting, [(each.key, each.concern) for each in parts])
    if event is None or not (done or asked):
        return await _done(request, fields, None, "There is no active alert to acknowledge.")
    more = len(event_subjects(event))
    said = f"Acknowledged: {thing(event.alert.key)}{f' and {more} more that belong to it' if more else ''}."
    return await _done(request, fields, None, asked or said)


async def acknowledge_ended(request: web.Request) -> web.Response:
    """Acknowledge everything that has ended and that nobody has acknowledged."""
    acting, _, fields = await authorized_form(request)
    over = (await of(request).dashboard()).over
    parts = [each.alert for event in over for each in event.whole if each.alert.state in OPEN]
    done, asked = await _acknowledge(of(request), acting, [(each.key, each.concern) for each in parts])
    said = "Acknowledged: everything that has ended." if done else "Nothing that has ended waits to be acknowledged."
    return await _done(request, fields, None, asked or said)


async def shelve(request: web.Request) -> web.Response:
    """Shelve an alert for a time."""
    acting, _, fields = await authorized_form(request)
    context = of(request)
    series = await context.one(QUANTITY_ID.given(request))
    if fields.get("for") not in SHELVINGS:
        raise Refusal(400, f"for must be one of {', '.join(SHELVINGS)}.")
    words, span = SHELVINGS[fields["for"]]
    until = context.clock.now() + span if span else None
    if host := context.host_of(series.key):
        return await _done(request, fields, series, _only_there(host))
    done = await acting.shelve(series.key, _concern(fields), until)
    return await _done(request, fields, series, f"Shelved {words}." if done else "There is no such alert.")


async def maintain(request: web.Request) -> web.Response:
    """Begin the maintenance of a subject and of all that depends on it, or end it."""
    acting, _, fields = await authorized_form(request)
    context = of(request)
    series, reason = await context.one(QUANTITY_ID.given(request)), " ".join(fields.get("reason", "").split())
    if host := context.host_of(series.key):
        return await _done(request, fields, series, _only_there(host))
    if fields.get("for") == END:
        ended = await acting.end_maintenance(series.key.subject)
        return await _done(request, fields, series, "The maintenance has ended." if ended else "There was none.")
    if fields.get("for") not in MAINTENANCES:
        raise Refusal(400, f"for must be one of {', '.join((*MAINTENANCES, END))}.")
    if len(reason) > LONGEST_NOTE:
        raise Refusal(400, f"A reason has at most {LONGEST_NOTE} characters; this one has {len(reason)}.")
    words, span = MAINTENANCES[fields["for"]]
    done = await acting.maintain(series.key.subject, context.clock.now() + span, reason)
    said = f"In maintenance {words}: nothing is sent." if done else "It is not monitored now."
    return await _done(request, fields, series, said)


async def unshelve(request: web.Request) -> web.Response:
    """End a shelving."""
    acting, _, fields = await authorized_form(request)
    series = await of(request).one(QUANTITY_ID.given(request))
    if host := of(request).host_of(series.key):
        return await _done(request, fields, series, _only_there(host))
    done = await acting.unshelve(series.key, _concern(fields))
    return await _done(request, fields, series, "No longer shelved." if done else "It was not shelved.")


async def note(request: web.Request) -> web.Response:
    """Write a note into the event log, about a series if the form names one."""
    acting, _, fields = await authorized_form(request)
    text = " ".join(fields.get("text", "").split())
    if not 0 < len(text) <= LONGEST_NOTE:
        raise Refusal(400, f"A note has between 1 and {LONGEST_NOTE} characters; this one has {len(text)}.")
    named = fields.get("series", "")
    series = await of(request).one(QUANTITY_ID.read(named)) if named.isascii() and named.isdecimal() else None
    if series is not None and (host := of(request).host_of(series.key)):
        return await _done(request, fields, series, _only_there(host))
    await acting.note(text, series.key if series else None)
    return await _done(request, fields, series, "Noted in the event log.")


async def run_now(request: web.Request) -> web.Response:
    """Run a probe now."""
    acting, _, fields = await authorized_form(request)
    try:
        said = await acting.run_now(fields.get("probe", ""))
    except KeyError:
        raise Refusal(404, "There is no such probe.") from None
    return await _done(request, fields, None, said)


async def test_message(request: web.Request) -> web.Response:
    """Send a test message."""
    acting, _, fields = await authorized_form(request)
    try:
        said = await acting.send_test(fields.get("notifier", ""))
    except KeyError:
        raise Refusal(404, "There is no such notifier.") from None
    return await _done(request, fields, None, said)
