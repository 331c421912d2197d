"""The API's description in OpenAPI 3.1, generated from the route table and the schemas; nothing is written twice."""

from collections.abc import Iterable, Mapping
from http import HTTPStatus
from typing import Any, Protocol

from watchkeeper import __version__
from watchkeeper.web.api.meanings import described
from watchkeeper.web.api.response_types import ANSWERS
from watchkeeper.web.api.schemas import ref, schemas
from watchkeeper.web.auth import job_reports
from watchkeeper.web.http.parameters import Parameter
from watchkeeper.web.http.problem_details import PROBLEM_JSON
from watchkeeper.web.planning.response_types import PLANS

Node = dict[str, object]

ANYWHERE = {
    400: "A parameter is unknown or has an invalid value; the problem names it.",
    403: "Reading needs the password, and the request has no session.",
    421: "The page is not served under this host name.",
    500: "An error in watchkeeper; its log has the details.",
}
"""Answers that any route can give, besides its own."""

OTHERS = {
    404: "It does not exist.",
    503: "Monitoring does not work, too many clients listen, or the host cannot be read now.",
}


class Described(Protocol):
    """The parts of a route that are described."""

    @property
    def path(self) -> str:
        """The path, with its parameters in braces."""
        ...

    @property
    def summary(self) -> str:
        """One sentence."""
        ...

    @property
    def parameters(self) -> tuple[Parameter[Any], ...]:
        """The parameters of the route."""
        ...

    @property
    def media(self) -> str:
        """The media type of a successful answer."""
        ...

    @property
    def form(self) -> str:
        """The schema name of a successful answer; empty if that is not JSON."""
        ...

    @property
    def errors(self) -> tuple[int, ...]:
        """Error statuses of the route, besides those of every route."""
        ...


def openapi(routes: Iterable[Described], prefix: str) -> Node:
    """The whole description."""
    return {
        "openapi": "3.1.0",
        "info": {
            "title": "watchkeeper",
            "version": __version__,
            "summary": "What needs the operator of a home server, and by when.",
            "description": (
                "Everything on the page, for programs. Times are RFC 3339 in UTC, sizes are in bytes, shares are "
                "between 0 and 1. Errors are problem details (RFC 9457). Every answer has an ETag and can be requested "
                "with If-None-Match (RFC 9110)."
            ),
        },
        "servers": [{"url": prefix or "/"}],
        "paths": {route.path: {"get": _operation(route)} for route in routes}
        | {job_reports.PATH: {"post": _JOB_REPORT}},
        "components": {"schemas": described(schemas(ANSWERS + PLANS)), "securitySchemes": {_JOB_TOKEN: _BEARER}},
    }


_JOB_TOKEN = "jobToken"  # noqa: S105  a name
_BEARER: Node = {"type": "http", "scheme": "bearer", "description": "The job's own token (RFC 6750)."}
_PROBLEM: Node = {PROBLEM_JSON: {"schema": ref("Problem")}}
_JOB_REPORT: Node = {
    "operationId": "post_jobs_name_ran",
    "summary": "A job reports that it ran, or that it failed.",
    "security": [{_JOB_TOKEN: []}],
    "parameters": [
        {
            "name": "name",
            "in": "path",
            "required": True,
            "description": "The job's name in the configuration.",
            "schema": {"type": "string"},
        }
    ],
    "requestBody": {
        "required": False,
        "description": "Without a form, the run succeeded.",
        "content": {
            "application/x-www-form-urlencoded": {
                "schema": {
                    "type": "object",
                    "properties": {
                        "failed": {"type": "string", "description": "1 if the run failed."},
                        "message": {
                            "type": "string",
                            "maxLength": job_reports.MESSAGE_LIMIT,
                            "description": "The job's own text; what is longer is cut.",
                        },
                    },
                    "additionalProperties": False,
                }
            }
        },
    },
    "responses": {
        "204": {"description": "The report is stored."},
        "400": {"description": "The form has another field, or a wrong value.", "content": _PROBLEM},
        "401": {"description": "There is no such job, or the token is wrong.", "content": _PROBLEM},
        "413": {"description": "The form is too large.", "content": _PROBLEM},
        "415": {"description": "The body is not a form.", "content": _PROBLEM},
        "429": {"description": "Too many wrong tokens; the problem says when to try again.", "content": _PROBLEM},
        "503": {"description": "The report cannot be stored.", "content": _PROBLEM},
    },
}


def _operation(route: Described) -> Node:
    name = route.path.removeprefix("/api").strip("/").replace("{", "").replace("}", "")
    return {
        "operationId": "get_" + ("".join(c if c.isalnum() else "_" for c in name) or "index"),
        "summary": route.summary,
        "parameters": [parameter(p) for p in route.parameters],
        "responses": _responses(route),
    }


def parameter(known: Parameter[Any]) -> Node:
    """A parameter's description."""
    return {
        "name": known.name,
        "in": known.where,
        "required": known.where == "path" or known.required,
        "description": f"{known.what} Write {known.allowed}." if known.where == "query" else f"{known.what}.",
        "schema": {"type": "array", "items": dict(known.schema)} if known.several else dict(known.schema),
    }


def _responses(route: Described) -> Mapping[str, Node]:
    good: Node = {"description": "The requested content.", "content": {route.media: _content(route.form)}}
    if any(p.name == "before" for p in route.parameters):
        good["headers"] = {"Link": {"description": "The next page, rel=next (RFC 8288).", "schema": {"type": "string"}}}
    answers: dict[str, Node] = {"200": good, "304": {"description": "Not changed since the request's If-None-Match."}}
    errors = {**ANYWHERE, **{status: OTHERS[status] for status in route.errors if status in OTHERS}}
    for status, words in sorted(errors.items()):
        media: Node = {PROBLEM_JSON: {"schema": ref("Problem")}}
        if status == HTTPStatus.SERVICE_UNAVAILABLE and route.form == "Health":
            media = {route.media: _content(route.form)}
        answers[str(status)] = {"description": words, "content": media}
    return answers


def _content(form: str) -> Node:
    return {"schema": ref(form)} if form else {"schema": {"type": "string"}}
