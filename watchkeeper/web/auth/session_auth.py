"""Signing in and out, the visitor behind a request, and the checks that a form must pass.

A form is accepted only if it comes from this page (Sec-Fetch-Site, or Origin from browsers that do not send it),
belongs to a session, and contains that session's CSRF token. Scripts cannot read the cookie, and it is never sent from
other sites. Not here: what the forms do (form_handlers.py).
"""

import asyncio
import hmac
import re
from dataclasses import dataclass, field
from urllib.parse import urlencode, urlsplit

from aiohttp import web
from aiohttp.typedefs import Middleware

from watchkeeper.config.types import SecretSource
from watchkeeper.web.auth import passwords
from watchkeeper.web.auth.actions import Actions
from watchkeeper.web.auth.api_tokens import API_TOKENS, bearer
from watchkeeper.web.auth.browsers import KNOWN_S, NEW_S, Browsers
from watchkeeper.web.auth.budgets import Visitor
from watchkeeper.web.auth.sessions import LONGEST_S, SESSION, Session, Sessions
from watchkeeper.web.auth.visitors import Visitors
from watchkeeper.web.auth.waiting_room import MustWait, WaitingRoom
from watchkeeper.web.context import of
from watchkeeper.web.http.middleware import Handler
from watchkeeper.web.http.problem_details import Refusal
from watchkeeper.web.settings import Right

COOKIE = "watchkeeper"
BROWSER_COOKIE = "watchkeeper-browser"
"""Grants no access: it gives a browser its own budget of wrong passwords (browsers.py)."""
PASSKEY_PATHS = ("/operator/passkey/options", "/operator/passkey/sign-in")
"""Where a passkey signs in."""
FORM = "application/x-www-form-urlencoded"
FORM_BYTES = 16 * 1024
"""A note has a thousand characters; nothing else in a form comes near this."""

_BACK = re.compile(r"|events|operator|capacity|preflight|reclaim|subjects/[0-9]{1,18}")
"""Where a form or signing in may lead to: only pages of this site."""


@dataclass(slots=True)
class SessionAuth:
    """What acting needs. acting, password: None if the page is read-only. hosts: names of a reverse proxy.

    room: where tries of the password wait for their turn. browsers: recognises those that signed in before.
    """

    acting: Actions | None
    password: SecretSource | None
    sessions: Sessions
    room: WaitingRoom
    browsers: Browsers
    visitors: Visitors = field(default_factory=Visitors)
    hosts: tuple[str, ...] = ()
    hashed: str = field(default="", repr=False)

    @property
    def open(self) -> bool:
        """Can anyone sign in here?"""
        return self.acting is not None and self.password is not None


SESSION_AUTH = web.AppKey("desk", SessionAuth)


def session_of(request: web.Request) -> Session | None:
    """The session that a request belongs to."""
    return request.get(SESSION)


@web.middleware
async def load_session(request: web.Request, handler: Handler) -> web.StreamResponse:
    """Find the session of a request's cookie."""
    token = request.cookies.get(COOKIE)
    found = request.app[SESSION_AUTH].sessions.find(token) if token else None
    if found is not None:
        request[SESSION] = found
    return await handler(request)


def require_session(prefix: str) -> Middleware:
    """Allow reading only after sign-in or with a token, except for the sign-in page and the links in messages.

    /metrics is not checked here: it asks for a token of its own right.
    """
    own = ("/operator", "/operator/sign-in", *PASSKEY_PATHS, "/acknowledge", "/metrics")
    open_paths = {f"{p}{path}" for p in {"", prefix} for path in own}
    # A job sends its own token; to its old address too, where it gets the new one.
    # The token of a private feed address is checked by its handler.
    open_below = tuple(f"{p}/{below}/" for p in {"", prefix} for below in ("static", "jobs", "checkin", "feeds"))

    @web.middleware
    async def middleware(request: web.Request, handler: Handler) -> web.StreamResponse:
        if session_of(request) is None and request.path not in open_paths and not request.path.startswith(open_below):
            if bearer(request) and request.method in {"GET", "HEAD"}:
                await request.app[API_TOKENS].admit(request, Right.READ)
                return await handler(request)
            if "text/html" in request.headers.get("Accept", "") and request.method in {"GET", "HEAD"}:
                back = wanted_back(request.path.removeprefix(prefix).removeprefix("/"))
                query = "" if back is None else f"?{urlencode({'back': back})}"
                return web.Response(status=303, headers={"Location": f"{prefix}/operator{query}"})
            raise Refusal(403, f"Reading this page needs the password: sign in at {prefix}/operator first.")
        return await handler(request)

    return middleware


def wanted_back(text: str | None) -> str | None:
    """Where signing in leads back to, if that is a page of this site."""
    return text if text is not None and _BACK.fullmatch(text) else None


@web.middleware
async def own_forms(request: web.Request, handler: Handler) -> web.StreamResponse:
    """Reject what a page of another site sends here through the visitor's browser."""
    if request.method not in {"GET", "HEAD", "OPTIONS"} and not from_here(request):
        raise Refusal(403, "The request came from another site, so it was refused.")
    return await handler(request)


def from_here(request: web.Request) -> bool:
    """Did a page of this site send the request? Browsers say so (Fetch Metadata), older ones in the Origin field.

    A client that sends neither is no browser, and has no cookie that somebody else could use.
    """
    site = request.headers.get("Sec-Fetch-Site")
    if site is not None:
        return site == "same-origin"
    origin = request.headers.get("Origin")
    if origin is None:
        return True
    try:
        parts = urlsplit(origin)
        named = (parts.hostname or "").lower()
    except ValueError:
        return False
    return bool(named) and (parts.netloc.lower() == request.host.lower() or named in request.app[SESSION_AUTH].hosts)


async def form(request: web.Request) -> dict[str, str]:
    """The fields of a form. Raises Refusal for another kind of body, or one that is too large."""
    if request.content_type != FORM:
        raise Refusal(415, f"{request.path} takes a form ({FORM}).")
    if (request.content_length or 0) > FORM_BYTES:
        raise Refusal(413, "The form is too large.")
    fields = await request.post()
    return {name: value for name, value in fields.items() if isinstance(value, str)}


async def authorized_form(request: web.Request) -> tuple[Actions, Session, dict[str, str]]:
    """The actions a form may call, its session and its fields. Raises Refusal (403) if it must not be accepted."""
    desk, session = request.app[SESSION_AUTH], session_of(request)
    fields = await form(request)
    if desk.acting is None or session is None:
        raise Refusal(403, "This needs the password: sign in first.")
    if not hmac.compare_digest(fields.get("word", "").encode(), session.csrf.encode()):
        raise Refusal(403, "The form belongs to another session: reload its page and send it again.")
    return desk.acting, session, fields


@dataclass(frozen=True, slots=True)
class Viewer:
    """Who reads a page after signing in. word: the CSRF token for the forms. said: the result of the last action."""

    word: str
    said: str


def viewer(request: web.Request) -> Viewer | None:
    """The operator who reads the page, or None. The result of the last action is shown once."""
    session = session_of(request)
    if session is None:
        return None
    said, session.said = session.said, ""
    return Viewer(session.csrf, said)


def visitor_of(request: web.Request) -> tuple[Visitor, str]:
    """Who tries, and the new cookie of a browser that sent none."""
    desk, now, cookie = request.app[SESSION_AUTH], of(request).clock.now(), ""
    browser = desk.browsers.read(request.cookies.get(BROWSER_COOKIE, ""), now)
    new = browser is None
    if browser is None:
        cookie, browser = desk.browsers.make(now, known=False)
    return Visitor(desk.visitors.place(request), browser.id, browser.known, new), cookie


@dataclass(frozen=True, slots=True)
class SignedIn:
    """The result of a right password: a session, its token, and the cookie that makes the browser known."""

    token: str
    session: Session
    browser_cookie: str


async def sign_in(request: web.Request, visitor: Visitor, password: str) -> SignedIn:
    """Begin a session. Raises Refusal: 403 for a wrong password, 429 if the visitor must wait."""
    desk = request.app[SESSION_AUTH]
    if desk.password is None:
        raise Refusal(403, "No password is set, so nobody can sign in; set page.password in the configuration.")
    try:
        async with desk.room.turn(visitor, lambda: request.transport is None):
            if not await asyncio.to_thread(_matches, desk, password[: passwords.LONGEST]):
                raise Refusal(403, "Wrong password.")
            desk.room.budgets.right(visitor)
    except MustWait as wait:
        raise _too_many(wait) from None
    if token := request.cookies.get(COOKIE):
        desk.sessions.end(token)
    return SignedIn(*desk.sessions.begin(), desk.browsers.make(of(request).clock.now(), known=True)[0])


def _too_many(wait: MustWait) -> Refusal:
    if wait.own:
        said = f"Too many wrong passwords; try again in {wait.seconds} s."
    else:
        said = (
            f"Others are trying passwords, and a browser that never signed in before has to take turns; try again in "
            f"{wait.seconds} s."
        )
    return Refusal(429, said, {"retry_after_s": wait.seconds})


def _matches(desk: SessionAuth, password: str) -> bool:
    """Compare with the current hash; if the hash has changed, end the sessions of the old password."""
    text = read_hash(desk.password)
    if desk.hashed not in {"", text}:
        desk.sessions.end_all()
    desk.hashed = text
    return passwords.parse(text).matches(password)


def read_hash(source: SecretSource | None) -> str:
    """The hash of the password. Raises Refusal (503), with its location, if it cannot be read or is invalid."""
    if source is None:
        raise Refusal(503, "No password is set; set page.password in the configuration.")
    try:
        text = source.read().get_secret_value()
        passwords.parse(text)
    except OSError as error:
        raise Refusal(503, f"page.password cannot be read from {source.path}: {error.strerror}.") from None
    except ValueError as error:
        raise Refusal(503, f"page.password: {source.path} {error}.") from None
    return text


def behind_tls(request: web.Request) -> bool:
    """Does the visitor's browser use TLS, with this server or with the proxy?

    X-Forwarded-Proto is trusted from everyone: it only decides whether the sender's own cookie is sent over TLS alone.
    """
    return request.secure or request.headers.get("X-Forwarded-Proto", "").lower() == "https"


def origin(request: web.Request) -> str:
    """The page's origin as the visitor's browser sees it: scheme, host and port."""
    return f"{'https' if behind_tls(request) else 'http'}://{request.host}"


def set_cookie(request: web.Request, response: web.Response, token: str, prefix: str) -> None:
    """Set the session token in the browser; an empty one removes it."""
    _set(request, response, COOKIE, token, int(LONGEST_S), prefix)


def set_browser_cookie(request: web.Request, response: web.Response, cookie: str, *, known: bool) -> None:
    """Set the cookie that recognises the browser later. An empty cookie sets none."""
    if cookie:
        _set(request, response, BROWSER_COOKIE, cookie, KNOWN_S if known else NEW_S, of(request).prefix)


def _set(request: web.Request, response: web.Response, name: str, value: str, age_s: int, prefix: str) -> None:
    response.set_cookie(
        name,
        value,
        max_age=age_s if value else 0,
        path=f"{prefix}/",
        httponly=True,
        samesite="Strict",
        secure=behind_tls(request),
    )
