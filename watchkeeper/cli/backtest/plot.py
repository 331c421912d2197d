"""The picture of a backtest: a sketch for the terminal, and a self-contained SVG.

Alerts are distinguished by letter and height, not by colour. Not here: the sentences (backtest.py).
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, tzinfo
from html import escape

import numpy as np
from numpy.typing import NDArray

from watchkeeper.alerting.backtest import Evaluation
from watchkeeper.cli.backtest.csv_history import Record
from watchkeeper.messages.wording import day
from watchkeeper.model.alert import Priority

Floats = NDArray[np.float64]

BLOCKS = " ▁▂▃▄▅▆▇█"
MARKS = {Priority.CAUTION: "c", Priority.WARNING: "w", Priority.ALARM: "A"}
SKETCH_ROWS = 8

WIDE, HIGH, LEFT, TOP, FOOT = 960, 360, 70, 40, 70
POINTS = 900
BAR_HIGH = {Priority.CAUTION: 6, Priority.WARNING: 12, Priority.ALARM: 18}


@dataclass(frozen=True, slots=True)
class Span:
    """A period during which an alert was active at one priority; seconds since 1970."""

    priority: Priority
    begin_s: float
    end_s: float


def spans(walked: Sequence[Evaluation]) -> Iterator[Span]:
    """The periods with an active alert, in order."""
    begin: Evaluation | None = None
    for each in walked:
        if begin is not None and begin.priority is not None and each.priority != begin.priority:
            yield Span(begin.priority, begin.at_s, each.at_s)
        if begin is None or each.priority != begin.priority:
            begin = each
    if begin is not None and begin.priority is not None:
        yield Span(begin.priority, begin.at_s, walked[-1].at_s)


def _columns(record: Record, count: int) -> Floats:
    """The highest used share in each of `count` equal periods; NaN for a period without a sample."""
    at = np.asarray(record.at_s)
    share = np.asarray(record.used) / np.asarray(record.capacity)
    length = max(float(at[-1] - at[0]), 1.0)
    place = np.minimum(((at - at[0]) / length * count).astype(int), count - 1)
    out = np.full(count, np.nan)
    np.fmax.at(out, place, share)
    return out


def draw_text(record: Record, walked: Sequence[Evaluation], width: int, zone: tzinfo) -> str:
    """The use over time in block characters, and below it the active alerts: c, w, A."""
    width = max(width - 7, 10)
    shares = np.minimum(_columns(record, width), 1.0)
    eighths = np.where(np.isnan(shares), 0, np.ceil(shares * SKETCH_ROWS * 8)).astype(int)
    lines = []
    for row in range(SKETCH_ROWS - 1, -1, -1):
        label = "100 %" if row == SKETCH_ROWS - 1 else " 50 %" if row == SKETCH_ROWS // 2 - 1 else "     "
        lines.append(f"{label} " + "".join(BLOCKS[int(np.clip(e - 8 * row, 0, 8))] for e in eighths))
    lines.append("      " + "".join(_marks(record, walked, width)))
    first, last = (datetime.fromtimestamp(s, UTC) for s in (record.at_s[0], record.at_s[-1]))
    ends = day(first, zone, last), day(last, zone, last)
    lines.append("      " + ends[0] + " " * max(width - len(ends[0]) - len(ends[1]), 1) + ends[1])
    return "\n".join(line.rstrip() for line in lines)


def _marks(record: Record, walked: Sequence[Evaluation], width: int) -> list[str]:
    start, length = record.at_s[0], max(record.at_s[-1] - record.at_s[0], 1.0)
    worst = [0] * width
    for each in walked:
        place = min(int((each.at_s - start) / length * width), width - 1)
        worst[place] = max(worst[place], each.priority or 0)
    return [MARKS[Priority(p)] if p else " " for p in worst]


def draw_svg(record: Record, walked: Sequence[Evaluation], title: str, zone: tzinfo) -> str:
    """A drawing of the record: used over time, the capacity above it, and bars for the active alerts below."""
    start, length = record.at_s[0], max(record.at_s[-1] - record.at_s[0], 1.0)
    bottom = HIGH - FOOT

    def x(at_s: float) -> float:
        return LEFT + (at_s - start) / length * (WIDE - LEFT - 20)

    def y(share: float) -> float:
        return bottom - share * (bottom - TOP)

    shares = _columns(record, POINTS)
    line = " ".join(
        f"{x(start + (i + 0.5) / POINTS * length):.1f},{y(float(s)):.1f}"
        for i, s in enumerate(shares) if not np.isnan(s)
    )  # fmt: skip
    bars = "".join(
        f'<rect class="{s.priority.word}" x="{x(s.begin_s):.1f}" y="{bottom + 34 - BAR_HIGH[s.priority]}"'
        f' width="{max(x(s.end_s) - x(s.begin_s), 1.5):.1f}" height="{BAR_HIGH[s.priority]}">'
        f"<title>{s.priority.word}</title></rect>"
        for s in spans(walked)
    )
    grid = "".join(
        f'<line class="grid" x1="{LEFT}" x2="{WIDE - 20}" y1="{y(p):.1f}" y2="{y(p):.1f}"/>'
        f'<text x="{LEFT - 8}" y="{y(p) + 4:.1f}" text-anchor="end">{p:.0%}</text>'
        for p in (0.0, 0.25, 0.5, 0.75, 1.0)
    )
    last = datetime.fromtimestamp(record.at_s[-1], UTC)
    dates = "".join(
        f'<text x="{x(start + part * length):.1f}" y="{bottom + 52}" text-anchor="{anchor}">'
        f"{escape(day(datetime.fromtimestamp(start + part * length, UTC), zone, last))}</text>"
        for part, anchor in ((0.0, "start"), (0.5, "middle"), (1.0, "end"))
    )
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDE} {HIGH}" role="img" aria-label="{escape(title)}">'
        f"<style>{_STYLE}</style><rect class='paper' width='{WIDE}' height='{HIGH}'/>"
        f'<text x="{LEFT}" y="24" class="title">{escape(title)}</text>{grid}'
        f'<polyline class="used" points="{line}"/>{bars}{dates}'
        f'<text x="{LEFT}" y="{HIGH - 4}">bars: low caution, middle warning, high alarm</text></svg>\n'
    )


_STYLE = (
    "text{font:13px sans-serif;fill:#222}.title{font-size:16px}.paper{fill:#fff}"
    ".grid{stroke:#ccc}.used{fill:none;stroke:#1b4f72;stroke-width:1.5}"
    ".caution{fill:#9aa5ad}.warning{fill:#5b6770}.alarm{fill:#111}"
    "@media (prefers-color-scheme:dark){text{fill:#ddd}.paper{fill:#111}.grid{stroke:#444}.used{stroke:#8fc1e3}"
    ".caution{fill:#777}.warning{fill:#aaa}.alarm{fill:#fff}}"
)
