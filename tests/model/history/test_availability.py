"""Availability: sums, outages and calendar periods, against a count second by second."""

from datetime import UTC, date, datetime, timedelta
from itertools import pairwise
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from watchkeeper.model.history.availability import (
    Availability,
    Outage,
    Period,
    Piece,
    availability,
    begin_of,
    outages,
    periods,
)

BERLIN = ZoneInfo("Europe/Berlin")


def run(begin_s: float, end_s: float, *, down: bool) -> Piece:
    """A stretch of answers, or of missing ones."""
    return Piece(begin_s, end_s, end_s - begin_s, end_s - begin_s if down else 0.0, down)


@given(
    st.lists(st.tuples(st.integers(1, 50), st.sampled_from("udn")), max_size=12),
    st.integers(0, 300),
    st.integers(0, 300),
)
def test_sums_are_those_of_each_second(parts: list[tuple[int, str]], one: int, other: int) -> None:
    """Up, down and not measured, in a window anywhere."""
    pieces, seconds, at = [], [], 0
    for length, state in parts:
        if state != "n":
            pieces.append(run(at, at + length, down=state == "d"))
        seconds += [state] * length
        at += length
    begin, end = sorted((one, other))
    found = availability(pieces, begin, end)
    inside = seconds[begin:end]
    assert found.measured_s == pytest.approx(len(inside) - inside.count("n"))
    assert found.down_s == pytest.approx(inside.count("d"))
    assert found.not_measured_s == pytest.approx((end - begin) - len(inside) + inside.count("n"))
    # An outage goes on through time in which nothing was measured, until an answer comes.
    known = [(at, state) for at, state in enumerate(seconds) if state != "n"]
    begins = [
        at
        for (_, before), (at, state) in zip([(-1, "u"), *known], known, strict=False)
        if (before, state) == ("u", "d")
    ]
    assert found.outages == sum(begin <= each < end for each in begins)
    assert [each.begin_s for each in outages(pieces)] == begins


def test_an_outage_lasts_until_the_next_answer() -> None:
    """The last one may last."""
    pieces = [run(0, 10, down=False), run(10, 78, down=True), run(200, 210, down=True), run(210, 300, down=False)]
    assert outages(pieces) == [Outage(10, 210)]
    assert outages([*pieces, run(300, 310, down=True)]) == [Outage(10, 210), Outage(300, None)]
    assert outages([]) == []


def test_roll_ups() -> None:
    """They count with their share, and outages in them only at least."""
    hours = [
        Piece(0, 3600, 3600, 600, ends_down=False, exact=False),
        Piece(3600, 7200, 1800, 900, ends_down=True, exact=False),
        Piece(7200, 10_800, 3600, 60, ends_down=False, exact=False),
    ]
    assert availability(hours, 0, 10_800) == Availability(0, 10_800, 9000, 1560, 2, at_least=True)
    half = availability(hours, 5400, 7200)
    assert (half.measured_s, half.down_s, half.not_measured_s, half.outages) == (900, 450, 900, 0)
    assert outages(hours) == []
    assert availability([run(0, 10, down=True)], 0, 10).at_least is False


def test_shares() -> None:
    """Of what was measured; unknown where nothing was."""
    assert availability([run(0, 75, down=False), run(75, 100, down=True)], 0, 200).share == 0.75
    assert availability([], 0, 200).share is None
    assert availability([Piece(5, 5, 0, 0, ends_down=False)], 0, 10).measured_s == 0


@pytest.mark.parametrize(
    ("kind", "firsts"),
    [
        (Period.DAY, ["2026-12-31", "2027-01-01", "2027-01-02"]),
        (Period.WEEK, ["2026-12-28"]),
        (Period.MONTH, ["2026-12-01", "2027-01-01"]),
        (Period.YEAR, ["2026-01-01", "2027-01-01"]),
    ],
)
def test_periods_of_the_calendar(kind: Period, firsts: list[str]) -> None:
    """In the operator's zone; the first and the last are cut, and together they are the whole time."""
    since, until = datetime(2026, 12, 31, 5, tzinfo=UTC), datetime(2027, 1, 2, 5, tzinfo=UTC)
    found = list(periods(kind, since, until, BERLIN))
    assert [first.isoformat() for first, _, _ in found] == firsts
    assert (found[0][1], found[-1][2]) == (since, until)
    assert all(end == begin for (_, _, end), (_, begin, _) in pairwise(found))
    assert begin_of(kind, until, BERLIN).astimezone(BERLIN).date() == found[-1][0]


def test_a_period_that_would_begin_at_the_end_is_none() -> None:
    """Until midnight is one day, and no time has no period."""
    midnight = datetime(2026, 12, 31, tzinfo=BERLIN)
    assert len(list(periods(Period.DAY, midnight, midnight + timedelta(days=1), BERLIN))) == 1
    assert not list(periods(Period.DAY, midnight, midnight, BERLIN))


def test_a_day_with_a_change_of_the_clocks() -> None:
    """It has 23 or 25 hours."""
    seconds = [
        end.astimezone(UTC) - begin.astimezone(UTC)
        for day in (date(2026, 3, 29), date(2026, 10, 25))
        for first, begin, end in periods(
            Period.DAY,
            datetime(day.year, day.month, day.day, tzinfo=BERLIN),
            datetime(day.year, day.month, day.day + 1, tzinfo=BERLIN),
            BERLIN,
        )
        if first == day
    ]
    assert seconds == [timedelta(hours=23), timedelta(hours=25)]


def test_an_outage_from_the_very_first_reading() -> None:
    """Stored by the millisecond, it is before the begin of the series by less; it counts in one period."""
    first = run(10.0, 25.0, down=True)
    assert availability([first], 10.0004, 30.0).outages == 1
    assert [availability([first], *each).outages for each in ((0.0, 10.0004), (10.0004, 30.0))] == [0, 1]
