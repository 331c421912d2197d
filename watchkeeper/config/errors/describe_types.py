"""Describes what a field accepts and how a value is written, in the document's terms instead of Python's.

Used by the errors (problems.py) and by the configuration reference, so that both say the same.
"""

import re
import types
import typing
from collections.abc import Mapping
from datetime import date, time
from enum import Enum
from json import dumps
from pathlib import Path
from typing import Annotated, Any, Literal, Union

import annotated_types as limits
from pydantic import BaseModel
from pydantic.fields import FieldInfo

from watchkeeper.config.fields import NEVER, Allowed, Switch

LONGEST_SHOWN = 60
"""Characters of a value that an error repeats."""

_BARE_KEY = re.compile(r"[A-Za-z0-9_-]+")
"""A key that TOML 1.0 takes without quotes."""


def key_of(name: str, field: FieldInfo) -> str:
    """A field's name in the document."""
    return field.alias or name


def fields_of(model: type[BaseModel]) -> dict[str, FieldInfo]:
    """A model's fields by their keys in the document."""
    return {key_of(name, field): field for name, field in model.model_fields.items()}


def annotation_of(field: FieldInfo) -> Any:  # noqa: ANN401  any annotation
    """A field's type with the metadata from its Annotated and Field."""
    return Annotated[(field.annotation, *field.metadata)] if field.metadata else field.annotation


def bare(annotation: Any) -> Any:  # noqa: ANN401  any annotation
    """The type without its Annotated metadata, and without `None`."""
    while typing.get_origin(annotation) is Annotated:
        annotation = typing.get_args(annotation)[0]
    members = members_of(annotation)
    return bare(members[0]) if len(members) == 1 and members[0] is not annotation else annotation


def members_of(annotation: Any) -> tuple[Any, ...]:  # noqa: ANN401  any annotation
    """The members of a union without `None`; the type itself if it is not a union."""
    if typing.get_origin(annotation) in (Union, types.UnionType):
        return tuple(one for one in typing.get_args(annotation) if one is not type(None))
    return (annotation,)


def model_of(annotation: Any) -> type[BaseModel] | None:  # noqa: ANN401  any annotation
    """The model that a table of this type is parsed into."""
    plain = bare(annotation)
    return plain if isinstance(plain, type) and issubclass(plain, BaseModel) else None


def metadata_of(annotation: Any) -> tuple[Any, ...]:  # noqa: ANN401  any annotation
    """All Annotated metadata of a type, outermost first."""
    if typing.get_origin(annotation) is Annotated:
        inner, *said = typing.get_args(annotation)
        flat = [part for one in reversed(said) for part in (one.metadata if isinstance(one, FieldInfo) else [one])]
        return (*flat, *metadata_of(inner))
    members = members_of(annotation)
    return metadata_of(members[0]) if len(members) == 1 and members[0] is not annotation else ()


def allowed(annotation: Any) -> str:  # noqa: ANN401  any annotation
    """What a field accepts, with its limits: `a whole number, at least 1`."""
    said = metadata_of(annotation)
    if any(isinstance(one, Allowed) for one in said):
        return kind_words(annotation)
    return ", ".join([kind_words(annotation), *_limit_words(said)])


def kind_words(annotation: Any) -> str:  # noqa: ANN401  any annotation
    """What a field accepts, without its limits."""
    words = next((one.words for one in metadata_of(annotation) if isinstance(one, Allowed)), "")
    return words or _type_words(bare(annotation))


def _type_words(plain: Any) -> str:  # noqa: ANN401  a table of types
    origin = typing.get_origin(plain)
    if origin is Literal:
        return " or ".join(dumps(one) for one in typing.get_args(plain))
    if origin in (list, tuple, set, frozenset):
        return f"a list, each {allowed(typing.get_args(plain)[0])}"
    if origin in (dict, Mapping) or origin is typing.get_origin(Mapping[str, str]):
        return "a table of keys and values"
    if len(members := members_of(plain)) > 1:
        return " or ".join(dict.fromkeys(allowed(one) for one in members))
    if isinstance(plain, type) and issubclass(plain, Enum):
        return " or ".join(dumps(one.value) for one in plain)
    if isinstance(plain, type) and issubclass(plain, BaseModel):
        return _table_words(plain)
    if isinstance(plain, type) and plain.__module__ == "pydantic.networks":
        return 'a URL such as "https://hub.example.org/"'
    return _PLAIN.get(plain, "text in quotes")


_PLAIN: dict[Any, str] = {
    bool: "true or false",
    int: "a whole number",
    float: "a number",
    str: "text in quotes",
    Path: "a path in quotes",
    Any: "any value",
}


def _table_words(model: type[BaseModel]) -> str:
    if words := getattr(model, "words", ""):
        return str(words)
    return f"a table with the keys {', '.join(fields_of(model))}"


def _limit_words(said: tuple[Any, ...]) -> list[str]:
    """The limits of a number or of a length, in words, the lower ones first."""
    least, most = [], []
    for one in said:
        match one:
            case limits.Ge():
                least.append(f"at least {one.ge}")
            case limits.Gt():
                least.append(f"more than {one.gt}")
            case limits.MinLen():
                least.append("not empty" if one.min_length == 1 else f"at least {one.min_length} long")
            case limits.Le():
                most.append(f"at most {one.le}")
            case limits.Lt():
                most.append(f"less than {one.lt}")
            case limits.MaxLen():
                most.append(f"at most {one.max_length} long")
            case _:
                pass
    return least + most


def written(value: Any, annotation: Any = Any) -> str:  # noqa: ANN401  any value, any annotation
    """A value as it is written in the document."""
    write = next((one.write for one in metadata_of(annotation) if isinstance(one, Allowed)), None)
    if write is not None:
        return write(value)
    match value:
        case Switch():
            return written(value.on)
        case bool():
            return "true" if value else "false"
        case Enum():
            return dumps(value.value, ensure_ascii=False)
        case int() | float():
            return f"{value:.15g}" if isinstance(value, float) else str(value)
        case date() | time():  # a datetime is a date too
            return str(value)
        case list() | tuple() | set() | frozenset():
            return "[" + ", ".join(written(one) for one in value) + "]"
        case Mapping():
            return _table(value)
        case _:
            return dumps(str(value), ensure_ascii=False)


def _table(value: Mapping[Any, Any]) -> str:
    return "{ " + ", ".join(f"{_key(k)} = {written(v)}" for k, v in value.items()) + " }" if value else "{}"


def _key(key: Any) -> str:  # noqa: ANN401  what TOML holds
    return str(key) if _BARE_KEY.fullmatch(str(key)) else dumps(str(key), ensure_ascii=False)


def what_it_is(value: Any) -> str:  # noqa: ANN401  what TOML holds
    """The kind of a value in the document: `text`, `a whole number`."""
    match value:
        case bool() | Switch():
            return "a boolean"
        case str():
            return "text"
        case int():
            return "a whole number"
        case float():
            return "a number"
        case list():
            return "a list"
        case dict():
            return "a table"
        case _:
            return "a date or a time"


def takes_never(annotation: Any) -> bool:  # noqa: ANN401  any annotation
    """Whether a field accepts `never`, so that None can be written."""
    return NEVER in kind_words(annotation)
