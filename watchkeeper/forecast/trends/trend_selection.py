"""The trend to extrapolate: a line, or a parabola, through the stretch of the past that best predicts the future.

The longest stretch that nothing newer contradicts is used (stable_segment.py). Newer data that contradicts it is either
a new growth rate or a burst that will stop, and only time can tell: it is used once it has lasted for a fifth of the
time that would be left. If a stretch ends because the growth changed, the change point is found and the line begins
there. Not here: when the capacity is reached (laws/first_passage.py).
"""

import math
from dataclasses import dataclass, replace

import numpy as np

from watchkeeper.forecast.hourly_features import Past
from watchkeeper.forecast.samples import Points
from watchkeeper.forecast.sorted_values import distinct, median
from watchkeeper.forecast.trends import stable_segment
from watchkeeper.forecast.trends.stable_segment import Stretches, Sums
from watchkeeper.forecast.trends.trend import median_slope
from watchkeeper.model.line import Floats
from watchkeeper.model.units import DAY_S

TAKEN_UP = 0.2
"""The share of the time left that a new growth must have lasted before it is forecast."""
SETTLED_D = 3.0
"""A growth that has lasted for days needs no more evidence."""
STOPPED_D = 0.5
"""A growth has stopped once nothing has grown for half a day."""
FRESH_D, NEWEST_PART, GOES_ON = 0.25, 0.2, 0.3
"""In its first hours a growth must be seen to continue, at this share of its pace, and for half a day in the newest
part of it: a completed jump looks like a steep line through it."""
SIMILAR = 1.25
"""A burst up to 1.25 times as large and 1.5 times as long as an earlier one is another such job."""
LASTING = 1.5
RIPPLE, LATE_PRUNE = 0.2, 1.25
"""Within one cycle, less than this share of its swing may be a variation of the cycle itself. If a prune is late, the
level is a whole swing above what was expected."""
BENT = 4.0
"""A bend must be this many of its standard errors, and fit better than two lines that meet anywhere."""
BETTER = 0.95
BLOCKS = 24
"""Number of blocks between which the median slope is taken: 276 pairs."""
PULLED = 3.0
"""Least squares and the median slope agree within this many standard errors, unless some samples distort the line."""
INNER, OUTER = 6, 4
"""How many stretches shorter and longer than the accepted one are searched for a change."""


@dataclass(frozen=True, slots=True)
class Outlook:
    """A trend from now on. level: now; slope: per day; bend: of the slope's half, per day. Variances of each.

    reach_d: how far back its data goes. centre_d, middle: the point that the line runs through.
    """

    level: float
    slope: float
    bend: float
    slope_variance: float
    bend_variance: float
    reach_d: float
    span_d: float
    centre_d: float
    middle: float


def look(points: Points, past: Past | None, capacity: float, least: float) -> Outlook | None:
    """Select the trend; None if all points have the same time."""
    sums = Sums(points.t, points.y, points.weight)
    s = sums.stretches()
    if not len(s.span):
        return None
    agreement = stable_segment.compare(s, points.noise, least)
    first, burst = _first_sound(s, agreement.line, past, capacity)
    line = stable_segment.longest(agreement.line, first)
    arc = stable_segment.longest(agreement.parabola, first)
    if _bent(sums, s, points, line, arc):
        found = _parabola(s, points, arc)
    else:
        found = _resistant(_line(*_begun(sums, s, line, first), points), points)
    if burst is None or burst <= found.level:
        return found
    return Outlook(burst, *(getattr(found, name) for name in Outlook.__slots__[1:]))


def _first_sound(
    s: Stretches, agrees: stable_segment.Flags, past: Past | None, capacity: float
) -> tuple[int, float | None]:
    """The shortest stretch to use, after those that show a burst; and the level that a burst has reached."""
    first, burst = 0, None
    while True:
        j = stable_segment.longest(agrees, first)
        if j == len(s.span) - 1 or _taken_up(s, j, past, capacity):
            return first, burst
        if burst is None:
            burst = float(s.mean[first] - s.slope[first] * s.mid[first])
        first = j + 1


def _taken_up(s: Stretches, j: int, past: Past | None, capacity: float) -> bool:
    """Return whether the growth in this stretch has lasted for long enough."""
    slope, reach = float(s.slope[j]), float(s.reach[j])
    period_d = past.cycle.period_s / DAY_S if past and past.cycle else 0.0
    if slope <= 0:
        return reach >= max(STOPPED_D, min(period_d, 1.0))
    if reach < STOPPED_D and not _goes_on(s, slope, reach):
        return False
    if past and _usual(slope, reach, past, period_d):
        return False
    left = (capacity - float(s.mean[j] - slope * s.mid[j])) / slope
    return reach >= min(TAKEN_UP * left, SETTLED_D)


def _goes_on(s: Stretches, slope: float, reach: float) -> bool:
    """Return whether a young growth continues."""
    if reach < FRESH_D and (reach < 2 * s.reach[0] or s.slope[0] < GOES_ON * slope):
        return False
    newest = int(np.searchsorted(s.reach, NEWEST_PART * reach))
    return bool(s.slope[newest] >= GOES_ON * slope)


def _usual(slope: float, reach: float, past: Past, period_d: float) -> bool:
    """Return whether a rise is no more than the swing of its cycle, or than an occasional job."""
    if past.cycle and reach < min(period_d, 1.0):
        share = LATE_PRUNE if past.cycle.pruned() is not None else RIPPLE
        if slope * reach < share * past.cycle.swing:
            return True
    if not past.jobs:
        return False
    largest, longest = (max(each) for each in zip(*past.jobs, strict=True))
    return bool(slope * reach < SIMILAR * largest and reach < LASTING * longest)


def _bent(sums: Sums, s: Stretches, points: Points, line: int, arc: int) -> bool:
    """Return whether a parabola over a much longer part of the past fits better than lines do."""
    error = float(np.sqrt(points.noise.bend_variance(s.span[arc])))
    if s.span[arc] <= 2 * s.span[line] or abs(s.bend[arc]) <= BENT * error:
        return False
    _, left = sums.split(int(s.counts[max(line - INNER, 0)]), int(s.counts[arc]))
    return float(s.bent_left[arc]) < BETTER * left


def _begun(sums: Sums, s: Stretches, j: int, first: int) -> tuple[Stretches, int]:
    """The stretch from where the growth changed; the stretch itself if it covers the whole past."""
    if j == len(s.span) - 1:
        return s, j
    newer, _ = sums.split(int(s.counts[max(j - INNER, first)]), int(s.counts[min(j + OUTER, len(s.span) - 1)]))
    found = sums.fit(np.array([newer]))
    return (found, 0) if len(found.span) else (s, j)


def _line(s: Stretches, j: int, points: Points) -> Outlook:
    slope, mid, mean, span = [float(a[j]) for a in (s.slope, s.mid, s.mean, s.span)]
    variance = float(points.noise.slope_variance(s.span[j]))
    return Outlook(mean - slope * mid, slope, 0.0, variance, 0.0, float(s.reach[j]), span, mid, mean)


def _resistant(found: Outlook, points: Points) -> Outlook:
    """The same line, or the median slope between its blocks if that differs: then outliers distort the line.

    Checking whether the blocks are straight costs little; least squares is kept if both agree, because it is more
    precise.
    """
    t, y = _blocks(points, found.reach_d)
    medians = median_slope(t, y, 1.0) if len(t) >= BLOCKS // 2 else None
    if medians is None or abs(medians.slope - found.slope) <= PULLED * math.sqrt(found.slope_variance):
        return found
    middle = median(y - medians.slope * (t - found.centre_d))
    level = middle - medians.slope * found.centre_d
    return replace(found, level=level, slope=medians.slope, middle=middle)


def _blocks(points: Points, reach_d: float) -> tuple[Floats, Floats]:
    """Mean time and level of equal parts of the stretch, for the parts that hold samples."""
    edges = np.searchsorted(points.t, np.linspace(-reach_d, 0, BLOCKS + 1)[:-1])
    edges = distinct(edges[edges < len(points.t)])
    mass = np.add.reduceat(points.weight, edges)
    return (
        np.add.reduceat(points.weight * points.t, edges) / mass,
        np.add.reduceat(points.weight * points.y, edges) / mass,
    )


def _parabola(s: Stretches, points: Points, j: int) -> Outlook:
    """The parabola as seen from now. Its slope at the end of its stretch varies 16 times as much as a line's."""
    tilt, bend, mid, mean, span = (float(a[j]) for a in (s.tilt, s.bend, s.mid, s.mean, s.span))
    slope = tilt - 2 * bend * mid
    level = mean - tilt * mid + bend * (mid * mid - float(s.variance[j]))
    variance = 16 * float(points.noise.slope_variance(s.span[j]))
    return Outlook(
        level, slope, bend, variance, float(points.noise.bend_variance(s.span[j])), float(s.reach[j]), span, mid,
        level + slope * mid,
    )  # fmt: skip
