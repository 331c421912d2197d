"""Availability: sums, outages and calendar periods, against a count second by second."""

from datetime import UTC, date, datetime, timedelta
from itertools import pairwise
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from watchkeeper.model.history.availability import (
    AnswerHistory,
    Availability,
    Outage,
    Period,
    Piece,
    availability,
    begin_of,
    history_of,
    outages,
    periods,
    with_reasons,
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
    found = availability(history_of(pieces, outages(pieces)), begin, end)
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
    assert outages(pieces) == [Outage(10, 210, 78)]
    assert outages([*pieces, run(300, 310, down=True)]) == [Outage(10, 210, 78), Outage(300, None, 10)]
    assert outages([]) == []


def test_roll_ups() -> None:
    """They count with their share, and outages in them only at least."""
    hours = [
        Piece(0, 3600, 3600, 600, ends_down=False, exact=False),
        Piece(3600, 7200, 1800, 900, ends_down=True, exact=False),
        Piece(7200, 10_800, 3600, 60, ends_down=False, exact=False),
    ]
    known = history_of(hours, [])
    assert availability(known, 0, 10_800) == Availability(0, 10_800, 9000, 1560, 2, at_least=True)
    half = availability(known, 5400, 7200)
    assert (half.measured_s, half.down_s, half.not_measured_s, half.outages) == (900, 450, 900, 0)
    assert outages(hours) == []
    assert availability(history_of([run(0, 10, down=True)], []), 0, 10).at_least is False


def test_outages_of_roll_ups_that_are_known() -> None:
    """They count as they are; a roll-up without answers that has none of them counts at least."""
    hours = [
        Piece(0, 3600, 3600, 600, ends_down=False, exact=False),
        Piece(3600, 7200, 3600, 900, ends_down=True, exact=False),
        Piece(7200, 10_800, 3600, 60, ends_down=False, exact=False),
        Piece(10_800, 14_400, 3600, 60, ends_down=False, exact=False),
    ]
    listed = [Outage(100, 400, 300), Outage(500, 800, 300), Outage(6300, 7260, 960)]
    known = history_of(hours, listed)
    found = availability(known, 0, 10_800)
    assert (found.down_s, found.outages, found.at_least) == (1560, 3, False)
    found = availability(known, 0, 14_400)
    assert (found.outages, found.at_least) == (4, True)
    # One that began before the period is none of its own, but none that is missing either.
    lasting = history_of(hours[1:3], [Outage(-50, None, 1000)])
    assert (availability(lasting, 3600, 10_800).outages, availability(lasting, 3600, 10_800).at_least) == (0, False)


def test_an_outage_that_lasted_when_samples_were_rolled_up() -> None:
    """It goes on with the first samples, or ends with them; what was measured adds up."""
    before = Outage(0, None, 100, "refused")
    assert outages([run(100, 130, down=True), run(130, 200, down=False)], before) == [Outage(0, 130, 130, "refused")]
    assert outages([run(100, 130, down=False), run(130, 140, down=True)], before) == [
        Outage(0, 100, 100, "refused"), Outage(130, None, 10),
    ]  # fmt: skip
    assert outages([], before) == [before]


def test_reasons() -> None:
    """Each outage has the first that was noted during it; one that it has already stays."""
    found = [Outage(0, 10, 10), Outage(20, 30, 10), Outage(40, 50, 10), Outage(60, None, 10, "before")]
    reasons = [(0.0, "one"), (25.0, "two"), (28.0, "three"), (52.0, "none's"), (61.0, "later")]
    assert [each.reason for each in with_reasons(found, reasons)] == ["one", "two", "", "before"]
    assert list(with_reasons(found[:1], [])) == found[:1]


def test_shares() -> None:
    """Of what was measured; unknown where nothing was."""
    assert availability(history_of([run(0, 75, down=False), run(75, 100, down=True)], []), 0, 200).share == 0.75
    assert availability(AnswerHistory(), 0, 200).share is None
    assert availability(history_of([Piece(5, 5, 0, 0, ends_down=False)], []), 0, 10).measured_s == 0


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
    pieces = [run(10.0, 25.0, down=True)]
    first = history_of(pieces, outages(pieces))
    assert availability(first, 10.0004, 30.0).outages == 1
    assert [availability(first, *each).outages for each in ((0.0, 10.0004), (10.0004, 30.0))] == [0, 1]


def test_times_are_compared_to_a_millisecond() -> None:
    """An outage that begins a rounding error before the period is counted in it, and not in the one before."""
    history = history_of([], [Outage(0.999, 1.5, 0.5)])
    assert availability(history, 1.0, 2.0).outages == 1
    assert availability(history, 0.0, 1.0).outages == 0


def test_pieces_shorter_than_a_second() -> None:
    """Their share counts, however short; one without length lies within or not."""
    half = Piece(9.75, 10.25, 0.5, 0.5, ends_down=True)
    assert availability(history_of([half], []), 10.0, 20.0).down_s == pytest.approx(0.25)
    point = Piece(10.0, 10.0, 0.25, 0.0, ends_down=False)
    assert availability(history_of([point], []), 10.0, 20.0).measured_s == 0.25
    assert availability(history_of([point], []), 0.0, 10.0).measured_s == 0.0
