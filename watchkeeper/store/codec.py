"""Records to JSON text and back, driven by the type hints of frozen dataclasses; nothing in here names a field.

What was stored must be readable by a later version, so reading is tolerant: a key that the class does not know is
ignored, and a field that is missing takes its default (or None where its type allows that). Writing is strict: a NaN,
an infinity or an instant without a time zone is refused with its place. No pickle: a database may come from anywhere.

What may live here: types to JSON. Not here: which column a record goes to (writing.py, reading.py).
"""

import dataclasses
import json
import math
import types
import typing
from collections.abc import Callable, Mapping
from datetime import UTC, datetime
from enum import Enum
from functools import lru_cache
from operator import attrgetter
from typing import Any, Generic, TypeVar

from watchkeeper.core.alerts import Alert
from watchkeeper.core.message import Message
from watchkeeper.core.observation import Observation, SeriesKey
from watchkeeper.core.records import JournalLine
from watchkeeper.core.rules import Finding
from watchkeeper.errors import StoreError

T = TypeVar("T")
Convert = Callable[[Any], Any]

TAG = "is"
"""Where a value may be one of several classes, this key holds the name of its class: class names are part of the
stored form. No field may be called so."""


class Unreadable(StoreError):
    """Stored text that does not fit the record it was read as."""


class Codec(Generic[T]):
    """Turns values of one type into JSON text and back."""

    def __init__(self, hint: Any) -> None:  # noqa: ANN401  a type or a union of types has no narrower type
        self._hint = hint

    def dumps(self, value: T) -> str:
        """ASCII text. Raises StoreError where the value holds something that is never written."""
        plain = _writer(self._hint)(value)
        try:
            return _COMPACT.encode(plain)
        except ValueError as error:
            raise StoreError(f"{_odd_place(plain)} cannot be stored: only finite numbers can") from error
        except TypeError as error:
            raise StoreError(f"a {type(value).__name__} cannot be stored: {error}") from error

    def loads(self, text: str) -> T:
        """The value. Raises Unreadable where the text does not fit the type."""
        try:
            value: T = _reader(self._hint)(json.loads(text))
        except (ValueError, TypeError, KeyError, AttributeError, RecursionError) as error:
            raise Unreadable(f"stored text cannot be read ({error!r}): {text[:80]}") from error
        return value


_COMPACT = json.JSONEncoder(allow_nan=False, separators=(",", ":"))
"""ensure_ascii stays on: a file name that is not UTF-8 reaches us as lone surrogates, which SQLite's text refuses."""


def _odd_place(plain: Any, place: str = "") -> str:  # noqa: ANN401  JSON
    """The dotted place of the first number in there that is not finite."""
    if isinstance(plain, float):
        return "" if math.isfinite(plain) else f"{place} = {plain}"
    inner = plain.items() if isinstance(plain, dict) else enumerate(plain) if isinstance(plain, list | tuple) else ()
    found = (_odd_place(value, f"{place}.{name}" if place else str(name)) for name, value in inner)
    return next(filter(None, found), "")


# Writing ----------------------------------------------------------------------------------------------------------


@lru_cache(maxsize=256)
def _writer(hint: Any) -> Convert:  # noqa: ANN401  any type hint
    """What turns a value of that type into what JSON knows."""
    return _writer_or_none(hint) or (lambda value: value)


@lru_cache(maxsize=256)
def _writer_or_none(hint: Any) -> Convert | None:  # noqa: ANN401  one branch for each form of type
    if hint is datetime:
        return _instant_text
    if isinstance(hint, type) and issubclass(hint, Enum):
        return attrgetter("value")
    if dataclasses.is_dataclass(hint):
        return _class_writer(hint)
    origin, args = typing.get_origin(hint), typing.get_args(hint)
    if origin in (typing.Union, types.UnionType):
        return _union_writer(args)
    if origin is tuple and args[-1] is Ellipsis:
        each = _writer_or_none(args[0])
        return None if each is None else (lambda value: [each(item) for item in value])
    if origin is tuple:
        all_of = [_writer(arg) for arg in args]
        return lambda value: [convert(item) for convert, item in zip(all_of, value, strict=True)]
    return dict if origin is Mapping else None


def _instant_text(at: datetime) -> str:
    if at.tzinfo is None:
        raise StoreError(f"{at} cannot be stored: it has no time zone")
    return at.astimezone(UTC).isoformat()


def _class_writer(hint: Any) -> Convert:  # noqa: ANN401  a dataclass
    hints = _hints(hint)
    # None is left out where it is the default as well: it is most of what a finding holds, and is written often.
    plan = [
        (f.name, attrgetter(f.name), _writer_or_none(hints[f.name]), f.default is None)
        for f in dataclasses.fields(hint)
    ]

    def write(value: Any) -> dict[str, Any]:  # noqa: ANN401  an instance of the class
        plain = {}
        for name, read, convert, none_is_default in plan:
            item = read(value)
            if item is not None:
                plain[name] = item if convert is None else convert(item)
            elif not none_is_default:
                plain[name] = None
        return plain

    return write


def _union_writer(args: tuple[Any, ...]) -> Convert | None:
    some = [arg for arg in args if arg is not type(None)]
    if len(some) == 1:
        inner = _writer_or_none(some[0])
        return None if inner is None else (lambda value: None if value is None else inner(value))
    # Several: dataclasses, told apart by the name of their class.
    writers = {arg: _class_writer(arg) for arg in some}
    return lambda value: {TAG: type(value).__name__, **writers[type(value)](value)}


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
    if dataclasses.is_dataclass(hint):
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
    if origin is Mapping:
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
    readers = {f.name: _reader(hints[f.name]) for f in dataclasses.fields(hint)}
    # A field that a later version added without a default: None says that it is not known, where its type allows it.
    unknown = {
        f.name: None
        for f in dataclasses.fields(hint)
        if f.default is dataclasses.MISSING
        and f.default_factory is dataclasses.MISSING
        and type(None) in typing.get_args(hints[f.name])
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


@lru_cache(maxsize=256)
def _hints(hint: Any) -> dict[str, Any]:  # noqa: ANN401  a dataclass
    return typing.get_type_hints(hint)


OBSERVATION: Codec[Observation] = Codec(Observation)
FINDING: Codec[Finding] = Codec(Finding)
ALERT: Codec[Alert] = Codec(Alert)
MESSAGE: Codec[Message] = Codec(Message)
LINE: Codec[JournalLine] = Codec(JournalLine)


def text_column(text: str) -> str:
    """Any text at all as ASCII for a column that is compared: NUL and lone surrogates come back as they were."""
    return json.dumps(text)


@lru_cache(maxsize=8192)  # a few times the series of a large house; a key costs about 300 bytes
def key_column(key: SeriesKey) -> str:
    """A series' key as the one text that its rows are found by."""
    return json.dumps([key.subject, key.quantity], separators=(",", ":"))


def key_of(column: str) -> SeriesKey:
    """The key that key_column() wrote."""
    subject, quantity = json.loads(column)
    return SeriesKey(subject, quantity)
