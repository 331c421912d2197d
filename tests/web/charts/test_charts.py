"""Charts: whatever a series holds, the picture is sound XML and shows what it should."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from xml.etree import ElementTree as ET
from xml.etree.ElementTree import Element

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from watchkeeper.forecast.trends.trend import least_squares
from watchkeeper.model.forecast import Forecast, NoEnd
from watchkeeper.model.observation import Kind, SeriesKey, Unit
from watchkeeper.model.records import Sample, Series
from watchkeeper.web.charts.chart_builder import POINTS, Window, build_chart, runs, stretches
from watchkeeper.web.charts.charts import NARROW, WIDE, Chart, Size, draw

NOW_S = datetime(2026, 11, 25, 7, 24, tzinfo=UTC).timestamp()
DAY_S = 86_400.0
WEEK = Window(NOW_S - 7 * DAY_S, NOW_S)
FINITE = st.floats(0, 1e18)


def series_of(kind: Kind, unit: Unit | None = None, interval_s: float = 60.0) -> Series:
    """A series of a kind."""
    at = datetime.fromtimestamp(NOW_S, UTC)
    return Series(1, SeriesKey("pool skerry", "space"), kind, unit, "host", interval_s, at - timedelta(days=30), at)


def drawn(chart: Chart, size: Size = NARROW) -> Element:
    """The chart, read back by an XML parser; no number in it is out of bounds."""
    svg = draw(chart, size, UTC)
    assert "nan" not in svg
    assert "inf" not in svg.replace("information", "")
    root = ET.fromstring(svg)
    assert all("style" not in node.attrib for node in root.iter())
    return root


def classed(root: Element, name: str) -> list[Element]:
    """The elements of a class."""
    return [n for n in root.iter() if n.get("class") == name]


@st.composite
def histories(draw_: st.DrawFn) -> list[Sample]:
    """Samples in the order of time, some without a value."""
    ago = sorted(draw_(st.lists(st.floats(0, 8 * DAY_S), max_size=40)), reverse=True)
    return [Sample(NOW_S - a, draw_(st.none() | FINITE), draw_(st.none() | st.floats(1, 1e18))) for a in ago]


@st.composite
def forecasts(draw_: st.DrawFn) -> Forecast:
    """Forecasts of every shape that the contract allows."""
    capacity = draw_(st.floats(1, 1e18))
    used = draw_(st.floats(0, 1.2)) * capacity
    line = least_squares(np.array([NOW_S - DAY_S, NOW_S]), np.array([draw_(FINITE), used]))
    plain = Forecast(
        NOW_S, used, capacity, line=draw_(st.none() | st.just(line)), since_s=draw_(st.none() | st.just(NOW_S - DAY_S))
    )
    if draw_(st.booleans()):
        return replace(plain, no_end=draw_(st.sampled_from(NoEnd)))
    early, likely, late = sorted(draw_(st.lists(st.floats(0, 1e11), min_size=3, max_size=3)))
    latest = draw_(st.none() | st.just(NOW_S + late))
    return replace(plain, earliest_s=NOW_S + early, likely_s=NOW_S + likely, latest_s=latest)


@pytest.mark.parametrize("kind", list(Kind))
@pytest.mark.parametrize("unit", list(Unit))
@given(histories(), st.none() | forecasts(), st.sampled_from([NARROW, WIDE]))
def test_every_history_can_be_drawn(
    kind: Kind, unit: Unit, samples: list[Sample], found: Forecast | None, size: Size
) -> None:
    """Gaps, one sample, none, huge values, any forecast: the picture is XML with a name."""
    chart = build_chart(series_of(kind, unit if kind is Kind.LEVEL else None), samples, found, WEEK)
    assert drawn(chart, size).get("aria-label", "").startswith("pool skerry")


def _level(values: list[float], capacity: float, ends: tuple[float, float, float | None] | None = None) -> Chart:
    """A level over six days; ends: earliest, likely and latest, in seconds from now."""
    step_s = 6 * DAY_S / max(len(values) - 1, 1)
    samples = [Sample(NOW_S - (len(values) - 1 - i) * step_s, v, capacity) for i, v in enumerate(values)]
    line = least_squares(np.array([NOW_S - DAY_S, NOW_S]), np.array([values[0], values[-1]])) if values else None
    found = Forecast(NOW_S, values[-1] if values else 0.0, capacity, line=line, since_s=NOW_S - DAY_S)
    if ends:
        early, likely, late = ends
        latest_s = None if late is None else NOW_S + late
        found = replace(found, earliest_s=NOW_S + early, likely_s=NOW_S + likely, latest_s=latest_s)
    return build_chart(series_of(Kind.LEVEL, Unit.BYTES, step_s), samples, found, WEEK)


@pytest.mark.parametrize(("limit", "bound"), [("at most", 14.6), ("at least", 11.8)])
def test_a_measured_number_has_a_limit_and_no_capacity(limit: str, bound: float) -> None:
    """With its decimals; "full" and "used" are words of a level."""
    samples = [Sample(NOW_S - hours * 3_600, 12.4, bound) for hours in (3, 2, 1)]
    chart = build_chart(series_of(Kind.LEVEL, Unit.COUNT, 3_600.0), samples, None, WEEK, limit)
    assert chart.ceiling == (bound, f"{limit} {bound}")
    assert chart.value is not None
    assert chart.value[-1] == "12.4"
    assert "measured over time" in drawn(chart).get("aria-label", "")


def test_nothing_is_said() -> None:
    """Without a sample the picture says so."""
    assert "No readings in this period." in "".join(drawn(_level([], 100.0)).itertext())


def test_one_sample_is_a_dot() -> None:
    """A line needs two points; one sample is a dot that can be seen."""
    assert len(classed(drawn(_level([50.0], 100.0)), "lone")) == 1


def test_constant_series_is_flat() -> None:
    """A level that never moves is one level line inside the field."""
    (run,) = classed(drawn(_level([50.0] * 20, 100.0)), "run")
    heights = {point.strip().split(" ")[1] for point in (run.get("d") or "M0 0")[1:].split("L")}
    assert len(heights) == 1


def test_curve_is_to_scale() -> None:
    """The curve's ends stand where the axes say, worked out from the chart's own ends."""
    chart = _level([40.0, 80.0], 100.0)
    (run,) = classed(drawn(chart), "run")
    first, last = (tuple(map(float, p.split())) for p in (run.get("d") or "M0 0")[1:].split("L"))
    wide, high = NARROW.inner
    per_unit = high / (chart.high - chart.low)
    assert last == pytest.approx((wide, high - (80 - chart.low) * per_unit), abs=0.1)
    assert first == pytest.approx((wide / 7, high - (40 - chart.low) * per_unit), abs=0.1)


@pytest.mark.parametrize("used", [2.0, 50.0, 99.0])
def test_the_axis_runs_from_nothing_to_the_capacity(used: float) -> None:
    """However full it is: two pictures of a store can be compared, and what is left can be seen."""
    chart = _level([used] * 20, 100.0)
    assert chart.low == 0.0
    assert chart.high == pytest.approx(106.0)
    assert "full: 100 B" in "".join(drawn(chart).itertext())


def test_labels_of_sizes_have_one_unit() -> None:
    """Never "512 GiB" beside "1.5 TiB"."""
    tib = 2.0**40
    texts = [each.text or "" for each in classed(drawn(_level([0.5 * tib, 1.5 * tib], 2 * tib), WIDE), "axis")]
    assert {text.split()[-1] for text in texts if text.endswith("iB")} == {"TiB"}


def test_the_newest_value_and_the_end_are_in_words() -> None:
    """At now the value, at the crossing the likely time and its range."""
    texts = "".join(drawn(_level([80.0, 85.0, 90.0], 100.0, (DAY_S, 1.5 * DAY_S, 1.8 * DAY_S))).itertext())
    for expected in ("90 B", "Thu 26 Nov 19:24", "(Thu 26 Nov 07:24 to Fri 27 Nov 02:36)"):
        assert expected in texts
    open_ended = "".join(drawn(_level([80.0, 85.0, 90.0], 100.0, (DAY_S, 1.5 * DAY_S, None))).itertext())
    assert "(Thu 26 Nov 07:24 at the earliest)" in open_ended
    beyond = _level([80.0, 85.0, 90.0], 100.0, (1e12, 2e12, 3e12))
    assert not [each for each in drawn(beyond).iter() if "crossing" in (each.get("class") or "")]


@pytest.mark.parametrize("size", [NARROW, WIDE])
def test_words_of_the_end_are_above_the_field(size: Size) -> None:
    """They cover neither the curve nor the line of the capacity, and a dot is where that line is reached."""
    chart = _level([80.0, 85.0, 90.0], 100.0, (DAY_S, 1.5 * DAY_S, 1.8 * DAY_S))
    root = drawn(chart, size)
    (field,) = [each for each in root if each.tag.endswith("svg")]
    top = float(field.get("y") or 0)
    lines = [each for each in root.iter() if "crossing" in (each.get("class") or "")]
    assert len(lines) == (2 if size is NARROW else 1)
    assert all(float(each.get("y") or 0) < top for each in lines)
    (dot,) = classed(root, "likely")
    assert top < float(dot.get("cy") or 0) < top + 30
    share = (NOW_S + 1.5 * DAY_S - chart.since_s) / (chart.until_s - chart.since_s)
    assert float(dot.get("cx") or 0) == pytest.approx(size.margin_left + share * size.inner[0], abs=0.1)


def test_the_newest_value_does_not_cover_the_line_of_the_capacity() -> None:
    """Of a level that is nearly full the words are below its point, on the side of the future."""
    chart = _level([40.0, 60.0, 93.0], 100.0, (NOW_S + DAY_S, NOW_S + 2 * DAY_S, NOW_S + 3 * DAY_S))
    (said,) = classed(drawn(chart), "axis strong value")
    ceiling = NARROW.margin_top + 16 * 2 + NARROW.inner[1] * (1 - (100.0 - chart.low) / (chart.high - chart.low))
    assert said.get("text-anchor") == "start"
    assert float(said.get("y", "0")) - 12 > ceiling


@pytest.mark.parametrize(("values", "above"), [([40.0, 50.0, 60.0], True), ([60.0, 50.0, 40.0], False)])
def test_the_newest_value_is_clear_of_the_curve(values: list[float], *, above: bool) -> None:
    """It is above the end of a curve that rises, and below that of one that falls."""
    chart = _level(values, 100.0)
    (said,) = classed(drawn(chart), "axis strong value")
    end = NARROW.margin_top + NARROW.inner[1] * (1 - (values[-1] - chart.low) / (chart.high - chart.low))
    assert (float(said.get("y") or 0) < end) is above


def test_the_trend_stays_between_nothing_and_the_capacity() -> None:
    """It is cut where it would leave the picture; a line that is all outside is not drawn."""
    rising = _level([50.0, 99.0], 100.0, (2 * DAY_S, 4 * DAY_S, 5 * DAY_S))
    assert rising.fitted is not None
    assert rising.fitted[1][1] == pytest.approx(100.0)
    falling = _level([60.0, 1.0], 100.0)
    assert falling.fitted is not None
    assert all(0 <= value <= 100 for _, value in falling.fitted)
    steep = build_chart(
        series_of(Kind.LEVEL, Unit.BYTES),
        [Sample(NOW_S - DAY_S, 50.0, 100.0), Sample(NOW_S, 50.0, 100.0)],
        Forecast(NOW_S, 50.0, 100.0, line=least_squares(np.array([NOW_S - DAY_S, NOW_S]), np.array([150.0, 150.0]))),
        WEEK,
    )
    assert steep.fitted is None


def test_fan_reaches_capacity_at_both_ends() -> None:
    """The fan starts at now and its far corners are the earliest and the latest moment at capacity."""
    chart = _level([80.0, 85.0, 90.0], 100.0, (2 * DAY_S, 3 * DAY_S, 3.5 * DAY_S))
    assert [corner[0] - NOW_S for corner in chart.fan] == [0, 2 * DAY_S, 3.5 * DAY_S]
    assert chart.fan[1][1] == chart.fan[2][1] == 100.0
    assert chart.until_s == pytest.approx(NOW_S + 3.6 * DAY_S)


def test_fan_is_cut_at_the_edge() -> None:
    """Where the fill is further off than the picture goes, the fan leaves it at the edge, on the same lines."""
    chart = _level([80.0, 85.0, 90.0], 100.0, (30 * DAY_S, 60 * DAY_S, None))
    assert chart.until_s == NOW_S + 7 * DAY_S
    start, soon, late = chart.fan
    assert soon[0] == late[0] == chart.until_s
    assert soon[1] == pytest.approx(90 + 10 * 7 / 30)
    assert late[1] == start[1]


def test_fan_with_its_corner() -> None:
    """Where only the earliest moment lies in the picture, the fan follows the capacity to the edge."""
    chart = _level([80.0, 90.0], 100.0, (DAY_S, 3 * DAY_S, 40 * DAY_S))
    assert chart.fan[2] == (chart.until_s, 100.0)


def test_each_word_of_an_axis_has_its_mark() -> None:
    """Beside each figure a line across the field, above each instant a tick at the foot, at the place of the word."""
    root = drawn(_level([80.0, 90.0], 100.0, None), WIDE)
    lines = [n.get("d", "") for n in classed(root, "grid")]
    ticks = [n.get("d", "") for n in classed(root, "base")]
    figures = [n for n in classed(root, "axis") if n.get("text-anchor") == "end"]
    instants = [n for n in classed(root, "axis") if n.get("text-anchor") == "middle"]
    assert len(lines) == len(figures) > 1
    assert [float(line.split()[1].split("h")[0]) + 4 for line in lines] == [float(n.get("y", "")) for n in figures]
    foot, *marks = ticks
    assert "h" in foot
    assert len(marks) == len(instants) > 1
    assert all(mark.endswith("v5") for mark in marks)
    assert [float(mark[1:].split()[0]) for mark in marks] == [
        pytest.approx(float(n.get("x", "")), abs=0.06) for n in instants
    ]


def test_gap_breaks_the_line() -> None:
    """Where no sample came for more than three intervals, the line is broken instead of bridging the gap."""
    samples = [Sample(float(t), 1.0, None) for t in (*range(0, 600, 60), *range(3_000, 3_600, 60))]
    assert [len(run) for run in runs(samples, 60.0, lambda s: s.value)] == [10, 10]


def test_thinning_makes_no_gap() -> None:
    """A long series is thinned to what a screen can show, in one piece."""
    samples = [Sample(60.0 * i, float(i), None) for i in range(50_000)]
    (run,) = runs(samples, 60.0, lambda s: s.value)
    assert len(run) <= POINTS


def test_silence_is_shaded() -> None:
    """A stretch without answers is shaded from its first missing answer to the next one that came."""
    values = [0.1, None, None, 0.1, None]
    samples = [Sample(NOW_S + 60.0 * i - 300, v, None) for i, v in enumerate(values)]
    silent = stretches(samples, 60.0, lambda s: s.value is None)
    assert [(round(a - NOW_S), round(b - NOW_S)) for a, b in silent] == [(-240, -120), (-60, 0)]
    chart = build_chart(series_of(Kind.ANSWER), samples, None, WEEK)
    assert len(classed(drawn(chart), "absent")) == 2


def test_deadline_shows_lateness() -> None:
    """Where something was late, the line of overdue is drawn and named."""
    samples = [Sample(NOW_S - 60.0 * i, NOW_S - 600, None) for i in range(5, -1, -1)]
    late = build_chart(series_of(Kind.DEADLINE), samples, None, WEEK)
    assert "overdue below this line" in "".join(drawn(late).itertext())


def test_condition_keeps_its_state_until_the_next_sample() -> None:
    """A condition is drawn in steps: it does not slide from OK to faulty."""
    samples = [Sample(NOW_S - 120, 1.0, None), Sample(NOW_S - 60, 1.0, None), Sample(NOW_S, 0.0, None)]
    (run,) = classed(drawn(build_chart(series_of(Kind.CONDITION), samples, None, WEEK)), "run")
    points = [tuple(map(float, p.split())) for p in (run.get("d") or "M0 0")[1:].split("L")]
    assert all(a[0] == b[0] or a[1] == b[1] for a, b in pairwise(points))


def test_hostile_name_is_text() -> None:
    """Markup and control characters in a subject's name cannot leave the label."""
    key = SeriesKey('</svg><script>alert(1)</script>\x00\x1b\ud800"', "space")
    chart = build_chart(replace(series_of(Kind.LEVEL, Unit.BYTES), key=key), [], None, WEEK)
    root = drawn(chart)
    assert not [n for n in root.iter() if n.tag.endswith("script")]
    assert "<script>" in root.get("aria-label", "")
