"""The scale of time left: its divisions, and the mark of one line."""

from xml.etree import ElementTree as ET

import pytest
from hypothesis import given
from hypothesis import strategies as st

from watchkeeper.model.alert import Priority
from watchkeeper.model.units import DAY_S, HOUR_S
from watchkeeper.web.charts import time_left_chart
from watchkeeper.web.charts.time_left_chart import YEAR_S, Mark

SECONDS = st.floats(-1e6, 1e9)


def drawn(mark: Mark) -> dict[str, dict[str, str]]:
    """The parts of a line by their class; a priority's shape as "use"."""
    root = ET.fromstring(time_left_chart.line(mark))
    return {each.get("class") or "use": dict(each.attrib) for each in root}


def test_axis_ends() -> None:
    """Now is at the left, a year at the right, and what lies beyond either end stays on the scale."""
    assert time_left_chart.share(0) == 0
    assert time_left_chart.share(YEAR_S) == 1
    assert time_left_chart.share(-5) == 0
    assert time_left_chart.share(50 * YEAR_S) == 1


def test_axis_divisions() -> None:
    """The hour takes about a tenth of the scale and the day two fifths, as the decision says."""
    assert time_left_chart.share(HOUR_S) == pytest.approx(0.11, abs=0.01)
    assert time_left_chart.share(DAY_S) == pytest.approx(0.40, abs=0.01)


@given(st.lists(SECONDS, min_size=2, max_size=2).map(sorted))
def test_axis_rises(pair: list[float]) -> None:
    """More time left is never farther to the left."""
    assert time_left_chart.share(pair[0]) <= time_left_chart.share(pair[1])


def test_the_axis_names_its_times() -> None:
    """Once above all lines."""
    texts = list(ET.fromstring(time_left_chart.axis()).itertext())
    assert texts == ["now", "1 h", "day", "week", "month", "year"]


def test_an_estimate_has_its_range() -> None:
    """A circle on a bar from the earliest to the latest time; a due date is a square without one."""
    parts = drawn(Mark(3 * DAY_S, 2 * DAY_S, 5 * DAY_S))
    assert parts["likely"]["cx"] == time_left_chart.x(3 * DAY_S)
    assert (parts["stem"]["x1"], parts["stem"]["x2"]) == (time_left_chart.x(2 * DAY_S), time_left_chart.x(5 * DAY_S))
    due = drawn(Mark(3 * DAY_S))
    assert due["due"]["x"] == time_left_chart.x(3 * DAY_S)
    assert "stem" not in due


@pytest.mark.parametrize("latest_s", [None, 2 * YEAR_S])
def test_a_range_without_an_end_runs_to_the_end(latest_s: float | None) -> None:
    """An upper end that does not exist, or is beyond a year, is the end of the scale."""
    assert drawn(Mark(20 * DAY_S, 10 * DAY_S, latest_s))["stem"]["x2"] == time_left_chart.x(YEAR_S)


def test_what_is_over_stands_at_now_without_a_range() -> None:
    """A level that is full has no estimate any more."""
    parts = drawn(Mark(-10.0, -20.0, -5.0, Priority.ALARM))
    assert "stem" not in parts
    assert parts["use"]["x"] == time_left_chart.x(0)


def test_priority_has_its_own_shape() -> None:
    """Each priority is drawn with its own symbol, and what has none with none of them."""
    for priority in Priority:
        text = time_left_chart.line(Mark(DAY_S, priority=priority))
        assert f'href="#c{priority.value}"' in text
        assert f'class="scale p{priority.value}"' in text
    assert "#c" not in time_left_chart.line(Mark(DAY_S))


@given(SECONDS, st.none() | st.floats(0, 1e7), st.none() | st.floats(0, 1e9))
def test_nothing_leaves_the_line(left_s: float, early_s: float | None, late_s: float | None) -> None:
    """Whatever the time, every part is between the two ends of the line."""
    mark = Mark(left_s, None if early_s is None else left_s - early_s, None if late_s is None else left_s + late_s)
    root = ET.fromstring(time_left_chart.line(mark))
    found = [each.get(name) for each in root for name in ("x", "x1", "x2", "cx")]
    assert all(0 < float(value.removesuffix("%")) < 100 for value in found if value is not None)
