"""Build the chart that suits a series' kind: what is drawn, over which time, on which axis. Pure.

level: used, its capacity, the fitted line and the fan to full. deadline: the time that was left at each sample, which
shows the rhythm so far. answer: seconds taken, with the periods without an answer. condition: OK or faulty.
"""

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import assert_never

from watchkeeper.messages.wording import amount, clean, condition_words, measured
from watchkeeper.model.forecast import Forecast
from watchkeeper.model.observation import Kind, Unit
from watchkeeper.model.records import Sample, Series
from watchkeeper.model.units import DAY_S, HOUR_S
from watchkeeper.web.charts.charts import Chart, Point
from watchkeeper.web.charts.downsample import downsample
from watchkeeper.web.charts.ticks import Tick, Ticks, count_ticks, duration_ticks, share_ticks, size_ticks

SPANS = {
    "6h": ("6 hours", 6 * HOUR_S),
    "2d": ("2 days", 2 * DAY_S),
    "10d": ("10 days", 10 * DAY_S),
    "6w": ("6 weeks", 42 * DAY_S),
    "26w": ("6 months", 182 * DAY_S),
}
"""How much of the past a subject's page can show, besides all of it: the words for it, and seconds."""

POINTS = 360
"""Points of a curve: about one per two pixels of the wide picture; keeps a page small."""
GAP_INTERVALS = 3.0
"""A pause of more intervals than this is a gap; the rule for `not_reporting` uses the same number."""

TABLE = "Line chart; the table below has the same values."
"""For screen readers, at the end of a chart's name."""

UNIT_TICKS = {Unit.BYTES: size_ticks, Unit.COUNT: count_ticks, Unit.SHARE: share_ticks}


@dataclass(frozen=True, slots=True)
class Window:
    """The time that is shown: from since_s to now_s, and what the forecast needs beyond."""

    since_s: float
    now_s: float

    @property
    def span_s(self) -> float:
        """How much of the past is shown."""
        return self.now_s - self.since_s


def build_chart(
    series: Series, samples: Sequence[Sample], found: Forecast | None, window: Window, limit: str = ""
) -> Chart:
    """The chart for a series. limit: what the bound of a measured number is: `at most` or `at least`; else empty."""
    match series.kind:
        case Kind.LEVEL:
            return _level(series, samples, found, window, limit)
        case Kind.DEADLINE:
            return _deadline(series, samples, window)
        case Kind.ANSWER:
            return _answer(series, samples, window)
        case Kind.CONDITION:
            return _condition(series, samples, window)
        case _:
            assert_never(series.kind)


def runs(samples: Sequence[Sample], interval_s: float, value: Callable[[Sample], float | None]) -> list[list[Point]]:
    """The samples as points, split where a value is missing or the pause is too long."""
    thinned = downsample(samples, POINTS)
    # More time lies between downsampled samples than between the original ones.
    step_s = (samples[-1].at_s - samples[0].at_s) / len(thinned) if thinned else 0.0
    pause_s = GAP_INTERVALS * max(interval_s, step_s)
    out: list[list[Point]] = [[]]
    for sample in thinned:
        found = value(sample)
        if found is None:
            out.append([])
            continue
        if out[-1] and sample.at_s - out[-1][-1][0] > pause_s:
            out.append([])
        out[-1].append((sample.at_s, found))
    return [run for run in out if run]


def _values(found: Sequence[Sequence[Point]]) -> Iterator[float]:
    return (v for run in found for _, v in run)


def _level(series: Series, samples: Sequence[Sample], found: Forecast | None, window: Window, limit: str = "") -> Chart:
    curves = runs(samples, series.interval_s, lambda s: s.value)
    capacity = next((s.bound for s in reversed(samples) if s.bound is not None), None)
    if capacity is None and found is not None:
        capacity = found.capacity
    high, shown = _top(list(_values(curves)), capacity)
    until_s = window.now_s + _ahead_s(found, window)
    unit = series.unit or Unit.COUNT
    said, bound = (measured, f"{limit} ") if limit else (amount, "full: ")
    ahead = found if found is not None and found.likely_s is not None and not found.full else None
    return Chart(
        f"{clean(str(series.key))}, {'measured' if limit else 'used'} over time. {TABLE}",
        window.since_s,
        until_s,
        window.now_s,
        0.0,
        high,
        UNIT_TICKS[unit],
        curves,
        ceiling=(capacity, f"{bound}{said(capacity, unit)}") if shown and capacity is not None else None,
        fitted=_within(_fitted(found, window, until_s), capacity),
        fan=_fan(found, until_s),
        value=(*curves[-1][-1], said(curves[-1][-1][1], unit)) if curves else None,
        ends=(ahead.earliest_s, ahead.likely_s, ahead.latest_s) if ahead else None,
    )


def _top(values: Sequence[float], capacity: float | None) -> tuple[float, bool]:
    """Return (upper end of the axis, is the capacity in the picture).

    The axis runs from 0 to the capacity, so that two pictures of a store can be compared and what is left can be seen.
    Without a known capacity it runs to the highest value.
    """
    top = max(*values, capacity or 0.0) if values else capacity or 0.0
    return top * 1.06 or 1.0, capacity is not None


def _within(line: tuple[Point, Point] | None, capacity: float | None) -> tuple[Point, Point] | None:
    """The part of the fitted line between 0 and the capacity; None if there is none."""
    if line is None:
        return None
    (a, v), (b, w) = line
    for limit, sign in ((0.0, -1), (capacity if capacity is not None else math.inf, 1)):
        if sign * v > sign * limit and sign * w > sign * limit:
            return None
        if sign * v > sign * limit:
            a, v = a + (b - a) * (limit - v) / (w - v), limit
        elif sign * w > sign * limit:
            b, w = a + (b - a) * (limit - v) / (w - v), limit
    return (a, v), (b, w)


def _ahead_s(found: Forecast | None, window: Window) -> float:
    """How much of the future is drawn: to the likely end, at least a quarter of the past shown, at most all of it."""
    if found is None or found.likely_s is None:
        return 0.0
    return min(max((found.likely_s - window.now_s) * 1.2, window.span_s / 4), window.span_s)


def _fitted(found: Forecast | None, window: Window, until_s: float) -> tuple[Point, Point] | None:
    if found is None or found.line is None:
        return None
    start_s = max(window.since_s, found.since_s if found.since_s is not None else window.since_s)
    end_s = until_s if found.likely_s is None else min(until_s, max(found.likely_s, start_s))
    ends = ((start_s, found.line.value(start_s)), (end_s, found.line.value(end_s)))
    return ends if all(math.isfinite(v) for _, v in ends) else None


def _fan(found: Forecast | None, until_s: float) -> list[Point]:
    """The interval: from the line now to the earliest and the latest time at which it is full."""
    if found is None or found.likely_s is None or found.earliest_s is None:
        return []
    start = (found.at_s, min(found.line.value(found.at_s) if found.line else found.used, found.capacity))
    soon = _reach(start, (found.earliest_s, found.capacity), until_s)
    late = (until_s, start[1])
    if found.latest_s is not None:
        late = _reach(start, (found.latest_s, found.capacity), until_s)
    corner = [(until_s, found.capacity)] if soon[0] < until_s <= late[0] else []
    return [start, soon, *corner, late]


def _reach(start: Point, end: Point, until_s: float) -> Point:
    """The end of a line, or the point where it leaves the picture."""
    if end[0] <= until_s:
        return end
    share = (until_s - start[0]) / (end[0] - start[0])
    return until_s, start[1] + share * (end[1] - start[1])


def _deadline(series: Series, samples: Sequence[Sample], window: Window) -> Chart:
    curves = runs(samples, series.interval_s, lambda s: None if s.value is None else s.value - s.at_s)
    values = list(_values(curves))
    low, high = min(0.0, *values, 0.0), max(0.0, *values, 0.0) * 1.06 or 60.0
    return Chart(
        f"{clean(str(series.key))}, time left. {TABLE}",
        window.since_s,
        window.now_s,
        window.now_s,
        low,
        high,
        duration_ticks,
        curves,
        ceiling=(0.0, "overdue below this line") if low < 0 else None,
    )


def _answer(series: Series, samples: Sequence[Sample], window: Window) -> Chart:
    curves = runs(samples, series.interval_s, lambda s: s.value)
    high = max(_values(curves), default=1.0) * 1.1 or 1.0
    return Chart(
        f"{clean(str(series.key))}, response time. {TABLE}",
        window.since_s,
        window.now_s,
        window.now_s,
        0.0,
        high,
        duration_ticks,
        curves,
        absent=stretches(samples, series.interval_s, lambda s: s.value is None),
    )


def stretches(
    samples: Sequence[Sample], interval_s: float, chosen: Callable[[Sample], bool]
) -> list[tuple[float, float]]:
    """Periods of chosen samples: from the first of them to the next sample that is not chosen."""
    out: list[tuple[float, float]] = []
    since_s: float | None = None
    for sample in samples:
        if chosen(sample):
            since_s = sample.at_s if since_s is None else since_s
        elif since_s is not None:
            out.append((since_s, sample.at_s))
            since_s = None
    if since_s is not None:
        out.append((since_s, samples[-1].at_s + interval_s))
    return out


def _condition(series: Series, samples: Sequence[Sample], window: Window) -> Chart:
    return Chart(
        f"{clean(str(series.key))}, OK or faulty over time. {TABLE}",
        window.since_s,
        window.now_s,
        window.now_s,
        -0.3,
        1.3,
        _sound_ticks(series),
        runs(samples, series.interval_s, lambda s: s.value),
        absent=stretches(samples, series.interval_s, lambda s: s.value == 0),
        stepped=True,
        tall=False,
    )


def _sound_ticks(series: Series) -> Ticks:
    """Two ticks, labelled with the words of the condition."""
    ok, faulty, _ = condition_words(series.key)

    def ticks(_low: float, _high: float, _count: int) -> list[Tick]:
        return [(0.0, faulty), (1.0, ok)]

    return ticks
