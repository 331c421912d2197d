"""The configuration as a JSON Schema (draft 2020-12), for editors that complete and check a document as it is typed.

It is generated from the models, their docstrings and the texts of the reference. It does not replace the check: only
`check-config` knows which tables refer to each other, and what a text inside quotes must look like.
"""

import tomllib
import typing
from collections.abc import Iterator, Mapping
from enum import Enum
from typing import Any, Literal

import annotated_types as limits
from pydantic import BaseModel, BeforeValidator
from pydantic.fields import FieldInfo
from pydantic_core import PydanticUndefined

from watchkeeper.cli.docsgen.reference import default, meaning, summary
from watchkeeper.config.errors import describe_types
from watchkeeper.config.fields import NEVER, Allowed
from watchkeeper.model.alert import Priority

DIALECT = "https://json-schema.org/draft/2020-12/schema"

Schema = dict[str, Any]

_PLAIN: dict[Any, Schema] = {
    bool: {"type": "boolean"},
    int: {"type": "integer"},
    float: {"type": "number"},
    Any: {},
}
"""All else is text in quotes: paths, addresses, times."""


def document(model: type[BaseModel]) -> Schema:
    """The schema of a whole document of this model."""
    tables = _Tables()
    whole = tables.table(model)
    return {"$schema": DIALECT, "title": "watchkeeper", **whole, "$defs": dict(sorted(tables.known.items()))}


class _Tables:
    """Describes each table once, under its model's name."""

    def __init__(self) -> None:
        self.known: dict[str, Schema] = {}

    def table(self, model: type[BaseModel]) -> Schema:
        """A table with all its keys."""
        fields = describe_types.fields_of(model)
        # If there is a choice of kinds, each table must state its own.
        required = [key for key, field in fields.items() if field.is_required() or key == "kind"]
        return {
            "type": "object",
            "description": summary(model),
            "properties": {key: self._key(model, key, field) for key, field in fields.items()},
            **({"required": required} if required else {}),
            "additionalProperties": False,
        }

    def _key(self, model: type[BaseModel], key: str, field: FieldInfo) -> Schema:
        annotation = describe_types.annotation_of(field)
        takes = describe_types.allowed(annotation)
        about = f"{meaning(model, key, field).rstrip('.')}. Takes {takes}.".removeprefix(". ")
        is_table = describe_types.model_of(annotation) is not None or (
            key in ("probe", "notifier") and annotation is not str
        )
        said = {} if is_table else {"description": about, **_default(field)}
        found = self.value(annotation)
        if found.get("type") == "array" and key in _taken_first(model):
            found = {"anyOf": [found, found["items"]]}  # a single one may be written without brackets
        return {**found, **said}

    def value(self, annotation: Any) -> Schema:  # noqa: ANN401  any annotation
        """What a key accepts."""
        said, plain = describe_types.metadata_of(annotation), describe_types.bare(annotation)
        before = next((one for one in said if isinstance(one, BeforeValidator)), None)
        if before is None:
            return self._plain(plain) | dict(_limits(said, plain))
        if any(isinstance(one, Allowed) for one in said):
            return _written(plain, never=describe_types.takes_never(annotation))
        wider = before.json_schema_input_type
        return {} if wider is PydanticUndefined else self.value(wider)

    def _plain(self, plain: Any) -> Schema:  # noqa: ANN401  a table of types
        origin, inner = typing.get_origin(plain), typing.get_args(plain)
        if origin is Literal:
            return {"enum": list(inner)}
        if origin in (list, tuple, set, frozenset):
            return {"type": "array", "items": self.value(inner[0]) if inner else False}
        if origin in (dict, Mapping) or origin is typing.get_origin(Mapping[str, str]):
            return {"type": "object", "additionalProperties": self.value(inner[1])}
        if len(members := describe_types.members_of(plain)) > 1:
            return {"anyOf": [self.value(one) for one in members]}
        if isinstance(plain, type) and issubclass(plain, BaseModel):
            return self._reference(plain)
        if isinstance(plain, type) and issubclass(plain, Enum):
            return {"enum": [one.value for one in plain]}
        return dict(_PLAIN.get(plain, {"type": "string"}))

    def _reference(self, model: type[BaseModel]) -> Schema:
        """Put the module's name first: two packages may have probes whose models have the same name."""
        name = f"{model.__module__.removeprefix('watchkeeper.')}.{model.__name__}"
        if name not in self.known:
            self.known[name] = {}  # recursion in a table that contains itself ends here
            self.known[name] = self.table(model)
        return {"$ref": f"#/$defs/{name}"}


def _taken_first(model: type[BaseModel]) -> set[str]:
    """The fields that a validator of the model transforms before they are checked."""
    validators = model.__pydantic_decorators__.field_validators.values()
    return {name for each in validators if each.info.mode == "before" for name in each.info.fields}


def _written(plain: Any, *, never: bool) -> Schema:  # noqa: ANN401  any type
    """The type of a value that is written as text; durations and sizes may be bare numbers too."""
    if plain is Priority:
        return {"enum": [*(each.word for each in Priority), *([NEVER] if never else [])]}
    kinds = {float: ["string", "number"], int: ["string", "integer"]}
    return {"type": kinds.get(plain, "string")}


def _limits(said: tuple[Any, ...], plain: Any) -> Iterator[tuple[str, Any]]:  # noqa: ANN401  any type
    least, most = ("minItems", "maxItems") if typing.get_origin(plain) in (list, tuple) else ("minLength", "maxLength")
    if typing.get_origin(plain) is dict:
        least, most = "minProperties", "maxProperties"
    for one in said:
        match one:
            case limits.Ge():
                yield "minimum", one.ge
            case limits.Gt():
                yield "exclusiveMinimum", one.gt
            case limits.Le():
                yield "maximum", one.le
            case limits.Lt():
                yield "exclusiveMaximum", one.lt
            case limits.MinLen():
                yield least, one.min_length
            case limits.MaxLen():
                yield most, one.max_length
            case _:
                pass


def _default(field: FieldInfo) -> Schema:
    """The default, as it is written in the document."""
    text = default(field)
    if field.is_required() or not text:
        return {}
    return {"default": tomllib.loads(f"default = {text}")["default"]}
