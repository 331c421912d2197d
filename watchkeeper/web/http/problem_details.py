"""Errors of the page and the API as problem details (RFC 9457)."""

import json
from collections.abc import Mapping
from http import HTTPStatus

from aiohttp import web

from watchkeeper.errors import WatchkeeperError

PROBLEM_JSON = "application/problem+json"


class Refusal(WatchkeeperError):
    """A request that is answered with a problem. more: further members of the problem object."""

    def __init__(self, status: int, detail: str, more: Mapping[str, object] | None = None) -> None:
        super().__init__(detail)
        self.status, self.detail, self.more = status, detail, dict(more or {})


def not_found(what: str) -> Refusal:
    """A 404: the resource does not exist."""
    return Refusal(404, what)


def title(status: int) -> str:
    """The standard phrase of an HTTP status; RFC 9457 asks for it if the type is about:blank."""
    try:
        return HTTPStatus(status).phrase
    except ValueError:
        return "Error"


def problem(status: int, detail: str, instance: str, more: Mapping[str, object] | None = None) -> web.Response:
    """A response with problem details. The type is about:blank: the status says what kind of problem it is."""
    body = {"type": "about:blank", "title": title(status), "status": status, "detail": detail, "instance": instance}
    return web.Response(
        status=status, body=json.dumps(body | dict(more or {})).encode(), content_type=PROBLEM_JSON, charset=None
    )
