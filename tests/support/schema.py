"""Checks a value against the part of JSON Schema (draft 2020-12) that the API's description uses; rejects any other."""

from collections.abc import Iterator, Mapping
from datetime import datetime
from typing import Any

KNOWN = {
    "type", "enum", "properties", "required", "additionalProperties", "items", "anyOf", "$ref", "format", "minimum",
    "maximum", "default", "description",
}  # fmt: skip
TYPES: dict[str, tuple[type, ...]] = {
    "object": (dict,),
    "array": (list,),
    "string": (str,),
    "number": (int, float),
    "integer": (int,),
    "boolean": (bool,),
    "null": (type(None),),
}


def faults(value: Any, schema: Mapping[str, Any], document: Mapping[str, Any], at: str = "") -> Iterator[str]:
    """Each place at which a value does not match its schema."""
    assert set(schema) <= KNOWN, f"the check does not know {set(schema) - KNOWN}"
    if "$ref" in schema:
        yield from faults(value, resolved(schema["$ref"], document), document, at)
    if "anyOf" in schema and all(list(faults(value, each, document, at)) for each in schema["anyOf"]):
        yield f"{at}: {value!r} is none of what it may be"
    if "type" in schema and not _typed(value, schema["type"]):
        yield f"{at}: {value!r} is no {schema['type']}"
        return
    if "enum" in schema and value not in schema["enum"]:
        yield f"{at}: {value!r} is none of {schema['enum']}"
    if schema.get("format") == "date-time" and isinstance(value, str):
        assert datetime.fromisoformat(value).tzinfo is not None
    if isinstance(value, dict):
        yield from _members(value, schema, document, at)
    if isinstance(value, list) and "items" in schema:
        for i, each in enumerate(value):
            yield from faults(each, schema["items"], document, f"{at}[{i}]")


def resolved(ref: str, document: Mapping[str, Any]) -> Mapping[str, Any]:
    """The target of a reference within the document."""
    found: Any = document
    for part in ref.removeprefix("#/").split("/"):
        found = found[part]
    assert isinstance(found, Mapping)
    return found


def _typed(value: Any, wanted: str | list[str]) -> bool:
    names = [wanted] if isinstance(wanted, str) else wanted
    if isinstance(value, bool):
        return "boolean" in names
    return any(isinstance(value, TYPES[name]) for name in names)


def _members(value: dict[str, Any], schema: Mapping[str, Any], document: Mapping[str, Any], at: str) -> Iterator[str]:
    properties, others = schema.get("properties", {}), schema.get("additionalProperties", True)
    yield from (f"{at}: {name} is missing" for name in schema.get("required", ()) if name not in value)
    for name, each in value.items():
        if name in properties:
            yield from faults(each, properties[name], document, f"{at}.{name}")
        elif others is False:
            yield f"{at}: {name} is not described"
        elif isinstance(others, Mapping):
            yield from faults(each, others, document, f"{at}.{name}")
