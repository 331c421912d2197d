"""Draw the history of one series as SVG text, with the fitted line and the interval to full. Pure.

What is drawn is a `Chart`; chart_builder.py makes one from a series' samples. Values are finite numbers; a gap ends one
run and starts another.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta, tzinfo
from itertools import pairwise

from watchkeeper.messages.wording import moment
from watchkeeper.web.charts.svg import element, path, picture, safe, words
from watchkeeper.web.charts.ticks import (
    Tick,
    Ticks,
    calendar_ticks,
    count_ticks,
    duration_ticks,
    labelled,
    share_ticks,
    size_ticks,
)

Point = tuple[float, float]
"""Seconds since 1970, and a value."""


@dataclass(frozen=True, slots=True)
class Size:
    """A picture's size, for one screen width. margin_left: space for the labels of the vertical axis."""

    name: str
    width: float
    height: float
    margin_left: float
    margin_top: float = 14.0
    margin_right: float = 10.0
    margin_bottom: float = 26.0

    @property
    def inner(self) -> tuple[float, float]:
        """Width and height of the field between the axes."""
        return (
            self.width - self.margin_left - self.margin_right,
            self.height - self.margin_top - self.margin_bottom,
        )


NARROW = Size("narrow", 340, 260, 58)
WIDE = Size("wide", 760, 320, 66)
"""Two pictures are drawn and the stylesheet shows one, so that text keeps its size on a phone."""


TICK_ROOM = 54
"""The least distance between two labels of the time axis, in drawing units: `14 Dec` and a space."""
OVERHANG = 4.0
"""Space for half a dot beyond the newest sample."""
LINE = 16.0
"""The height of a line of words above the field."""
BEFORE = 90.0
"""The width of the newest value's words: where the curve was that far before decides where they are."""
LOW_SHARE = 0.5
"""The height of a chart that need not be tall, as a share."""


@dataclass(frozen=True, slots=True)
class Chart:
    """What is drawn.

    label: the name for screen readers. since_s, until_s: the ends of the time axis; now_s lies between them.
    low, high: the ends of the vertical axis. runs: the samples, one run for each period without a gap.
    ceiling: the capacity, or another limit with its label. absent: periods that are shaded, such as those without an
    answer.
    fitted: the ends of the fitted line. fan: corners of the interval to full. stepped: a value holds until the next
    sample. tall: False if there are only two heights to see. value: the newest sample, with its words. ends: the
    earliest, likely and latest time at the ceiling. marks: when something changed, and what, in words.
    """

    label: str
    since_s: float
    until_s: float
    now_s: float
    low: float
    high: float
    ticks: Ticks
    runs: Sequence[Sequence[Point]] = ()
    ceiling: tuple[float, str] | None = None
    absent: Sequence[tuple[float, float]] = ()
    fitted: tuple[Point, Point] | None = None
    fan: Sequence[Point] = ()
    stepped: bool = False
    tall: bool = True
    value: tuple[float, float, str] | None = None
    ends: tuple[float | None, float | None, float | None] | None = None
    marks: Sequence[tuple[float, str]] = ()


def draw(chart: Chart, size: Size, zone: tzinfo) -> str:
    """The chart as SVG text."""
    if not chart.tall:
        size = replace(size, height=size.height * LOW_SHARE)
    crossing = _crossing(chart, size, zone)
    above = LINE * len(crossing)
    size = replace(size, height=size.height + above, margin_top=size.margin_top + above)
    wide, high = size.inner
    span_s = chart.until_s - chart.since_s or 1.0
    rise = chart.high - chart.low or 1.0

    def x(at_s: float) -> float:
        return (at_s - chart.since_s) / span_s * wide

    def y(value: float) -> float:
        # Far outside the field there is nothing to see; a limit keeps the numbers short.
        return min(max(high - (value - chart.low) / rise * high, -2 * high), 3 * high)

    field = element(
        "svg",
        *_ceiling(chart, y, wide),
        *(
            element("rect", x=x(a), y=0, width=max(x(b) - x(a), 2), height=high, class_="absent")
            for a, b in chart.absent
        ),
        *_fan(chart, x, y),
        *(_run(run, x, y, stepped=chart.stepped) for run in chart.runs if run),
        *_fitted(chart, x, y),
        x=size.margin_left,
        y=size.margin_top,
        width=wide + OVERHANG,
        height=high,
    )
    return picture(
        chart.label,
        *_upright(chart, size, y),
        *_level(chart, size, x, zone),
        field,
        *_now(chart, size, x),
        *_value(chart, size, x, y),
        *_marks(chart, size, x),
        *_written(crossing, size),
        *_full(chart, size, x, y),
        *_empty(chart, size),
        width=size.width,
        height=size.height,
        class_=f"chart {size.name}",
        data=_reading(chart, size, zone),
    )


READS: Mapping[Ticks, str] = {
    size_ticks: "bytes",
    count_ticks: "count",
    share_ticks: "share",
    duration_ticks: "duration",
}
"""The unit of the vertical axis, as the script names it."""


def _reading(chart: Chart, size: Size, zone: tzinfo) -> dict[str, str]:
    """What the script needs to read values from the picture: its field, the ends of its axes, and the host's time."""
    wide, high = size.inner
    offset = datetime.fromtimestamp(chart.now_s, UTC).astimezone(zone).utcoffset() or timedelta()
    return {
        "left": f"{size.margin_left:g}",
        "wide": f"{wide:g}",
        "high": f"{high:g}",
        "since": f"{chart.since_s:.0f}",
        "until": f"{chart.until_s:.0f}",
        "low": repr(float(chart.low)),
        "top": repr(float(chart.high)),
        "unit": READS.get(chart.ticks, "state"),
        "zone": getattr(zone, "key", ""),
        "offset": f"{offset.total_seconds():.0f}",
    }


Place = Callable[[float], float]


def _upright(chart: Chart, size: Size, y: Place) -> list[str]:
    wide, high = size.inner
    parts = []
    ticks = [t for t in chart.ticks(chart.low, chart.high, int(high / 40)) if chart.low <= t[0] <= chart.high]
    for value, text in labelled(ticks, 16, lambda v: -y(v)):
        at = size.margin_top + y(value)
        parts.append(element("path", d=f"M{size.margin_left:g} {at:.1f}h{wide:g}", class_="grid"))
        parts.append(words(text, size.margin_left - 6, at + 4, text_anchor="end", class_="axis"))
    return parts


def _level(chart: Chart, size: Size, x: Place, zone: tzinfo) -> list[str]:
    wide, high = size.inner
    foot = size.margin_top + high
    parts = [element("path", d=f"M{size.margin_left:g} {foot:.1f}h{wide:g}", class_="base")]
    for tick in labelled(_inside(chart, x, zone, wide), 46, x):
        at = size.margin_left + x(tick[0])
        parts.append(element("path", d=f"M{at:.1f} {foot:.1f}v5", class_="base"))
        parts.append(words(tick[1], at, foot + 18, text_anchor="middle", class_="axis"))
    return parts


def _inside(chart: Chart, x: Place, zone: tzinfo, wide: float) -> list[Tick]:
    """Ticks of time whose labels do not extend over the picture's right edge."""
    ticks = calendar_ticks(chart.since_s, chart.until_s, int(wide / TICK_ROOM), zone)
    return [t for t in ticks if x(t[0]) <= wide - 8] or ticks[:1]


def _ceiling(chart: Chart, y: Place, wide: float) -> list[str]:
    if chart.ceiling is None:
        return []
    value, word = chart.ceiling
    at = y(value)
    return [
        element("path", d=f"M0 {at:.1f}h{wide:g}", class_="ceiling"),
        words(word, 6, at + 15, class_="axis strong"),
    ]


def _run(run: Sequence[Point], x: Place, y: Place, *, stepped: bool) -> str:
    points = [(x(at_s), y(value)) for at_s, value in run]
    if len(points) == 1:
        return element("circle", cx=points[0][0], cy=points[0][1], r=3, class_="lone")
    if stepped:
        points = [corner for a, b in pairwise(points) for corner in (a, (b[0], a[1]))] + points[-1:]
    return element("path", d=path(points), class_="run")


def _fan(chart: Chart, x: Place, y: Place) -> list[str]:
    if not chart.fan:
        return []
    return [element("path", d=path(((x(a), y(v)) for a, v in chart.fan), close=True), class_="fan")]


def _fitted(chart: Chart, x: Place, y: Place) -> list[str]:
    if chart.fitted is None:
        return []
    (a, v), (b, w) = chart.fitted
    return [element("path", d=path([(x(a), y(v)), (x(b), y(w))]), class_="fitted")]


def _now(chart: Chart, size: Size, x: Place) -> list[str]:
    """Mark the start of the future; only if some of it is drawn."""
    if chart.until_s <= chart.now_s:
        return []
    at = size.margin_left + x(chart.now_s)
    return [
        element("path", d=f"M{at:.1f} {size.margin_top:g}v{size.inner[1]:g}", class_="now"),
        words("now", at, size.margin_top - 4, text_anchor="middle", class_="axis"),
    ]


def _value(chart: Chart, size: Size, x: Place, y: Place) -> list[str]:
    """The newest value in words, left of its point so that it does not cover the future, and clear of the curve."""
    if chart.value is None:
        return []
    at_s, value, said = chart.value
    wide, high = size.inner
    left = x(at_s) > wide / 2
    run = chart.runs[-1] if chart.runs else []
    before = [v for a, v in run if x(a) <= x(at_s) - BEFORE][-1:] or [v for _, v in run[:-1]][:1]
    rises = left and bool(before) and before[0] <= value
    top = 0.0 if chart.ceiling is None else max(y(chart.ceiling[0]), 0.0)
    if rises and y(value) < top + 2 * LINE:
        # Above the point is the line of the capacity: right of it and below is only the future, which rises too.
        rises, left = False, wide - x(at_s) < BEFORE
    beside = y(value) + (-8 if rises else 20)
    at = (size.margin_left + x(at_s) + (-6 if left else 6), size.margin_top + min(max(beside, 14), high - 4))
    return [words(said, *at, text_anchor="end" if left else "start", class_="axis strong value")]


def _crossing(chart: Chart, size: Size, zone: tzinfo) -> list[str]:
    """When it is full, and the 90 % range of that, as lines of words; none if there is no such time."""
    if chart.ends is None or chart.ends[1] is None or chart.ceiling is None:
        return []
    now = datetime.fromtimestamp(chart.now_s, UTC)
    instants = [_instant(at_s) for at_s in chart.ends]
    earliest, likely, latest = (moment(at, zone, now) if at else "" for at in instants)
    if not likely:
        return []
    spread = f"({earliest} to {latest})" if latest else f"({earliest} at the earliest)"
    return [f"full {likely} {spread}"] if size.name == WIDE.name else [f"full {likely}", spread]


def _marks(chart: Chart, size: Size, x: Place) -> list[str]:
    """A triangle on the time axis for each change, with its words for a pointer; the list below has them too."""
    foot = size.margin_top + size.inner[1]
    parts = []
    for at_s, said in chart.marks:
        if chart.since_s <= at_s <= chart.now_s:
            at = size.margin_left + x(at_s)
            shape = element(
                "path", element("title", safe(said)), d=f"M{at:.1f} {foot - 9:.1f}l5 9h-10z", class_="mark-of"
            )
            parts.append(shape)
    return parts


def _written(crossing: Sequence[str], size: Size) -> list[str]:
    """These words above the field, at its right end, where the line of the capacity is reached."""
    right, top = size.width - size.margin_right, size.margin_top - LINE * len(crossing) - 2
    return [
        words(said, right - 4, top + LINE * number, text_anchor="end", class_="axis strong crossing")
        for number, said in enumerate(crossing)
    ]


def _full(chart: Chart, size: Size, x: Place, y: Place) -> list[str]:
    """A dot where it is likely full, if that is in the picture."""
    likely = chart.ends[1] if chart.ends is not None else None
    if likely is None or chart.ceiling is None or likely > chart.until_s:
        return []
    at = {"cx": size.margin_left + x(likely), "cy": size.margin_top + y(chart.ceiling[0])}
    return [element("circle", **at, r=4.5, class_="likely")]


def _instant(at_s: float | None) -> datetime | None:
    return None if at_s is None or not -6e10 < at_s < 2.5e11 else datetime.fromtimestamp(at_s, UTC)


def _empty(chart: Chart, size: Size) -> list[str]:
    if any(chart.runs) or chart.absent:
        return []
    wide, high = size.inner
    place = (size.margin_left + wide / 2, size.margin_top + high / 2)
    return [words("No readings in this period.", *place, text_anchor="middle", class_="axis strong")]
