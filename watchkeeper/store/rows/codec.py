"""Converts records to JSON text and back, driven by the type hints of frozen dataclasses; no field is named here.

A later version must be able to read what was stored, so reading is tolerant: a key that the class does not know is
ignored, and a missing field takes its default (or None where its type allows that). Writing is strict: a NaN, an
infinity or an instant without a time zone is refused, and the error names its place. No pickle: a database may come
from anywhere.

What belongs here: types to JSON. Not here: which column a record goes to (store/writer.py, store/reader.py).
"""

import dataclasses
import json
import math
import types
import typing
from collections.abc import Callable, Mapping, Sequence
from datetime import UTC, datetime
from enum import Enum
from functools import cached_property, lru_cache
from json.encoder import encode_basestring_ascii
from operator import attrgetter
from typing import Any, Generic, TypeVar

from watchkeeper.errors import StoreError
from watchkeeper.model.alert import Alert
from watchkeeper.model.change import Change
from watchkeeper.model.finding import Finding
from watchkeeper.model.forecast_record import KeptForecast
from watchkeeper.model.message import Message
from watchkeeper.model.observation import Observation, SeriesKey
from watchkeeper.model.operator.decision import Decision
from watchkeeper.model.records import EventLine

T = TypeVar("T")
Convert = Callable[[Any], Any]
ToText = Callable[[Any], str]

TAG = "is"
"""Where a value may be one of several classes, this key holds the name of its class: class names are part of the stored
format. No field may have this name."""


class Unreadable(StoreError):
    """Stored text that does not fit the record that it should be."""


class Codec(Generic[T]):
    """Converts values of one type to JSON text and back."""

    def __init__(self, hint: Any) -> None:  # noqa: ANN401  a type or a union of types has no narrower type
        self._hint = hint

    # Made on first use, and kept: looking them up by a union of types costs as much as writing a field.
    @cached_property
    def _write(self) -> ToText:
        return _writer(self._hint)

    @cached_property
    def _read(self) -> Convert:
        return _reader(self._hint)

    def dumps(self, value: T) -> str:
        """ASCII text. Raises StoreError where the value contains something that may not be written."""
        try:
            return self._write(value)
        except _NotFinite as odd:
            raise StoreError(f"{_odd_place(value)} is {odd}: only finite numbers can be stored") from odd
        except (TypeError, KeyError) as error:
            raise StoreError(f"a {type(value).__name__} cannot be stored: {error!r}") from error

    def dumps_each(self, values: Sequence[T]) -> list[str]:
        """The text of each. Raises StoreError as dumps() does."""
        try:
            return [*map(self._write, values)]
        except (_NotFinite, TypeError, KeyError):
            return [self.dumps(value) for value in values]

    def loads(self, text: str) -> T:
        """The value. Raises Unreadable where the text does not fit the type."""
        try:
            value: T = self._read(json.loads(text))
        except (ValueError, TypeError, KeyError, AttributeError, RecursionError) as error:
            raise Unreadable(f"stored text cannot be read ({error!r}): {text[:80]}") from error
        return value


class _NotFinite(Exception):
    """A NaN or an infinity."""


def _odd_place(value: Any) -> str:  # noqa: ANN401  any part of a record
    """The path of the first number in the value that is not finite, with dots: `Level.used`; empty for none."""
    if isinstance(value, float):
        return "" if math.isfinite(value) else "a number"
    if isinstance(value, tuple):
        return next(filter(None, map(_odd_place, value)), "")
    for field in dataclasses.fields(value) if dataclasses.is_dataclass(value) else ():
        inner = getattr(value, field.name)
        if found := _odd_place(inner):
            deeper = f".{found.partition('.')[2]}" if dataclasses.is_dataclass(inner) else ""
            return f"{type(value).__name__}.{field.name}{deeper}"
    return ""


# Writing ----------------------------------------------------------------------------------------------------------
#
# Every observation and finding is written as text at every run, so this is the most expensive part of a commit. The
# text is built directly: a tree of dicts for the json module to walk again took twice as long.

_string = encode_basestring_ascii
"""A string with its quotes. ASCII: a file name that is not UTF-8 arrives as lone surrogates, which SQLite's text
refuses."""

_CACHED = 1024
"""Cached texts of keys and facts: they are the same at every run. A few times the number of series of a large host."""


@lru_cache(maxsize=256)
def _writer(hint: Any) -> ToText:  # noqa: ANN401  any type hint
    """What turns a value of that type into JSON text."""
    if hint in _SCALARS:
        return _SCALARS[hint]
    if isinstance(hint, type) and issubclass(hint, Enum):
        return {member: json.dumps(member.value) for member in hint}.__getitem__
    write = _structure_writer(hint, typing.get_origin(hint), typing.get_args(hint))
    return lru_cache(maxsize=_CACHED)(write) if _only_strings(hint) else write


def _structure_writer(hint: Any, origin: Any, args: tuple[Any, ...]) -> ToText:  # noqa: ANN401  any type hint
    if _is_record(hint):
        return _class_writer(hint)
    if origin in (typing.Union, types.UnionType):
        return _union_writer(args)
    if origin is tuple and args[-1] is Ellipsis:
        each = _writer(args[0])
        return lambda value: f"[{','.join([each(item) for item in value])}]"
    if origin is tuple:
        all_of = [_writer(arg) for arg in args]
        return lambda value: f"[{','.join([write(item) for write, item in zip(all_of, value, strict=True)])}]"
    if origin in (Mapping, dict):
        inner = _writer(args[1])
        return lambda value: f"{{{','.join([f'{_string(name)}:{inner(item)}' for name, item in value.items()])}}}"
    raise TypeError(f"a field of the type {hint} cannot be stored: teach codec.py how")


def _only_strings(hint: Any) -> bool:  # noqa: ANN401  any type hint
    """True for a type that is hashable and whose equal values have equal texts (1 and 1.0 do not)."""
    inner = typing.get_args(hint)
    if _is_record(hint):
        return all(_only_strings(part) for part in _hints(hint).values())
    if typing.get_origin(hint) is tuple:
        return all(_only_strings(part) for part in inner if part is not Ellipsis)
    return hint is str


def _number_text(value: Any) -> str:  # noqa: ANN401  a float, or an int in its place
    if not math.isfinite(value):
        raise _NotFinite(float.__repr__(value))
    # Not repr(): numpy's floats are floats, but their repr is not JSON.
    return float.__repr__(value) if isinstance(value, float) else int.__repr__(value)


@lru_cache(maxsize=_CACHED)
def _instant_text(at: datetime) -> str:
    """An instant in UTC. Cached: the findings of a run have the same one; equal instants have the same text."""
    if at.tzinfo is None:
        raise StoreError(f"{at} cannot be stored: it has no time zone")
    return f'"{at.astimezone(UTC).isoformat()}"'


_SCALARS: dict[Any, ToText] = {
    str: _string,
    int: int.__repr__,
    float: _number_text,
    bool: {True: "true", False: "false"}.__getitem__,
    datetime: _instant_text,
}


def _class_writer(hint: Any, tag: str = "") -> ToText:  # noqa: ANN401  a dataclass
    hints = _hints(hint)
    # None is left out where it is also the default: most of a finding is None, and findings are written often.
    plan = [
        (f"{_string(name)}:", attrgetter(name), _writer(_present(hints[name])), default is None)
        for name, default in _defaults(hint).items()
    ]
    first = [f"{_string(TAG)}:{_string(tag)}"] if tag else []

    def write(value: Any) -> str:  # noqa: ANN401  an instance of the class
        parts = first.copy()
        for label, read, to_text, none_is_default in plan:
            item = read(value)
            if item is not None:
                parts.append(label + to_text(item))
            elif not none_is_default:
                parts.append(label + "null")
        return f"{{{','.join(parts)}}}"

    return write


def _present(hint: Any) -> Any:  # noqa: ANN401  any type hint
    """A hint without None where one other type is left: who writes a field has handled None already."""
    some = [arg for arg in typing.get_args(hint) if arg is not type(None)]
    optional = typing.get_origin(hint) in (typing.Union, types.UnionType) and len(some) == 1
    return some[0] if optional else hint


def _union_writer(args: tuple[Any, ...]) -> ToText:
    some = [arg for arg in args if arg is not type(None)]
    if len(some) == 1:
        inner = _writer(some[0])
        return lambda value: "null" if value is None else inner(value)
    # Several: dataclasses, distinguished by the name of their class.
    writers = {arg: _class_writer(arg, arg.__name__) for arg in some}
    return lambda value: writers[type(value)](value)


# Reading ----------------------------------------------------------------------------------------------------------


@lru_cache(maxsize=256)
def _reader(hint: Any) -> Convert:  # noqa: ANN401  one branch for each form of type
    """What turns JSON into a value of that type; raises ValueError, TypeError, KeyError where it does not fit."""
    if hint is datetime:
        return datetime.fromisoformat
    if hint in (str, bool, int):
        return _exactly(hint)
    if hint is float:
        return _number
    if isinstance(hint, type) and issubclass(hint, Enum):
        return hint
    if _is_record(hint):
        return _class_reader(hint)
    origin, args = typing.get_origin(hint), typing.get_args(hint)
    if origin in (typing.Union, types.UnionType):
        return _union_reader(args)
    if origin is tuple and args[-1] is Ellipsis:
        each = _reader(args[0])
        return lambda plain: tuple([each(item) for item in plain])
    if origin is tuple:
        all_of = [_reader(arg) for arg in args]
        return lambda plain: tuple([convert(item) for convert, item in zip(all_of, plain, strict=True)])
    if origin in (Mapping, dict):
        return dict
    raise TypeError(f"a field of the type {hint} cannot be stored: teach codec.py how")


def _exactly(kind: type) -> Convert:
    def read(plain: Any) -> Any:  # noqa: ANN401  JSON
        if type(plain) is not kind:
            raise TypeError(f"{plain!r} is not of the type {kind.__name__}")
        return plain

    return read


def _number(plain: Any) -> float:  # noqa: ANN401  JSON
    if type(plain) is not float and type(plain) is not int:
        raise TypeError(f"{plain!r} is not a number")
    return float(plain)


def _class_reader(hint: Any) -> Convert:  # noqa: ANN401  a dataclass
    hints = _hints(hint)
    defaults = _defaults(hint)
    readers = {name: _reader(hints[name]) for name in defaults}
    # A field that a later version added without a default: None means unknown, where its type allows it.
    unknown = {
        name: None
        for name, default in defaults.items()
        if default is dataclasses.MISSING and type(None) in typing.get_args(hints[name])
    }

    def read(plain: Any) -> Any:  # noqa: ANN401  JSON in, an instance out
        given = {name: readers[name](item) for name, item in plain.items() if name in readers}
        return hint(**{**unknown, **given})

    return read


def _union_reader(args: tuple[Any, ...]) -> Convert:
    some = [arg for arg in args if arg is not type(None)]
    if len(some) == 1:
        inner = _reader(some[0])
        return lambda plain: None if plain is None else inner(plain)
    readers = {arg.__name__: _reader(arg) for arg in some}
    return lambda plain: readers[plain[TAG]](plain)


# Records: frozen dataclasses and named tuples, which are stored alike ---------------------------------------------


def _is_record(hint: Any) -> bool:  # noqa: ANN401  any type hint
    return dataclasses.is_dataclass(hint) or hasattr(hint, "_field_defaults")


def _defaults(hint: Any) -> dict[str, Any]:  # noqa: ANN401  a record
    """The default of each field, or its factory; MISSING where there is none."""
    if not dataclasses.is_dataclass(hint):
        return {name: hint._field_defaults.get(name, dataclasses.MISSING) for name in hint._fields}
    return {
        f.name: f.default if f.default_factory is dataclasses.MISSING else f.default_factory
        for f in dataclasses.fields(hint)
    }


@lru_cache(maxsize=256)
def _hints(hint: Any) -> dict[str, Any]:  # noqa: ANN401  a dataclass
    return typing.get_type_hints(hint)


OBSERVATION: Codec[Observation] = Codec(Observation)
FINDING: Codec[Finding] = Codec(Finding)
ALERT: Codec[Alert] = Codec(Alert)
KEPT_FORECAST: Codec[KeptForecast] = Codec(KeptForecast)
DECISION: Codec[Decision] = Codec(Decision)
CHANGE: Codec[Change] = Codec(Change)
MESSAGE: Codec[Message] = Codec(Message)
LINE: Codec[EventLine] = Codec(EventLine)


def text_column(text: str) -> str:
    """Any text as ASCII for a column that is compared: NUL and lone surrogates come back unchanged."""
    return json.dumps(text)


@lru_cache(maxsize=8192)  # a few times the series of a large host; a key costs about 300 bytes
def key_column(key: SeriesKey) -> str:
    """A series' key as the text that identifies its rows."""
    return json.dumps([key.subject, key.quantity], separators=(",", ":"))


def key_of(column: str) -> SeriesKey:
    """The key that key_column() wrote."""
    subject, quantity = json.loads(column)
    return SeriesKey(subject, quantity)
