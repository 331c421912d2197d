"""The time-left chart: one line for each thing, with its mark on a scale of time below its words. Pure: SVG text out.

The scale runs from now (0) to a year (1) as log(1 + t / half an hour): a plain logarithm has no place for now itself.
Each line has the same scale, so that marks can be compared; a mark is always where its words are. Horizontal positions
are percentages, so that a line fills whatever width it has.
"""

import math
from dataclasses import dataclass

from watchkeeper.model.alert import Priority
from watchkeeper.model.units import DAY_S, HOUR_S, WEEK_S
from watchkeeper.web.charts.spark import percent
from watchkeeper.web.charts.svg import element

MONTH_S, YEAR_S = 30 * DAY_S, 365 * DAY_S
SOFT_S = 0.5 * HOUR_S
"""Where the axis changes from linear to logarithmic: puts the hour at a tenth, the day at two fifths of the axis."""

HIGH, MIDDLE = 18.0, 9.0
"""Height of a line's scale in pixels, and where its axis is."""
INSET = 0.015
"""Space left and right of the scale for half a mark, as a share of the width."""

TICKS = ((0.0, "now"), (HOUR_S, "1 h"), (DAY_S, "day"), (WEEK_S, "week"), (MONTH_S, "month"), (YEAR_S, "year"))


@dataclass(frozen=True, slots=True)
class Mark:
    """One thing on the scale. Seconds from now; latest_s None with an earliest_s: no upper end."""

    left_s: float
    earliest_s: float | None = None
    latest_s: float | None = None
    priority: Priority | None = None

    @property
    def forecast(self) -> bool:
        """True if the time is an estimate with a range, False if it is a due date, or past."""
        return self.earliest_s is not None and self.left_s > 0


def share(left_s: float) -> float:
    """The position of a time left on the scale: 0 now (and before), 1 a year (and beyond)."""
    return min(math.log1p(max(left_s, 0.0) / SOFT_S) / math.log1p(YEAR_S / SOFT_S), 1.0)


def x(left_s: float) -> str:
    """The same, as a share of the width of a line."""
    return percent(INSET + (1 - 2 * INSET) * share(left_s))


def axis() -> str:
    """The names of the times, once above all lines, and the scale that every line repeats."""
    ticks = [element("line", class_="tick", x1=x(0), x2=x(YEAR_S), y1=MIDDLE, y2=MIDDLE)]
    ticks += [element("line", class_="tick", x1=x(at_s), x2=x(at_s), y1=MIDDLE - 4, y2=MIDDLE + 4) for at_s, _ in TICKS]
    ends = {0: "start", len(TICKS) - 1: "end"}
    return element(
        "svg",
        element("symbol", *ticks, id="ticks"),
        *(
            element("text", name, x=x(at_s), y="0.9rem", text_anchor=ends.get(i, "middle"))
            for i, (at_s, name) in enumerate(TICKS)
        ),
        class_="axis",
        width="100%",
        height="1.3rem",
        aria_hidden="true",
    )


def line(mark: Mark) -> str:
    """One line's scale with its mark."""
    parts = [element("use", class_="base", href="#ticks", width="100%", height=HIGH)]
    if mark.forecast:
        parts.append(_range(mark))
    parts.append(_shape(mark))
    number = mark.priority.value if mark.priority else 0
    return element("svg", *parts, class_=f"scale p{number}", width="100%", height=HIGH, aria_hidden="true")


def _range(mark: Mark) -> str:
    """The 90 % range: a bar; it runs to the end of the scale if it has no upper end, or one beyond a year."""
    end = x(YEAR_S) if mark.latest_s is None else x(mark.latest_s)
    return element("line", class_="stem", x1=x(mark.earliest_s or 0.0), x2=end, y1=MIDDLE, y2=MIDDLE)


def _shape(mark: Mark) -> str:
    at = x(mark.left_s)
    if mark.priority is not None:
        name = f"#c{mark.priority.value}"
        return element("use", href=name, x=at, y=0, width=12.6, height=18, transform="translate(-6.3 0)")
    if mark.forecast:
        return element("circle", class_="likely", cx=at, cy=MIDDLE, r=4.5)
    return element("rect", class_="due", x=at, y=MIDDLE - 4, width=8, height=8, transform="translate(-4 0)")
