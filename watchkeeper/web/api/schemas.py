"""JSON Schemas (draft 2020-12) of the API's answers, made by pydantic from their types.

No member is allowed that the type does not have. Not here: what the members mean (meanings.py).
"""

from collections.abc import Iterable
from typing import Any, Literal

from pydantic import TypeAdapter
from pydantic.json_schema import GenerateJsonSchema, JsonSchemaValue
from pydantic_core import core_schema

Schema = dict[str, Any]

_MODE: Literal["serialization"] = "serialization"


def ref(name: str) -> Schema:
    """A reference to the schema with this name."""
    return {"$ref": f"#/components/schemas/{name}"}


def schemas(forms: Iterable[Any]) -> dict[str, Schema]:
    """The schemas of types and of all that they consist of, by name; an enum is written where it is used."""
    adapters = ((form.__name__, _MODE, TypeAdapter(form)) for form in forms)
    made = TypeAdapter.json_schemas(adapters, ref_template=ref("{model}")["$ref"], schema_generator=_Closed)[1]["$defs"]
    enums = {name: schema["enum"] for name, schema in made.items() if "enum" in schema}
    words = {ref(name)["$ref"]: {"type": "string", "enum": enum} for name, enum in enums.items()}
    return {name: _with_words(schema, words) for name, schema in made.items() if name not in enums}


class _Closed(GenerateJsonSchema):
    """Without titles, which repeat the names, and with closed objects."""

    def field_title_should_be_set(self, schema: object) -> bool:
        """None is set."""
        del schema
        return False

    def typed_dict_schema(self, schema: core_schema.TypedDictSchema) -> JsonSchemaValue:
        """The schema of an object."""
        made = super().typed_dict_schema(schema)
        return {"additionalProperties": False} | {name: each for name, each in made.items() if name != "title"}


def _with_words(schema: Schema, words: dict[str, Schema]) -> Schema:
    return words.get(schema.get("$ref", "")) or {name: _inner(each, words) for name, each in schema.items()}


def _inner(part: object, words: dict[str, Schema]) -> object:
    if isinstance(part, list):
        return [_inner(each, words) for each in part]
    return _with_words(part, words) if isinstance(part, dict) else part
