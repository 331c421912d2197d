"""Two small pictures of a level: how full it is, and its last week with what is expected. Pure: data in, SVG text out.

Both fill the width that they are given: horizontal positions are percentages. Their words are beside them in the page.
"""

from collections.abc import Sequence

from watchkeeper.web.charts.svg import element, path

WEEK_S = 7 * 86_400.0
WIDE, HIGH, TOP = 1_000.0, 76.0, 8.0
"""Width and height of the picture, and where the line of the capacity is. Its width is stretched; strokes are not."""
LEAST_AHEAD, MOST_AHEAD = 0.12, 0.5
"""The future takes at least and at most these shares of the width."""


def percent(share: float) -> str:
    """A share of the width, as an attribute."""
    return f"{100 * min(max(share, 0.0), 1.0):.2f}%"


def bar(used_share: float, priority: int) -> str:
    """How full a level is."""
    return element(
        "svg",
        element("rect", class_="used", width=percent(used_share), height=10),
        class_=f"fill p{priority}",
        width="100%",
        height=10,
        aria_hidden="true",
    )


def spark(
    points: Sequence[tuple[float, float]],
    capacity: float,
    now_s: float,
    ends: tuple[float | None, float | None, float | None],
    label: str,
) -> str:
    """The last seven days of a level, from 0 to its capacity, and the 90 % range of the time when it is full.

    points: (seconds since 1970, used), oldest first. ends: earliest, likely, latest, in seconds since 1970.
    """
    earliest_s, likely_s, latest_s = ends
    since_s = now_s - WEEK_S
    far_s = max((at for at in ends if at is not None), default=now_s) - now_s
    ahead_s = min(max(far_s * 1.05, LEAST_AHEAD * WEEK_S), MOST_AHEAD / (1 - MOST_AHEAD) * WEEK_S)

    def at(at_s: float, used: float) -> tuple[float, float]:
        down = (HIGH - TOP) * min(max(used / capacity, 0.0), 1.0)
        return WIDE * min(max((at_s - since_s) / (WEEK_S + ahead_s), 0.0), 1.0), HIGH - down

    parts = [_stroke("ceiling", [(0.0, TOP), (WIDE, TOP)]), _stroke("empty", [(0.0, HIGH), (WIDE, HIGH)])]
    shown = [at(at_s, used) for at_s, used in points if at_s >= since_s]
    if shown:
        parts.append(_stroke("run", shown))
        if likely_s is not None and earliest_s is not None and likely_s > now_s:
            parts.append(_stroke("ahead", [shown[-1], at(likely_s, capacity)]))
            reach = (WIDE, TOP) if latest_s is None else at(latest_s, capacity)
            parts.append(_stroke("range", [at(earliest_s, capacity), reach]))
    now = at(now_s, 0.0)[0]
    parts.append(_stroke("now", [(now, 0.0), (now, HIGH)]))
    return element(
        "svg",
        *parts,
        class_="spark",
        viewBox=f"0 0 {WIDE:g} {HIGH:g}",
        preserveAspectRatio="none",
        width="100%",
        height=HIGH,
        role="img",
        aria_label=label,
    )


def _stroke(class_: str, points: Sequence[tuple[float, float]]) -> str:
    return element("path", class_=class_, d=path(points))
