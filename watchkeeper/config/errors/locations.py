"""Where in the document an error is: follows pydantic's location through the models and formats it.

Not here: what is wrong there (problems.py).
"""

import re
import typing
from dataclasses import dataclass
from json import dumps
from typing import Any

from pydantic import BaseModel, SecretStr

from watchkeeper.config.errors import describe_types
from watchkeeper.config.types import SecretSource

Place = tuple[str | int, ...]
"""Keys, and indexes of lists counted from 0, from the outermost table inward."""

_BARE_KEY = re.compile(r"[A-Za-z0-9_-]{1,80}")
_SECRET_KEY = re.compile(r"headers?|.*(secret|password|token|credential|cookie|authori[sz]ation).*", re.IGNORECASE)


def is_secret(key: str, value: Any = None) -> bool:  # noqa: ANN401  any value
    """Whether the value of a key may be a secret, so that it is never shown."""
    return isinstance(value, SecretSource | SecretStr) or bool(_SECRET_KEY.fullmatch(key))


@dataclass(frozen=True, slots=True)
class ErrorLocation:
    """The resolved location of an error: its keys in the document, the type there, and the model that owns the key."""

    keys: Place
    annotation: Any
    owner: type[BaseModel] | None
    secret: bool


def location(model: type[BaseModel], loc: Place) -> ErrorLocation:
    """Follow an error's location through the models; parts that pydantic adds (a union's member) are omitted."""
    keys: list[str | int] = []
    annotation: Any = model
    owner: type[BaseModel] | None = None
    secret = False
    for part in loc:
        table = describe_types.model_of(annotation)
        if table is not None:
            secret = secret or issubclass(table, SecretSource)
            keys.append(part)
            owner, field = table, describe_types.fields_of(table).get(str(part))
            secret = secret or is_secret(str(part))
            if field is None:
                return ErrorLocation(tuple(keys), None, owner, secret)
            annotation = describe_types.annotation_of(field)
            continue
        annotation, key = _inside(annotation, part)
        keys.extend(key)
    return ErrorLocation(tuple(keys), annotation, owner, secret or _is_source(annotation))


def _is_source(annotation: Any) -> bool:  # noqa: ANN401  any annotation
    table = describe_types.model_of(annotation)
    return table is not None and issubclass(table, SecretSource)


def _inside(annotation: Any, part: str | int) -> tuple[Any, tuple[str | int, ...]]:  # noqa: ANN401  any annotation
    """The type one step further into a list, a table of values or a union; and the step's key, if it has one."""
    plain = describe_types.bare(annotation)
    if len(members := describe_types.members_of(plain)) > 1:
        return next((one for one in members if _is_called(one, str(part))), plain), ()
    inner = typing.get_args(plain)
    if isinstance(part, int) and inner:
        return inner[0], (part,)
    if len(inner) == 2 and part != "[key]":
        return inner[1], (part,)
    return None, ()


def _is_called(member: Any, label: str) -> bool:  # noqa: ANN401  any annotation
    """Whether pydantic labels a union's member so: by its tag, its name, or its name inside its validators' names."""
    model = describe_types.model_of(member)
    kind = model.model_fields.get("kind") if model else None
    if kind is not None:
        return label in typing.get_args(kind.annotation)
    if typing.get_origin(describe_types.bare(member)) is typing.Literal:
        return label.startswith("literal[")
    name = getattr(describe_types.bare(member), "__name__", "")
    return bool(name) and re.search(rf"(?<!\w){re.escape(name)}(?!\w)", label) is not None


def format_location(keys: Place) -> str:
    """A location as an error names it: `probe[2].url`, counted from 1."""
    out = ""
    for key in keys:
        if isinstance(key, int):
            out += f"[{key + 1}]"
            continue
        name = key if _BARE_KEY.fullmatch(key) else dumps(cut(key))
        out += f".{name}" if out else name
    return out


def cut(text: str) -> str:
    """A text cut to a length that suits an error."""
    return text if len(text) <= describe_types.LONGEST_SHOWN else text[: describe_types.LONGEST_SHOWN] + "..."
