"""Every path of the API with its parameters and answers, as Markdown, from the OpenAPI description that is served."""

from collections.abc import Container, Iterator, Mapping
from typing import Any

from watchkeeper.web.api.openapi import openapi
from watchkeeper.web.routes import FORM_ROUTES, ROUTES

Node = Mapping[str, Any]


def markdown() -> str:
    """The whole chapter."""
    described: Node = openapi((route for route in ROUTES if route.of_api), "")
    return "\n".join(_markdown(described)).rstrip()


def _markdown(described: Node) -> Iterator[str]:
    yield from (described["info"]["description"], "")
    yield from (
        "`/api/openapi.json` has the same in OpenAPI 3.1. Every path is read with GET, except that of job reports.",
        "",
    )
    operations = {path: item["get"] for path, item in described["paths"].items() if "get" in item}
    everywhere = set.intersection(*(set(operation["responses"]) for operation in operations.values())) - {"200"}
    yield from (
        "Besides its own answers, any path can answer:",
        "",
        *_answers(next(iter(operations.values())), everywhere),
    )
    for path, operation in operations.items():
        yield from _operation(path, operation, set(operation["responses"]) - everywhere)
    for path, item in described["paths"].items():
        if "post" in item:
            yield from _operation(f"POST {path}", item["post"], item["post"]["responses"])
            yield from _form_fields(item["post"]["requestBody"])
    yield from ("## Content of the answers", "")
    yield from (
        "Every member is always present; one without a value is null. A name in italics has its own list below.",
        "",
    )
    for name, schema in described["components"]["schemas"].items():
        yield from _form(name, schema)
    yield from ("## Other addresses", "", *_others())


def _operation(path: str, operation: Node, own: Container[str]) -> Iterator[str]:
    yield from (f"## {path}", "", operation["summary"], "")
    if operation["parameters"]:
        yield from ("| parameter | in | | default |", "|---|---|---|---|")
        for each in operation["parameters"]:
            default = each["schema"].get("default", "")
            yield f"| `{each['name']}` | {each['in']} | {each['description']} | {default} |"
        yield ""
    yield from _answers(operation, own)


def _form_fields(body: Node) -> Iterator[str]:
    yield from (f"The body is a form. {body['description']}", "")
    for media, content in body["content"].items():
        yield from (f"- `{name}`: {each['description']}" for name, each in content["schema"]["properties"].items())
        yield from ("", f"Its type is `{media}`.", "")


def _answers(operation: Node, shown: Container[str]) -> Iterator[str]:
    yield from ("| status | meaning | content |", "|---|---|---|")
    for status, answer in operation["responses"].items():
        if status in shown:
            yield f"| {status} | {answer['description']} | {_holds(answer)} |"
    yield ""


def _holds(answer: Node) -> str:
    return ", ".join(f"`{media}`: {_words(content['schema'])}" for media, content in answer.get("content", {}).items())


def _form(name: str, schema: Node) -> Iterator[str]:
    yield from (f"### {name}", "", schema["description"], "")
    yield from (f"- `{member}`: {_words(each)}. {each['description']}" for member, each in schema["properties"].items())
    yield ""


def _words(schema: Node) -> str:
    """A schema in words: `text`, `one of full, overdue`, `list of *Finding*`."""
    match schema:
        case {"$ref": str(ref)}:
            return f"*{ref.rpartition('/')[2]}*"
        case {"anyOf": list(kinds)}:
            return " or ".join(_words(kind) for kind in kinds)
        case {"enum": list(words)}:
            return f"one of {', '.join(f'`{word}`' for word in words)}"
        case {"const": word}:
            return f"`{word}`"
        case {"type": "array", "items": items}:
            return f"list of {_words(items)}"
        case {"type": list(types)}:
            return " or ".join(_words({**schema, "type": each}) for each in types)
        case {"type": "string", "format": "date-time"}:
            return "time"
        case {"type": kind}:
            return _TYPES[kind]
        case _:
            return "anything"


_TYPES = {
    "string": "text",
    "number": "number",
    "integer": "whole number",
    "boolean": "true or false",
    "object": "object",
    "null": "null",
}


def _others() -> Iterator[str]:
    """Pages and feeds, and what the operator's forms send."""
    yield from ("| address | | type |", "|---|---|---|")
    yield from (f"| `{route.path}` | {route.summary} | `{route.media}` |" for route in ROUTES if not route.of_api)
    yield from ("", "The page's own forms send these. They need a session, its token and the same origin:", "")
    yield from ("| form | | fields |", "|---|---|---|")
    yield from (
        f"| `{act.path}` | {act.summary} | {', '.join(f'`{field}`' for field in act.fields)} |" for act in FORM_ROUTES
    )
