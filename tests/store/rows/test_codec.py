"""Records to text and back."""

import json
import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta, timezone
from enum import Enum
from typing import Any, cast

import numpy as np
import pytest
from hypothesis import given

from tests.store.material import HIDE_HUB, SKERRY, START, alert, message
from tests.store.strategies import TEXT, any_of
from watchkeeper.errors import StoreError
from watchkeeper.model.alert import Alert, Priority
from watchkeeper.model.finding import Finding
from watchkeeper.model.forecast import Forecast
from watchkeeper.model.message import Message
from watchkeeper.model.observation import Answer, Condition, Deadline, Level, Observation, SeriesKey
from watchkeeper.model.records import Entry, EventLine
from watchkeeper.store.rows.codec import (
    ALERT,
    FINDING,
    LINE,
    MESSAGE,
    OBSERVATION,
    Codec,
    Unreadable,
    key_column,
    key_of,
    text_column,
)


def _no_constant(name: str) -> None:
    raise AssertionError(f"{name} is not JSON")


def _strict(text: str) -> Any:
    """RFC 8259: no NaN or Infinity. ASCII, so that no encoding can corrupt it."""
    assert text.isascii()
    assert "\x00" not in text
    return json.loads(text, parse_constant=_no_constant)


@given(any_of(Observation))
def test_an_observation_comes_back_as_it_was(observation: Observation) -> None:
    """Every kind of observation survives the text, whatever strings and numbers it contains."""
    text = OBSERVATION.dumps(observation)
    _strict(text)
    assert OBSERVATION.loads(text) == observation


@given(any_of(Finding))
def test_a_finding_comes_back_as_it_was(finding: Finding) -> None:
    """A finding survives the text with the forecast and everything in it."""
    text = FINDING.dumps(finding)
    _strict(text)
    assert FINDING.loads(text) == finding


@given(any_of(Alert))
def test_an_alert_comes_back_as_it_was(raised: Alert) -> None:
    """An alert survives the text."""
    assert ALERT.loads(ALERT.dumps(raised)) == raised


@given(any_of(Message))
def test_a_message_comes_back_as_it_was(told: Message) -> None:
    """A message survives the text."""
    assert MESSAGE.loads(MESSAGE.dumps(told)) == told


@given(any_of(EventLine))
def test_a_journal_line_comes_back_as_it_was(written: EventLine) -> None:
    """A journal line survives the text with its details."""
    assert LINE.loads(LINE.dumps(written)) == written


@given(TEXT, TEXT)
def test_a_key_has_one_text_of_its_own(subject: str, quantity: str) -> None:
    """A key's column is ASCII without NUL, and identifies that key and no other."""
    column = key_column(SeriesKey(subject, quantity))
    _strict(column)
    assert key_of(column) == SeriesKey(subject, quantity)
    assert json.loads(text_column(subject)) == subject


def test_the_form_of_the_text_is_pinned() -> None:
    """The format of existing databases does not change unnoticed."""
    seen = Level(SKERRY, 1.5, 2, facts=(("device", 'a "b"'),))
    assert OBSERVATION.dumps(seen) == (
        '{"is":"Level","key":{"subject":"pool skerry","quantity":"space"},"used":1.5,"capacity":2,'
        '"unit":"bytes","facts":[["device","a \\"b\\""]],"not_judged":false}'
    )
    due = Deadline(HIDE_HUB, None)
    assert OBSERVATION.dumps(due) == (
        '{"is":"Deadline","key":{"subject":"service hide-hub","quantity":"answer"},"due_at":null,"facts":[]}'
    )


def test_an_instant_of_another_zone_is_the_same_instant() -> None:
    """Times are written in UTC, whatever zone they had."""
    east = timezone(timedelta(hours=5, minutes=30))
    due = Deadline(SKERRY, datetime(2026, 3, 1, 12, 0, tzinfo=east))
    back = OBSERVATION.loads(OBSERVATION.dumps(due))
    assert isinstance(back, Deadline)
    assert back.due_at == due.due_at
    assert back.due_at is not None
    assert back.due_at.tzinfo is UTC


def test_a_naive_instant_is_refused() -> None:
    """A time without a zone would mean another moment when it is read."""
    with pytest.raises(StoreError, match="no time zone"):
        OBSERVATION.dumps(Deadline(SKERRY, datetime(2026, 3, 1)))  # noqa: DTZ001  that is the point


@pytest.mark.parametrize("odd", [math.nan, math.inf, -math.inf])
def test_a_number_that_is_not_finite_is_refused_with_its_place(odd: float) -> None:
    """NaN and infinities are never written, and the error names the field, however deeply it is nested."""
    with pytest.raises(StoreError, match=r"^Level\.used is -?(nan|inf)"):
        OBSERVATION.dumps(Level(SKERRY, odd, 1.0))
    found = Finding(SKERRY, alert().concern, START, None, forecast=Forecast(0.0, odd, 1.0))
    with pytest.raises(StoreError, match=r"^Finding\.forecast\.used is"):
        FINDING.dumps(found)
    with pytest.raises(StoreError, match=r"^Answer\.phases is"):
        OBSERVATION.dumps(Answer(HIDE_HUB, answered=True, phases=(("connect", 0.1), ("body", odd))))


def test_a_value_of_a_wrong_type_is_refused() -> None:
    """A bug elsewhere causes an error that names the record, not a row that cannot be read."""
    with pytest.raises(StoreError, match="a Condition cannot be stored"):
        OBSERVATION.dumps(Condition(SKERRY, ok=True, reason=cast("Any", 3)))
    with pytest.raises(StoreError, match="a str cannot be stored"):
        OBSERVATION.dumps(cast("Any", "skerry"))


def test_numbers_of_numpy_are_numbers() -> None:
    """The forecast computes with numpy; its floats are written as JSON numbers."""
    text = OBSERVATION.dumps(Level(SKERRY, np.float64(0.1), 1.0))
    assert '"used":0.1,' in text


# Text of a later or an earlier version ----------------------------------------------------------------------------


class Colour(Enum):
    """The colour of a lamp in a hide."""

    RED = "red"


@dataclass(frozen=True, slots=True)
class Before:
    """A record as an earlier version defined it."""

    name: str


@dataclass(frozen=True, slots=True)
class After:
    """The same record, with fields that were added later."""

    name: str
    place: str | None
    lamps: int = 2
    tags: Mapping[str, float] = field(default_factory=dict)
    pair: tuple[int, float] | None = None
    colour: Colour = Colour.RED


def test_what_was_added_later_takes_its_default() -> None:
    """Text of an earlier version is read: missing fields have their defaults, or None if there is no default."""
    old = Codec[Before](Before).dumps(Before("hide"))
    assert Codec[After](After).loads(old) == After("hide", None, 2, {}, None)


def test_what_is_not_known_is_ignored() -> None:
    """Text of a later version is read as far as it is understood."""
    new = Codec[After](After).dumps(After("hide", "north", 3, {"a": 1.5}, (1, 2.0)))
    assert Codec[Before](Before).loads(new) == Before("hide")
    assert Codec[After](After).loads(new) == After("hide", "north", 3, {"a": 1.5}, (1, 2.0))


@pytest.mark.parametrize(
    "text",
    [
        "",
        "nonsense",
        "[]",
        "3",
        "null",
        "{}",
        '{"is":"Guess","key":{"subject":"a","quantity":"b"}}',
        '{"is":"Level","key":{"subject":"a","quantity":"b"},"used":"much","capacity":1}',
        '{"is":"Level","key":{"subject":"a"},"used":1,"capacity":1}',
        '{"is":"Level","key":{"subject":1,"quantity":"b"},"used":1,"capacity":1}',
        '{"is":"Level","key":{"subject":"a","quantity":"b"},"used":1,"capacity":1,"facts":[["a"]]}',
        '{"is":"Deadline","key":{"subject":"a","quantity":"b"},"due_at":"soon"}',
        "[" * 100_000,
    ],
)
def test_text_that_does_not_fit_is_unreadable(text: str) -> None:
    """Whatever a column contains, reading it results in a value or in Unreadable."""
    with pytest.raises(Unreadable):
        OBSERVATION.loads(text)


@dataclass(frozen=True, slots=True)
class Strange:
    """Contains what no record should."""

    names: set[str]


def test_a_field_that_cannot_be_stored_is_named() -> None:
    """A record with a type that the codec does not support causes an error that says so, both ways."""
    with pytest.raises(StoreError, match="teach"):
        Codec[Strange](Strange).dumps(Strange(set()))
    with pytest.raises(Unreadable, match="teach"):
        Codec[Strange](Strange).loads('{"names":[]}')


def test_priorities_and_entries_are_written_as_their_values() -> None:
    """Numbers and words, not Python's names, which may change."""
    assert '"priority":2' in ALERT.dumps(alert())
    assert ALERT.loads(ALERT.dumps(replace(alert(), priority=None))).priority is None
    assert '"entry":"note"' in LINE.dumps(EventLine(START, Entry.NOTE, "swept the hide"))
    assert MESSAGE.loads(MESSAGE.dumps(message())).priority is Priority.WARNING
