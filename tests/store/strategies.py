"""Hypothesis strategies for records, made from their type hints, so that later fields are covered automatically."""

import dataclasses
import types
import typing
from collections.abc import Mapping
from datetime import UTC, datetime
from enum import Enum
from functools import cache
from typing import Any

from hypothesis import strategies as st

TEXT = st.text(st.characters() | st.sampled_from("\x00\udc80\udcff'\"\n\r\\\U0001f989"))
"""Any text, with NUL and what a file name becomes that is not UTF-8 (PEP 383) more often than chance would have it."""

_SCALARS: dict[Any, st.SearchStrategy[Any]] = {
    str: TEXT,
    bool: st.booleans(),
    int: st.integers(-(2**63), 2**63 - 1),
    # A probe may return an integer where a float is expected.
    float: st.floats(allow_nan=False, allow_infinity=False) | st.integers(0, 2**53),
    datetime: st.datetimes(datetime(1971, 1, 1), datetime(9999, 12, 31), timezones=st.just(UTC)),  # noqa: DTZ001
}


@cache
def any_of(hint: Any) -> st.SearchStrategy[Any]:
    """Values of a type that a record's field may have."""
    if hint in _SCALARS:
        return _SCALARS[hint]
    if isinstance(hint, type) and issubclass(hint, Enum):
        return st.sampled_from(hint)
    is_class, is_named_tuple = dataclasses.is_dataclass(hint), hasattr(hint, "_fields")
    if is_class or is_named_tuple:
        hints = typing.get_type_hints(hint)
        names = [f.name for f in dataclasses.fields(hint)] if is_class else hint._fields
        return st.builds(hint, **{name: any_of(hints[name]) for name in names})
    return _structures(typing.get_origin(hint), typing.get_args(hint))


def _structures(origin: Any, args: tuple[Any, ...]) -> st.SearchStrategy[Any]:
    if origin in (typing.Union, types.UnionType):
        return st.one_of(*(st.none() if arg is type(None) else any_of(arg) for arg in args))
    if origin is Mapping:
        return st.dictionaries(any_of(args[0]), any_of(args[1]), max_size=3)
    assert origin is tuple
    if args[-1] is Ellipsis:
        return st.lists(any_of(args[0]), max_size=3).map(tuple)
    return st.tuples(*map(any_of, args))
