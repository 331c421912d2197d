"""When a finding only repeats an earlier one, and what it is then."""

from dataclasses import fields, replace
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from watchkeeper.model.alert import Concern, Priority
from watchkeeper.model.finding import Finding
from watchkeeper.model.forecast import Forecast
from watchkeeper.model.observation import SeriesKey

AT = datetime(2026, 3, 1, 6, 0, tzinfo=UTC)
MINUTE = timedelta(minutes=1)
FULL = Finding(SeriesKey("pool skerry", "space"), Concern.FULL, AT, None, ends_at=AT + 3 * MINUTE)
MISSING = replace(FULL, concern=Concern.NOT_REPORTING)
OTHER: dict[str, Any] = {
    "key": SeriesKey("pool skerry", "files"),
    "concern": Concern.FAULTY,
    "priority": Priority.WARNING,
    "ends_at": AT + 5 * MINUTE,
    "earliest_at": AT,
    "latest_at": AT,
    "since": AT,
    "reason": "not filling",
    "forecast": Forecast(0.0, 1.0, 2.0),
    "began_at": AT,
    "over_at": AT,
    "used_limit": 0.9,
}


def test_a_later_finding_with_the_same_content_repeats_it() -> None:
    """A date stays where it is; the time by which the next sample is due moves with the newest one."""
    later = replace(FULL, at=AT + MINUTE)
    assert later.repeats(FULL)
    assert FULL.as_of(AT + MINUTE) == later
    due_later = replace(MISSING, at=AT + MINUTE, ends_at=AT + 4 * MINUTE)
    assert due_later.repeats(MISSING)
    assert MISSING.as_of(AT + MINUTE) == due_later
    assert not replace(MISSING, at=AT + MINUTE).repeats(MISSING)


@pytest.mark.parametrize("found", [FULL, MISSING], ids=["full", "not reporting"])
@pytest.mark.parametrize("name", [each.name for each in fields(Finding) if each.name != "at"])
def test_a_finding_that_differs_repeats_nothing(found: Finding, name: str) -> None:
    """In any field but its time."""
    same = found.as_of(AT + MINUTE)
    assert same.repeats(found)
    later = replace(same, **{name: OTHER[name]})
    assert not later.repeats(found)
    assert found.as_of(later.at) != later


def test_one_without_a_due_time_repeats_one_without() -> None:
    """And none that has one."""
    never = replace(MISSING, ends_at=None)
    assert replace(never, at=AT + MINUTE).repeats(never)
    assert never.as_of(AT + MINUTE).ends_at is None
    assert not never.repeats(MISSING)
    assert not MISSING.repeats(never)


def test_missing_samples_that_are_reported_do_not_move() -> None:
    """What is missing was due at one time."""
    late = replace(MISSING, priority=Priority.WARNING)
    assert replace(late, at=AT + MINUTE).repeats(late)
    assert late.as_of(AT + MINUTE).ends_at == late.ends_at
