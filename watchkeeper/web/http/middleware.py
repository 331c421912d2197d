"""The layer between network and handlers: the Host check, headers, validators, errors as problem details."""

import gzip
import hashlib
import logging
from collections.abc import Awaitable, Callable
from functools import lru_cache
from ipaddress import ip_address

from aiohttp import web
from aiohttp.typedefs import Middleware

from watchkeeper.logs.fields import Event, about
from watchkeeper.web.auth.sessions import SESSION
from watchkeeper.web.http.problem_details import Refusal, problem, title

Handler = Callable[[web.Request], Awaitable[web.StreamResponse]]
ErrorPage = Callable[[web.Request, int, str], web.Response]

log = logging.getLogger(__name__)

HEADERS = {
    # Only this site's stylesheet, icon and script may load; forms and the script's requests may only go to this site.
    "Content-Security-Policy": (
        "default-src 'none'; style-src 'self'; img-src 'self'; script-src 'self'; connect-src 'self'; "
        "manifest-src 'self'; "
        "base-uri 'none'; form-action 'self'; "
        "frame-ancestors 'none'"
    ),
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    # Forms of this site must say where they come from; no other site is sent a referrer.
    "Referrer-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(), geolocation=(), microphone=()",
    # Cached for the next request, but validated each time; never stored by anyone in between.
    "Cache-Control": "private, no-cache",
    "Server": "watchkeeper",
}


ENDING = frozenset({400, 408, 413, 429, 503})
"""Statuses after which the connection closes (RFC 9112, 9.6): bad or too frequent requests hold no descriptor."""


def allowed_host(header: str, hosts: tuple[str, ...]) -> bool:
    """May a request that names this host (with or without a port) be answered?

    A hostile page can point its own name at 127.0.0.1 and read this page through the visitor's browser (DNS rebinding);
    the name that it must then send reveals it.
    """
    name = header.strip().lower()
    if name.startswith("["):
        name, closing, rest = name[1:].partition("]")
        if not closing or not _port(rest):
            return False
    elif name.count(":") <= 1:
        name, colon, port = name.partition(":")
        if not _port(colon + port):
            return False
    if name == "localhost" or name in hosts or name.rstrip(".") in hosts:
        return True
    try:
        return ip_address(name).is_loopback
    except ValueError:
        return False


def _port(text: str) -> bool:
    return not text or (text.startswith(":") and (text[1:].isdecimal() or text == ":"))


def check_host(hosts: tuple[str, ...]) -> Middleware:
    """Reject requests for unknown names: 421, or 400 if there is not exactly one Host field."""

    @web.middleware
    async def middleware(request: web.Request, handler: Handler) -> web.StreamResponse:
        named = request.headers.getall("Host", [])
        if len(named) != 1:
            raise Refusal(400, f"A request has one Host field (RFC 9112, 3.2); this one has {len(named)}.")
        if not allowed_host(named[0], hosts):
            raise Refusal(
                421, f"This page is not served as {named[0]!r}. To allow that name, list it in page.hosts.", {}
            )
        return await handler(request)

    return middleware


def answer_errors(page: ErrorPage, prefix: str) -> Middleware:
    """Return errors as problem details; for people at a browser outside the API, as a page."""
    api = tuple({"/api", f"{prefix}/api"})

    def answer(request: web.Request, refusal: Refusal) -> web.Response:
        html = "text/html" in request.headers.get("Accept", "") and not request.path.startswith(api)
        response = page(request, refusal.status, refusal.detail) if html else _problem(request, refusal)
        if refusal.status in ENDING:
            response.force_close()
        return response

    @web.middleware
    async def middleware(request: web.Request, handler: Handler) -> web.StreamResponse:
        try:
            return await handler(request)
        except Refusal as refusal:
            return answer(request, refusal)
        except web.HTTPException as error:
            if error.status < 400:
                raise
            response = answer(request, Refusal(error.status, _detail(request, error)))
            if "Allow" in error.headers:
                response.headers["Allow"] = error.headers["Allow"]
            return response
        except Exception as error:  # the boundary of one request: the page stays up, the log has the trace
            if _gone(request, error):
                return web.Response(status=408)  # nobody receives this
            log.exception("no answer to %s %s", request.method, request.path, extra=about(Event.PAGE))
            return answer(request, Refusal(500, "Internal error in watchkeeper; its log has the details."))

    return middleware


def _problem(request: web.Request, refusal: Refusal) -> web.Response:
    response = problem(refusal.status, refusal.detail, request.path, refusal.more)
    if "retry_after_s" in refusal.more:
        response.headers["Retry-After"] = str(refusal.more["retry_after_s"])
    if refusal.status == 401:  # only a job's token is asked for in this way (RFC 9110, 11.6.1; RFC 6750, 3)
        response.headers["WWW-Authenticate"] = "Bearer"
    return response


def _gone(request: web.Request, error: Exception) -> bool:
    """Did the client disconnect, or take too long, before it was answered? That is no server error."""
    return isinstance(error, ConnectionError) and (request.transport is None or request.transport.is_closing())


def _detail(request: web.Request, error: web.HTTPException) -> str:
    match error:
        case web.HTTPNotFound():
            return f"There is no page at {request.path}."
        case web.HTTPMethodNotAllowed():
            return f"{request.path} does not take {error.method}; it takes {', '.join(sorted(error.allowed_methods))}."
        case web.HTTPRequestEntityTooLarge():
            return "The body of the request is too large."
        case _:
            return f"{title(error.status)}."


COMPRESSED_FROM = 1_024
"""Smaller answers fit into one packet anyway."""


def compressible(request: web.Request, response: web.Response) -> bool:
    """Should an answer be compressed? Not what the operator sees after signing in.

    That holds a secret of the session beside words of the request; its compressed length would reveal the secret to
    someone who can choose those words and see the traffic (BREACH, 2013).
    """
    return (
        SESSION not in request
        and isinstance(response.body, bytes)
        and len(response.body) >= COMPRESSED_FROM
        and "Content-Encoding" not in response.headers
        and "gzip" in request.headers.get("Accept-Encoding", "")
    )


@lru_cache(maxsize=16)
def _gzipped(body: bytes) -> bytes:
    """The newest answers stay compressed: many screens ask for the same one."""
    return gzip.compress(body, 6, mtime=0)


@web.middleware
async def validate(request: web.Request, handler: Handler) -> web.StreamResponse:
    """Give each answer an ETag made from its body, and answer 304 if the reader has it already (RFC 9110, 13)."""
    response = await handler(request)
    if response.status != 200 or not isinstance(response, web.Response) or not isinstance(response.body, bytes):
        return response
    tag = response.headers.get("ETag") or f'"{hashlib.sha256(response.body).hexdigest()[:24]}"'
    if compressible(request, response):
        tag = f'{tag[:-1]}-gzip"'  # another representation has another strong validator (RFC 9110, 8.8.3.3)
        response.headers.update({"Content-Encoding": "gzip", "Vary": "Accept-Encoding"})
        response.body = _gzipped(response.body)
    response.headers["ETag"] = tag
    if request.method in {"GET", "HEAD"} and any(
        known.value == "*" or known.value == tag.strip('"') for known in request.if_none_match or ()
    ):
        return web.Response(status=304, headers={"ETag": tag})
    return response


async def add_headers(request: web.Request, response: web.StreamResponse) -> None:
    """Signal handler: set the same headers on every answer, errors included. What the operator saw is never stored."""
    response.headers.update(HEADERS)
    if SESSION in request or request.method == "POST":
        response.headers["Cache-Control"] = "no-store"
