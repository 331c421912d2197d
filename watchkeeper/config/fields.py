"""Field types and the base model for every part of the configuration.

A field type states in the document's terms what it accepts (`Allowed`), so that an error and the reference say the
same. Not here: whole tables (types.py, rules.py, paths.py, host.py), and how a document is read (loading.py).
"""

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field, model_validator

from watchkeeper.model.alert import Priority
from watchkeeper.model.units import format_duration, format_size, parse_duration, parse_size

LONGEST_S = 100 * 366 * 86_400
"""No duration in the configuration is longer than a century, so that adding one to an instant never overflows."""

LARGEST_BYTES = 2**63 - 1
"""What SQLite and the kernel can count in."""

NEVER = "never"
"""Switches a priority off."""


@dataclass(frozen=True, slots=True)
class Allowed:
    """What a field accepts, and how its value is written in the document."""

    words: str
    write: Callable[[Any], str]


def _quoted(text: str) -> str:
    return f'"{text}"'


class WholeNumber(int):
    """A whole number as a document has it. In the code a plain number of seconds is clear; there it is not."""


class Number(float):
    """A number with a point as a document has it."""


def as_written(value: Any) -> Any:  # noqa: ANN401  what TOML holds
    """A part of a document with its numbers marked as such."""
    match value:
        case bool():
            return value
        case int():
            return WholeNumber(value)
        case float():
            return Number(value)
        case list():  # no list has durations
            return [as_written(each) if isinstance(each, dict) else each for each in value]
        case dict():
            return {key: as_written(each) for key, each in value.items()}
        case _:
            return value


def _duration(value: Any) -> Any:  # noqa: ANN401  what TOML holds
    if isinstance(value, WholeNumber | Number) and 0 < value < math.inf:
        number = f"{value:g}" if abs(value) < 1e6 else "15"
        raise ValueError(f'a duration needs a unit; write "{number}s", "{number}m", "{number}h" or "{number}d"')
    if isinstance(value, bool) or not isinstance(value, str | int | float):
        raise ValueError("not a duration; write a number and a unit (s, m, h, d, w), such as 15m or 1h30m")  # noqa: TRY004  pydantic needs a ValueError
    try:
        return parse_duration(value) if isinstance(value, str) else value
    except OverflowError:
        raise ValueError("longer than 100 years; write less") from None


def _size(value: Any) -> Any:  # noqa: ANN401  what TOML holds
    if isinstance(value, bool) or not isinstance(value, str | int):
        raise ValueError("not a size; write a number and a unit, such as 32 GiB")  # noqa: TRY004  pydantic needs a ValueError
    return parse_size(value) if isinstance(value, str) else value


def _never(value: Any) -> Any:  # noqa: ANN401  what TOML holds
    return None if isinstance(value, str) and value.strip().lower() == NEVER else value


def _used_share(value: Any) -> Any:  # noqa: ANN401  what TOML holds
    """A share, or a percentage as text."""
    if isinstance(value, str) and (number := value.strip().removesuffix("%").rstrip()) != value.strip():
        try:
            return float(number) / 100
        except ValueError:
            raise ValueError(f'"{value}" is not a percentage such as "90 %"') from None
    return _never(value)


def _limit_s(value: Any) -> Any:  # noqa: ANN401  what TOML holds
    if _never(value) is None:
        return None
    try:
        return _duration(value)
    except ValueError as error:
        raise ValueError(f'{error}, or "{NEVER}"') from None


def _priority(value: Any) -> Any:  # noqa: ANN401  what TOML holds
    return _of_words(value, {p.word: p for p in Priority})


def _priority_or_never(value: Any) -> Any:  # noqa: ANN401  what TOML holds
    return None if value is None else _of_words(value, {**{p.word: p for p in Priority}, NEVER: None})


def _of_words(value: Any, known: Mapping[str, Priority | None]) -> Any:  # noqa: ANN401  what TOML holds
    if isinstance(value, Priority):
        return value
    word = value.strip().lower() if isinstance(value, str) else ""
    if word not in known:
        *most, last = map(_quoted, known)
        raise ValueError(f"not a priority; write {', '.join(most)} or {last}")
    return known[word]


def absolute_pattern(example: str) -> Callable[[str], str]:
    """A check of an absolute path or glob, for AfterValidator. example: one that is right, for the error."""

    def checked(value: str) -> str:
        if not value.startswith("/"):
            raise ValueError(f"{value!r} is not an absolute path; begin it with /, such as {example}")
        return value

    return checked


def _whole_path(value: Path) -> Path:
    try:
        path = value.expanduser()
    except RuntimeError:
        raise ValueError('begins with ~, but there is no such home folder; begin it with "/"') from None
    if not path.is_absolute():
        raise ValueError('is not an absolute path; begin it with "/" or "~/"')
    if "\0" in str(path):
        raise ValueError("holds a NUL character; take it out")
    return path


def _write_limit(value: float | None) -> str:
    return _quoted(NEVER if value is None else format_duration(value))


def _write_priority(value: Priority | None) -> str:
    return _quoted(NEVER if value is None else value.word)


Duration = Annotated[
    float,
    BeforeValidator(_duration),
    Field(gt=0, le=LONGEST_S, allow_inf_nan=False),
    Allowed('a duration such as "15m"', lambda s: _quoted(format_duration(s))),
]
"""Seconds, more than 0; written as text such as `15m`. A document with a plain number is refused."""

Delay = Annotated[
    float,
    BeforeValidator(_duration),
    Field(ge=0, le=LONGEST_S, allow_inf_nan=False),
    Allowed('a duration such as "15m", or "0s" for none', lambda s: _quoted(format_duration(s))),
]
"""Seconds, 0 or more."""

Limit = Annotated[
    Annotated[float, Field(ge=0, le=LONGEST_S, allow_inf_nan=False)] | None,
    BeforeValidator(_limit_s),
    Allowed(f'a duration such as "7d", or "{NEVER}"', _write_limit),
]
"""Seconds; None, written as `never`, for a priority that is switched off."""

Share = Annotated[
    Annotated[float, Field(ge=0, le=1000, allow_inf_nan=False)] | None,
    BeforeValidator(_never),
    Allowed(f'a number such as 0.5, or "{NEVER}"', lambda v: _quoted(NEVER) if v is None else f"{v:g}"),
]
"""A share of something, 0 or more; None, written as `never`, for a priority that is switched off."""

UsedShare = Annotated[
    Annotated[float, Field(gt=0, le=1, allow_inf_nan=False)] | None,
    BeforeValidator(_used_share),
    Allowed(f'a share such as 0.9 or "90 %", or "{NEVER}"', lambda v: _quoted(NEVER) if v is None else f"{v:g}"),
]
"""A share of a capacity, above 0 and at most 1; None, written as `never`, for a priority that is switched off."""

Size = Annotated[
    int,
    BeforeValidator(_size),
    Field(gt=0, le=LARGEST_BYTES),
    Allowed('a size such as "32 GiB"', lambda b: _quoted(format_size(b))),
]
"""Bytes; written as text such as `32 GiB`. A plain number is in bytes."""

PriorityWord = Annotated[
    Priority,
    BeforeValidator(_priority),
    Allowed('"caution", "warning" or "alarm"', _write_priority),
]
"""A priority, written as its word."""

PriorityOrNever = Annotated[
    Priority | None,
    BeforeValidator(_priority_or_never),
    Allowed(f'"caution", "warning", "alarm" or "{NEVER}"', _write_priority),
]
"""A priority, written as its word; None, written as `never`, for no alert at all."""

WholePath = Annotated[
    Path,
    AfterValidator(_whole_path),
    Allowed('an absolute path such as "/srv/data" or "~/data"', lambda p: _quoted(str(p))),
]
"""A path that does not depend on the daemon's working directory."""


@dataclass(frozen=True, slots=True)
class Switch:
    """A boolean where a number belongs; not a number itself, so that pydantic does not read it as 1 or 0."""

    on: bool


class Strict(BaseModel):
    """A part of the configuration: frozen, and an unknown key is an error."""

    model_config = ConfigDict(frozen=True, extra="forbid", hide_input_in_errors=True)

    @model_validator(mode="before")
    @classmethod
    def _no_number_is_a_switch(cls, value: Any) -> Any:  # noqa: ANN401  what TOML holds
        if not isinstance(value, dict):
            return value
        numbers = {field.alias or name for name, field in cls.model_fields.items() if field.annotation in _NUMBERS}
        return {k: Switch(v) if isinstance(v, bool) and k in numbers else v for k, v in value.items()}


_NUMBERS = (int, float, int | None, float | None)
