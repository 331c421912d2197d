"""What fields take and how values are written, in words of the document."""

from collections.abc import Mapping
from datetime import UTC, date, datetime, time
from pathlib import Path
from typing import Annotated, Any, Literal

import annotated_types
import pytest
from pydantic import AnyHttpUrl, Field

from tests.support.document import Lamp, Tide
from watchkeeper.config.errors import describe_types
from watchkeeper.config.types import Duration, Limit, PriorityOrNever, SecretSource, Size
from watchkeeper.model.alert import Priority


@pytest.mark.parametrize(
    ("annotation", "reported"),
    [
        (bool, "true or false"),
        (int | None, "a whole number"),
        (Annotated[int, Field(ge=1, lt=9)] | None, "a whole number, at least 1, less than 9"),
        (Annotated[float, Field(gt=0, le=1)], "a number, more than 0, at most 1"),
        (Annotated[str, Field(min_length=1)], "text in quotes, not empty"),
        (Annotated[str, Field(min_length=2, max_length=5)], "text in quotes, at least 2 long, at most 5 long"),
        (Path, "a path in quotes"),
        (Literal["a", "b"], '"a" or "b"'),
        (Tide, '"ebb" or "flood"'),
        (tuple[str, ...], "a list, each text in quotes"),
        (list[int], "a list, each a whole number"),
        (dict[str, str], "a table of keys and values"),
        (Mapping[str, str], "a table of keys and values"),
        (Lamp, "a table with the keys watts"),
        (SecretSource, '{ file = "/path/of/the/secret" } or { credential = "name" }'),
        (AnyHttpUrl | None, 'a URL such as "https://hub.example.org/"'),
        (str | int, "text in quotes or a whole number"),
        (Duration, 'a duration such as "15m"'),
        (Limit, 'a duration such as "7d", or "never"'),
        (Any, "any value"),
        (Annotated[int, annotated_types.MultipleOf(2)], "a whole number"),
        (datetime, "text in quotes"),
    ],
)
def test_what_a_field_takes(annotation: Any, reported: str) -> None:
    """Each type has words that somebody who writes TOML understands."""
    assert describe_types.allowed(annotation) == reported


@pytest.mark.parametrize(
    ("value", "annotation", "text"),
    [
        (True, bool, "true"),
        (5, int, "5"),
        (0.25, float, "0.25"),
        (3.0, float, "3"),
        ("caf\u00e9", str, '"caf\u00e9"'),
        ('a"b\n', str, '"a\\"b\\n"'),
        (Path("/x"), Path, '"/x"'),
        (("a", 1), Any, '["a", 1]'),
        ({"a": True}, Any, "{ a = true }"),
        ({}, Any, "{}"),
        (Tide.EBB, Tide, '"ebb"'),
        (3600.0, Duration, '"1h"'),
        (2**30, Size, '"1 GiB"'),
        (None, Limit, '"never"'),
        (Priority.ALARM, PriorityOrNever, '"alarm"'),
        (date(2026, 11, 25), Any, "2026-11-25"),
        (time(7, 24), Any, "07:24:00"),
        (datetime(2026, 11, 25, tzinfo=UTC), Any, "2026-11-25 00:00:00+00:00"),
    ],
)
def test_how_a_value_is_written(value: Any, annotation: Any, text: str) -> None:
    """A value is written the way that the document would have it."""
    assert describe_types.written(value, annotation) == text


@pytest.mark.parametrize(
    ("value", "reported"),
    [
        (True, "a boolean"),
        ("x", "text"),
        (1, "a whole number"),
        (1.5, "a number"),
        ([], "a list"),
        ({}, "a table"),
        (date(2026, 11, 25), "a date or a time"),
    ],
)
def test_what_a_value_is(value: Any, reported: str) -> None:
    """Each kind of TOML value has a name."""
    assert describe_types.what_it_is(value) == reported
