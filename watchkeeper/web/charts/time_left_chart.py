"""The time-left chart: its axis, the positions of the names, and its drawing. Pure: data in, SVG text out.

The axis runs from now (0) to a year (1) as log(1 + t / half an hour). A plain logarithm has no place for now itself.
The names beside the chart are HTML; this module only computes their distances, so that the leader lines meet them.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta, tzinfo
from itertools import pairwise

from watchkeeper.model.alert import Priority
from watchkeeper.model.units import DAY_S, HOUR_S, WEEK_S
from watchkeeper.web.charts.svg import element, path, picture, words

MONTH_S, YEAR_S = 30 * DAY_S, 365 * DAY_S
SOFT_S = 0.5 * HOUR_S
"""Where the axis changes from linear to logarithmic: puts the hour at a tenth, the day at two fifths of the axis."""

UNIT_REM = 0.25
"""Names stand on a grid of this unit; the stylesheet has a class for each multiple (g1, g2, ...)."""
PX = 16.0
"""Drawing units in one rem, so that the picture grows with the reader's font size."""
LEAST_REM = 36.0
"""The least length of the axis: about two thirds of a phone's screen."""
WIDTH, LABELS_X, AXIS_X, AXIS_W, LANE_X, LANE_STEP, LANES = 124.0, 56.0, 62.0, 9.0, 81.0, 11.0, 3
TOP, BOTTOM = 14.0, 22.0
"""Space above and below the axis for its first and last label."""
FIRST_LINE = 13.0
"""The middle of a name's first line, below the top of its row."""

MAJOR = (
    (0.0, "now"),
    (HOUR_S, "1 hour"),
    (DAY_S, "1 day"),
    (WEEK_S, "1 week"),
    (MONTH_S, "1 month"),
    (YEAR_S, "1 year"),
)
MINOR = (
    *(m * 60.0 for m in (10, 20, 30, 40, 50)),
    *(h * HOUR_S for h in (2, 3, 4, 6, 8, 12, 16, 20)),
    *(d * DAY_S for d in range(2, 7)),
    *(w * WEEK_S for w in (2, 3)),
    *(m * MONTH_S for m in range(2, 12)),
)


@dataclass(frozen=True, slots=True)
class Mark:
    """One subject on the chart. Seconds from now; latest_s None with an earliest_s: no upper end.

    rows: the height of its name, in grid units; 0 for a mark without a name.
    """

    left_s: float
    earliest_s: float | None = None
    latest_s: float | None = None
    priority: Priority | None = None
    rows: int = 0

    @property
    def forecast(self) -> bool:
        """True if the time is an estimate with an interval, False if it is a due date."""
        return self.earliest_s is not None


@dataclass(frozen=True, slots=True)
class Layout:
    """height_rem: of chart and list. gaps: grid units before each name. tops: of each name, in drawing units."""

    height_rem: float
    gaps: tuple[int, ...]
    tops: tuple[float, ...]

    @property
    def height(self) -> float:
        """The height in drawing units."""
        return self.height_rem * PX


def share(left_s: float) -> float:
    """The position of a time left on the axis: 0 now (and before), 1 a year (and beyond)."""
    return min(math.log1p(max(left_s, 0.0) / SOFT_S) / math.log1p(YEAR_S / SOFT_S), 1.0)


def isotonic(wanted: Sequence[float]) -> list[float]:
    """The non-decreasing sequence nearest to `wanted` by least squares (pool adjacent violators)."""
    pools: list[tuple[float, int]] = []
    for value in wanted:
        mean, count = value, 1
        while pools and pools[-1][0] > mean:
            before, n = pools.pop()
            mean, count = (before * n + mean * count) / (n + count), n + count
        pools.append((mean, count))
    return [mean for mean, count in pools for _ in range(count)]


def arrange(marks: Sequence[Mark]) -> Layout:
    """Place the names of marks (in the order of time left) so that none overlap and all move as little as possible."""
    unit = UNIT_REM * PX
    total = sum(m.rows for m in marks)
    units = max(math.ceil(LEAST_REM / UNIT_REM), total + 2)
    above, wanted = 0, []
    for m in marks:
        wanted.append((_y(m.left_s, units * unit) - FIRST_LINE) / unit - above)
        above += m.rows
    slack = [min(max(round(z), 0), units - total) for z in isotonic(wanted)]
    gaps = tuple(b - a for a, b in zip([0, *slack], slack, strict=False))
    tops, above = [], 0
    for m, z in zip(marks, slack, strict=True):
        tops.append((z + above) * unit)
        above += m.rows
    return Layout(units * UNIT_REM, gaps, tuple(tops))


def _y(left_s: float, height: float) -> float:
    return TOP + share(left_s) * (height - TOP - BOTTOM)


def draw(marks: Sequence[Mark], unnamed: Sequence[Mark], layout: Layout, now: datetime, zone: tzinfo) -> str:
    """The picture to the left of the names. unnamed: further marks that are only dots on the chart."""
    height = layout.height
    lanes = _lanes(marks, height)
    leaders = [
        _leader(lane, _y(m.left_s, height), top + FIRST_LINE)
        for m, lane, top in zip(marks, lanes, layout.tops, strict=True)
    ]
    return picture(
        "Timeline of the time left, from now to one year, logarithmic. The list beside it has the same values.",
        _axis(height, now, zone),
        *(_dot(m, height) for m in unnamed),
        *leaders,
        *(_mark(m, lane, height) for m, lane in zip(marks, lanes, strict=True)),
        width=WIDTH,
        height=height,
        class_="timeline",
        size=(f"{WIDTH / PX}rem", f"{layout.height_rem}rem"),
    )


def _axis(height: float, now: datetime, zone: tzinfo) -> str:
    parts = []
    for i, ((a, _), (b, _)) in enumerate(pairwise(MAJOR)):
        top, end = _y(a, height), _y(b, height)
        parts.append(
            element("rect", x=AXIS_X, y=top, width=AXIS_W, height=end - top, class_="hollow" if i % 2 else "solid")
        )
    ticks = " ".join(f"M{AXIS_X - 4:g} {_y(s, height):.1f}h4" for s in MINOR)
    parts.append(element("path", d=ticks, class_="tick"))
    parts.extend(_graduation(seconds, word, height, now, zone) for seconds, word in MAJOR)
    return "".join(parts)


def _graduation(seconds: float, word: str, height: float, now: datetime, zone: tzinfo) -> str:
    y = _y(seconds, height)
    at = (now + timedelta(seconds=seconds)).astimezone(zone)
    date = f"{at:%b %Y}" if seconds >= YEAR_S else f"{at.day} {at:%b}"
    date = f"{at:%H:%M}" if seconds < DAY_S else f"{at:%a} {date}" if seconds <= WEEK_S else date
    return (
        element("path", d=f"M{AXIS_X - 8:g} {y:.1f}h{AXIS_W + 8:g}", class_="tick major")
        + words(word, LABELS_X - 4, y + 1, class_="graduation", text_anchor="end")
        + words(date, LABELS_X - 4, y + 13, class_="date", text_anchor="end")
    )


def _reach(mark: Mark, height: float) -> tuple[float, float]:
    """The top and the bottom of a mark on the page, including its interval."""
    y = _y(mark.left_s, height)
    if mark.earliest_s is None:
        return y, y
    end = height - BOTTOM if mark.latest_s is None else _y(mark.latest_s, height)
    return min(_y(mark.earliest_s, height), y), max(end, y)


def _lanes(marks: Sequence[Mark], height: float) -> list[float]:
    """The x of each mark: the free lane nearest to the axis, or the one that becomes free first."""
    ends = [-math.inf] * LANES
    chosen: list[float] = [0.0] * len(marks)
    for i in sorted(range(len(marks)), key=lambda i: _reach(marks[i], height)[0]):
        top, end = _reach(marks[i], height)
        lane = next((k for k in range(LANES) if ends[k] <= top - 20), min(range(LANES), key=lambda k: ends[k]))
        ends[lane] = max(ends[lane], end)
        chosen[i] = LANE_X + lane * LANE_STEP
    return chosen


def _mark(mark: Mark, x: float, height: float) -> str:
    y = _y(mark.left_s, height)
    parts = [_stem(mark, x, height)] if mark.forecast else []
    if mark.priority is not None:
        parts.append(element("use", href=f"#c{mark.priority.value}", x=x - 7, y=y - 10, width=14, height=20))
    elif mark.forecast:
        parts.append(element("circle", cx=x, cy=y, r=4, class_="likely"))
    else:
        parts.append(element("rect", x=x - 3.5, y=y - 3.5, width=7, height=7, class_="due"))
    return element("g", *parts, class_=f"p{mark.priority.value if mark.priority else 0}")


def _stem(mark: Mark, x: float, height: float) -> str:
    """The 90 % interval: a bar with a cap at each end; an open end, or one beyond a year, has an arrow instead."""
    top, end = _reach(mark, height)
    beyond = mark.latest_s is None or mark.latest_s > YEAR_S
    foot = f"M{x - 4:g} {end - 5:.1f}l4 5 4 -5" if beyond else f"M{x - 3.5:g} {end:.1f}h7"
    return element("path", d=f"M{x - 3.5:g} {top:.1f}h7M{x:g} {top:.1f}V{end:.1f}{foot}", class_="stem")


def _leader(x: float, y: float, label_y: float) -> str:
    return element("path", d=path([(x + 9, y), (WIDTH - 16, y), (WIDTH - 2, label_y)]), class_="leader")


def _dot(mark: Mark, height: float) -> str:
    return element("circle", cx=AXIS_X + AXIS_W + 5, cy=_y(mark.left_s, height), r=1.5, class_="more")
