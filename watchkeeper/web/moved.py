"""Addresses of 0.1.0: its pages redirect to their new address, its other paths answer with the new path.

A bookmark of a page keeps working. A program is refused with 410 instead of redirected, because the names in the
answers changed too and it would misread them.
"""

from collections.abc import Mapping
from dataclasses import dataclass

from aiohttp import web

from watchkeeper.web.context import of
from watchkeeper.web.http.middleware import Handler
from watchkeeper.web.http.problem_details import Refusal

PAGES: Mapping[str, str] = {
    "/journal": "/events",
    "/room": "/capacity",
    "/ready": "/preflight",
    "/frees": "/reclaim",
    "/keeper": "/operator",
    "/journal.atom": "/events.atom",
}
"""Old and new address of each page and feed. They redirect with 308 (RFC 9110, 15.4.9); the query is kept."""


@dataclass(frozen=True, slots=True)
class Renamed:
    """A path for programs that has another name. path, to: with their parameters in braces, the same in both."""

    path: str
    to: str
    method: str = "GET"


PATHS = (
    Renamed("/api/v1/board", "/api/v1/status"),
    Renamed("/api/v1/series", "/api/v1/quantities"),
    Renamed("/api/v1/series/{id}", "/api/v1/quantities/{id}"),
    Renamed("/api/v1/series/{id}/samples", "/api/v1/quantities/{id}/history"),
    Renamed("/api/v1/series/{id}/samples.csv", "/api/v1/quantities/{id}/history.csv"),
    Renamed("/api/v1/alerts", "/api/v1/raised"),
    Renamed("/api/v1/journal", "/api/v1/events"),
    Renamed("/api/v1/room", "/api/v1/capacity"),
    Renamed("/api/v1/ready", "/api/v1/preflight"),
    Renamed("/api/v1/frees", "/api/v1/reclaim"),
    Renamed("/checkin/{name}", "/jobs/{name}/ran", "POST"),
)
"""Paths that answer 410 (RFC 9110, 15.5.11) and name their successor."""

STREAM = Renamed("/api/v1/changes", "/api/v1/stream")
"""The old path has something else now, so only clients that ask for a stream are refused: every `EventSource` does."""


def add(app: web.Application, prefix: str) -> None:
    """Serve the old addresses under a prefix."""
    for old, new in PAGES.items():
        app.router.add_get(f"{prefix}{old}", _page(new))
    for each in PATHS:
        app.router.add_route(each.method, f"{prefix}{each.path}", _path(each))


def _page(new: str) -> Handler:
    async def redirect(request: web.Request) -> web.StreamResponse:
        query = request.rel_url.raw_query_string
        location = f"{of(request).prefix}{new}" + (f"?{query}" if query else "")
        return web.Response(status=308, headers={"Location": location})

    return redirect


def _path(renamed: Renamed) -> Handler:
    async def refuse(request: web.Request) -> web.StreamResponse:
        raise _gone(renamed, of(request).prefix + renamed.to.format(**request.match_info))

    return refuse


def refuse_stream(request: web.Request) -> None:
    """Raises Refusal (410) for who asks the list of changes for the stream that 0.1.0 had at its address."""
    if "text/event-stream" in request.headers.get("Accept", ""):
        raise _gone(STREAM, of(request).prefix + STREAM.to)


def _gone(renamed: Renamed, new: str) -> Refusal:
    return Refusal(410, f"This address was renamed in 0.2.0; use {renamed.method} {new}.", {"renamed_to": new})
