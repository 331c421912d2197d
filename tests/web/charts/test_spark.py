"""The two small pictures of a level."""

import re
from xml.etree import ElementTree as ET

import pytest
from hypothesis import given
from hypothesis import strategies as st

from watchkeeper.web.charts.spark import HIGH, TOP, WEEK_S, WIDE, bar, spark

NOW_S = 1_764_000_000.0
DAY_S = 86_400.0
NONE = (None, None, None)
PAST = [(NOW_S - WEEK_S + i * DAY_S / 2, 10.0 + i) for i in range(15)]


def paths(text: str) -> dict[str, list[tuple[float, float]]]:
    """The points of each path, by its class."""
    root = ET.fromstring(text)
    found = {}
    for each in root:
        numbers = [float(n) for n in re.findall(r"-?[\d.]+", each.get("d") or "")]
        found[each.get("class") or ""] = list(zip(numbers[::2], numbers[1::2], strict=True))
    return found


@pytest.mark.parametrize(("share", "width"), [(0.0, "0.00%"), (0.76, "76.00%"), (1.4, "100.00%")])
def test_a_bar_is_as_long_as_the_level_is_full(share: float, width: str) -> None:
    """Also if more is used than there is."""
    used = next(each for each in ET.fromstring(bar(share, 2)) if each.get("class") == "used")
    assert used.get("width") == width


def test_the_axis_runs_from_nothing_to_the_capacity() -> None:
    """The line begins at the level of a week ago and ends at now, between the bottom and the capacity."""
    found = paths(spark(PAST, 100.0, NOW_S, NONE, "x"))
    assert found["ceiling"] == [(0.0, TOP), (WIDE, TOP)]
    assert found["empty"][0][1] == HIGH
    first, last = found["run"][0], found["run"][-1]
    assert first[0] == 0.0
    assert first[1] == pytest.approx(HIGH - 0.10 * (HIGH - TOP), abs=0.1)
    assert last[0] == found["now"][0][0] < WIDE
    assert last[1] == pytest.approx(HIGH - 0.24 * (HIGH - TOP), abs=0.1)
    assert "ahead" not in found


def test_the_range_lies_on_the_capacity() -> None:
    """From the earliest to the latest time; without an upper end it runs to the edge."""
    ends = (NOW_S + 2 * DAY_S, NOW_S + 3 * DAY_S, NOW_S + 4 * DAY_S)
    found = paths(spark(PAST, 100.0, NOW_S, ends, "x"))
    assert found["ahead"][0] == found["run"][-1]
    assert {y for _, y in found["range"]} == {TOP}
    assert found["range"][0][0] < found["ahead"][1][0] < found["range"][1][0]
    assert paths(spark(PAST, 100.0, NOW_S, (*ends[:2], None), "x"))["range"][1] == (WIDE, TOP)


def test_without_a_past_nothing_is_drawn_but_the_frame() -> None:
    """A level that was seen once, long ago."""
    found = paths(spark([(NOW_S - 2 * WEEK_S, 5.0)], 100.0, NOW_S, (NOW_S + 1, NOW_S + 2, None), "x"))
    assert set(found) == {"ceiling", "empty", "now"}


@given(st.lists(st.floats(-1e3, 1e6), min_size=1, max_size=40), st.floats(1.0, 1e9), st.floats(0.0, 1e10))
def test_nothing_leaves_the_picture(values: list[float], capacity: float, far_s: float) -> None:
    """Whatever was recorded and however far the end is."""
    points = [(NOW_S - i * DAY_S / 6, value) for i, value in enumerate(values)][::-1]
    found = paths(spark(points, capacity, NOW_S, (NOW_S + far_s / 2, NOW_S + far_s, None), "x"))
    for x, y in (point for line in found.values() for point in line):
        assert 0 <= x <= WIDE
        assert 0 <= y <= HIGH
