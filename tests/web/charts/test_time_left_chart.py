"""The staff: its axis, the places of names, its drawing."""

import re
from datetime import UTC, datetime
from itertools import pairwise
from pathlib import Path
from xml.etree import ElementTree as ET

import pytest
from hypothesis import given
from hypothesis import strategies as st

import watchkeeper.web
from watchkeeper.model.alert import Priority
from watchkeeper.model.units import DAY_S, HOUR_S
from watchkeeper.web.charts import time_left_chart
from watchkeeper.web.charts.time_left_chart import YEAR_S, Mark

NOW = datetime(2026, 11, 25, 7, 24, tzinfo=UTC)
SECONDS = st.floats(-1e6, 1e9)
MARKS = st.lists(
    st.builds(
        lambda left, early, late, priority, rows: Mark(
            left, None if early is None else left - early, None if late is None else left + late, priority, rows
        ),
        SECONDS,
        st.none() | st.floats(0, 1e7),
        st.none() | st.floats(0, 1e9),
        st.none() | st.sampled_from(list(Priority)),
        st.sampled_from([12, 16, 20]),
    ),
    max_size=30,
).map(lambda marks: sorted(marks, key=lambda m: m.left_s))


def test_axis_ends() -> None:
    """Now stands at the top, a year at the bottom, and what lies beyond either end stays on the staff."""
    assert time_left_chart.share(0) == 0
    assert time_left_chart.share(YEAR_S) == 1
    assert time_left_chart.share(-5) == 0
    assert time_left_chart.share(50 * YEAR_S) == 1


def test_axis_divisions() -> None:
    """The hour takes about a tenth of the staff and the day two fifths, as the decision says."""
    assert time_left_chart.share(HOUR_S) == pytest.approx(0.11, abs=0.01)
    assert time_left_chart.share(DAY_S) == pytest.approx(0.40, abs=0.01)


@given(st.lists(SECONDS, min_size=2, max_size=2).map(sorted))
def test_axis_rises(pair: list[float]) -> None:
    """More time left never stands higher on the staff."""
    assert time_left_chart.share(pair[0]) <= time_left_chart.share(pair[1])


@pytest.mark.parametrize(
    ("wanted", "nearest"),
    [
        ([1, 2, 3], [1, 2, 3]),
        ([3, 2, 1], [2, 2, 2]),
        ([1, 3, 2, 4], [1, 2.5, 2.5, 4]),
        ([], []),
    ],
)
def test_isotonic(wanted: list[float], nearest: list[float]) -> None:
    """The least squares solution, worked out by hand."""
    assert time_left_chart.isotonic(wanted) == nearest


@given(MARKS)
def test_names_never_overlap(marks: list[Mark]) -> None:
    """However close the subjects are, each name begins below the one before it and all end on the staff."""
    layout = time_left_chart.arrange(marks)
    unit = time_left_chart.UNIT_REM * time_left_chart.PX
    for (top, mark), (following, _) in pairwise(list(zip(layout.tops, marks, strict=True))):
        assert following >= top + mark.rows * unit - 1e-6
    if marks:
        assert layout.tops[0] >= 0
        assert layout.tops[-1] + marks[-1].rows * unit <= layout.height + 1e-6


@given(MARKS)
def test_gaps_give_the_tops(marks: list[Mark]) -> None:
    """The list's gaps and heights lead to the places at which the leaders end."""
    layout = time_left_chart.arrange(marks)
    at = 0
    for gap, top, mark in zip(layout.gaps, layout.tops, marks, strict=True):
        at += gap
        assert gap >= 0
        assert top == pytest.approx(at * time_left_chart.UNIT_REM * time_left_chart.PX)
        at += mark.rows


@given(MARKS)
def test_stylesheet_has_every_gap(marks: list[Mark]) -> None:
    """A gap without a class in the stylesheet would put every name below it out of place."""
    css = (Path(watchkeeper.web.__file__).parent / "static" / "page.css").read_text()
    known = {int(n): float(rem) for n, rem in re.findall(r"\.g(\d+)\{margin-top:([\d.]+)rem\}", css)}
    for gap in time_left_chart.arrange(marks).gaps:
        assert gap == 0 or known[gap] == gap * time_left_chart.UNIT_REM


def test_lone_name_stands_at_its_mark() -> None:
    """A name with room about it is level with its place on the staff, to a quarter rem."""
    layout = time_left_chart.arrange([Mark(DAY_S, rows=12)])
    wanted = time_left_chart.TOP + time_left_chart.share(DAY_S) * (
        layout.height - time_left_chart.TOP - time_left_chart.BOTTOM
    )
    assert layout.tops[0] + time_left_chart.FIRST_LINE == pytest.approx(
        wanted, abs=time_left_chart.UNIT_REM * time_left_chart.PX
    )


@given(MARKS, MARKS)
def test_drawing_is_well_formed(marks: list[Mark], rest: list[Mark]) -> None:
    """Whatever stands on it, the staff is XML with a name for screen readers and no style attribute."""
    svg = time_left_chart.draw(marks, rest, time_left_chart.arrange(marks), NOW, UTC)
    root = ET.fromstring(svg)
    assert root.get("aria-label")
    assert all("style" not in node.attrib for node in root.iter())
    assert "nan" not in svg
    assert "inf" not in svg


def test_interval_is_drawn_from_earliest_to_latest() -> None:
    """The stem runs from the earliest to the latest place on the axis, with a cap at both ends."""
    mark = Mark(3 * DAY_S, 2 * DAY_S, 5 * DAY_S, Priority.WARNING, 16)
    layout = time_left_chart.arrange([mark])
    root = ET.fromstring(time_left_chart.draw([mark], [], layout, NOW, UTC))
    stem = next(n for n in root.iter() if n.get("class") == "stem")
    inner = layout.height - time_left_chart.TOP - time_left_chart.BOTTOM
    ends = [time_left_chart.TOP + time_left_chart.share(d * DAY_S) * inner for d in (2, 5)]
    assert f" {ends[0]:.1f}h7" in (stem.get("d") or "")
    assert f"V{ends[1]:.1f}" in (stem.get("d") or "")
    assert (stem.get("d") or "").count("h7") == 2


@pytest.mark.parametrize("latest_s", [None, 2 * YEAR_S])
def test_open_interval_has_an_arrow(latest_s: float | None) -> None:
    """An interval without an upper end within the year ends in an arrow, not in a cap."""
    mark = Mark(20 * DAY_S, 10 * DAY_S, latest_s, None, 16)
    root = ET.fromstring(time_left_chart.draw([mark], [], time_left_chart.arrange([mark]), NOW, UTC))
    stem = next(n for n in root.iter() if n.get("class") == "stem")
    assert (stem.get("d") or "").count("h7") == 1
    assert (stem.get("d") or "").endswith("l4 5 4 -5")


def test_priority_has_its_own_shape() -> None:
    """Each priority is drawn with its own symbol, and what has none with none of them."""
    for priority in Priority:
        mark = Mark(DAY_S, priority=priority, rows=12)
        assert f'href="#c{priority.value}"' in time_left_chart.draw(
            [mark], [], time_left_chart.arrange([mark]), NOW, UTC
        )
    plain = Mark(DAY_S, rows=12)
    assert "href" not in time_left_chart.draw([plain], [], time_left_chart.arrange([plain]), NOW, UTC)


def test_close_intervals_stand_side_by_side() -> None:
    """Two intervals that overlap in time are in different lanes, so that neither hides the other."""
    marks = [Mark(3 * DAY_S, 2 * DAY_S, 5 * DAY_S, rows=16), Mark(4 * DAY_S, 2 * DAY_S, 6 * DAY_S, rows=16)]
    root = ET.fromstring(time_left_chart.draw(marks, [], time_left_chart.arrange(marks), NOW, UTC))
    circles = [n.get("cx") for n in root.iter() if n.get("class") == "likely"]
    assert len(set(circles)) == 2


def test_dates_are_those_of_the_zone() -> None:
    """Beside the graduations stand the clock and the calendar as the host has them."""
    texts = "".join(ET.fromstring(time_left_chart.draw([], [], time_left_chart.arrange([]), NOW, UTC)).itertext())
    for expected in ("07:24", "08:24", "Thu 26 Nov", "Wed 2 Dec", "25 Dec", "Nov 2027"):
        assert expected in texts
