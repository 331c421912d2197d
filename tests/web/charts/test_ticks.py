"""Ticks of axes."""

from datetime import UTC, datetime, timedelta, timezone
from itertools import pairwise
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from watchkeeper.model.units import parse_size
from watchkeeper.web.charts import ticks

GIB = 2.0**30
RANGES = st.tuples(st.floats(0, 100), st.floats(1e-3, 1e18)).map(lambda p: (p[0] * p[1], (p[0] + 1) * p[1]))
"""An axis is at most a hundred times further from zero than it is long."""


@pytest.mark.parametrize("make", [ticks.size_ticks, ticks.count_ticks, ticks.share_ticks, ticks.duration_ticks])
@given(RANGES, st.integers(1, 10))
def test_ticks_rise_within_the_axis(make: ticks.Ticks, ends: tuple[float, float], count: int) -> None:
    """There is at least one tick and not a crowd; they rise, and none is far off the axis."""
    found = make(*ends, count)
    assert 1 <= len(found) <= count + 2
    assert all(a < b for (a, _), (b, _) in pairwise(found))
    slack = (ends[1] - ends[0]) * 1e-6
    assert all(ends[0] - slack <= v <= ends[1] + slack for v, _ in found)


def test_sizes_are_round_in_one_unit() -> None:
    """The words of a size tick are the size itself: nothing is lost in rounding."""
    found = ticks.size_ticks(0, 900 * GIB, 5)
    assert [text for _, text in found] == ["0", "200 GiB", "400 GiB", "600 GiB", "800 GiB"]
    assert all(parse_size(text) == v for v, text in found)


def test_counts_are_short() -> None:
    """Inodes run into millions; the axis has room for few characters."""
    assert [t for _, t in ticks.count_ticks(0, 4.2e6, 4)] == ["0", "2 M", "4 M"]
    assert ticks.short(262_144) == "262 k"
    assert ticks.short(999) == "999"


def test_shares_are_percent() -> None:
    """People read percent."""
    assert [t for _, t in ticks.share_ticks(0, 1, 5)] == ["0 %", "20 %", "40 %", "60 %", "80 %", "100 %"]


def test_durations_keep_to_the_clock() -> None:
    """Steps of a duration are those of clocks and calendars, not of ten; lateness is below zero."""
    assert [t for _, t in ticks.duration_ticks(0, 86_400, 4)] == ["0", "6 h", "12 h", "18 h", "1 d"]
    assert [t for _, t in ticks.duration_ticks(-43_200, 43_200, 4)] == ["−12 h", "−6 h", "0", "6 h", "12 h"]
    assert [t for _, t in ticks.duration_ticks(0, 0.05, 5)] == ["0", "10 ms", "20 ms", "30 ms", "40 ms", "50 ms"]
    assert ticks.duration(3e-6) == "3 µs"


def _calendar(since: datetime, until: datetime, count: int, zone: timezone | ZoneInfo = UTC) -> list[str]:
    return [t for _, t in ticks.calendar_ticks(since.timestamp(), until.timestamp(), count, zone)]


def test_calendar_by_span() -> None:
    """A day is divided in hours, a week in days, a year in months."""
    start = datetime(2026, 11, 24, 7, 24, tzinfo=UTC)
    assert _calendar(start, start + timedelta(days=1), 4) == ["12:00", "18:00", "25 Nov", "06:00"]
    assert _calendar(start, start + timedelta(days=7), 7) == [f"{d} Nov" for d in range(25, 31)] + ["1 Dec"]
    assert _calendar(start, start + timedelta(days=30), 5) == ["30 Nov", "7 Dec", "14 Dec", "21 Dec"]
    assert _calendar(start, start + timedelta(days=60), 5) == ["30 Nov", "14 Dec", "28 Dec", "11 Jan"]
    assert _calendar(start, start + timedelta(days=365), 5) == ["2027", "Apr", "Jul", "Oct"]
    assert _calendar(start, start + timedelta(days=3650), 5) == ["2028", "2030", "2032", "2034", "2036"]


def test_calendar_is_round_in_the_zone() -> None:
    """Midnight is the host's midnight, also where the zone is off by half an hour."""
    start = datetime(2026, 11, 24, 7, 24, tzinfo=UTC)
    half = timezone(timedelta(hours=5, minutes=30))
    found = ticks.calendar_ticks(start.timestamp(), start.timestamp() + 86_400, 4, half)
    assert all(datetime.fromtimestamp(at, half).minute == 0 for at, _ in found)


def test_calendar_stays_round_over_summer_time() -> None:
    """Ticks stay on round hours when the clocks go forward (28 March 2027, Directive 2000/84/EC)."""
    zone = ZoneInfo("Europe/Brussels")
    start = datetime(2027, 3, 27, 12, tzinfo=zone)
    found = ticks.calendar_ticks(start.timestamp(), start.timestamp() + 2 * 86_400, 8, zone)
    assert all(datetime.fromtimestamp(at, zone).hour % 6 == 0 for at, _ in found)


def test_calendar_of_a_moment() -> None:
    """An axis too short for any round time still says when it is."""
    at = datetime(2026, 11, 24, 7, 24, 5, tzinfo=UTC)
    assert _calendar(at, at + timedelta(seconds=2), 3) == ["07:24"]


@given(st.floats(0, 4e9), st.floats(1, 5e8), st.integers(1, 12))
def test_calendar_never_crowds(since_s: float, span_s: float, count: int) -> None:
    """Whatever the span, there is a tick, and not many more than were asked for."""
    found = ticks.calendar_ticks(since_s, since_s + span_s, count, UTC)
    assert 1 <= len(found) <= 2 * count + 3


def test_labelled_leaves_room() -> None:
    """Words that would run into the one before are left out."""
    given_ticks = [(float(v), str(v)) for v in (0, 5, 10, 30)]
    assert ticks.labelled(given_ticks, 8, lambda v: v) == [(0, "0"), (10, "10"), (30, "30")]
