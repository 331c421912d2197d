"""When a level that grows, cycles and drifts first touches its capacity: likely, earliest and latest.

The trend from now on is D = m + v h (h in days). Its variance grows as V0 + K h + Vs h^2: the parts of the level, the
random walk and the slope. The interval's ends are where the band m + v h +- z sqrt(variance) meets the capacity. This
is Fieller's inverse interval (Fieller 1954, J. R. Stat. Soc. B 16:175) with the random walk added. If z^2 Vs >= v^2
(his g >= 1) it has no upper end. In a cycle, each phase has its own level to reach and occurs once per cycle; the
first phase that touches counts.
"""

from dataclasses import dataclass

import numpy as np

from watchkeeper.model.line import Floats

Z90 = 1.6448536269514722
"""The 95 % point of the standard normal distribution: both sides together exclude 10 %."""
FAR_D = 3_650.0
"""Ten years: nobody plans storage further ahead."""


@dataclass(frozen=True, slots=True)
class Course:
    """The trend from now on. level: now; slope: per day; both for `used`. The variances: see the module docstring."""

    level: float
    slope: float
    bend: float
    level_variance: float
    strays: float
    slope_variance: float


@dataclass(frozen=True, slots=True)
class Phases:
    """The cycle ahead: height[k] above the trend; phase k begins start_d[k] days from now and lasts width_d days.

    rise: by how much each height grows per day, if the swing itself grows.
    """

    height: Floats
    start_d: Floats
    width_d: float
    period_d: float
    rise: Floats


FLAT = Phases(np.zeros(1), np.zeros(1), 1.0, 1.0, np.zeros(1))
"""No cycle: one phase that is always current."""


def likely(course: Course, capacity: float, phases: Phases) -> float:
    """Days until the trend with its cycle touches capacity; infinite if it never does."""
    need = np.maximum(capacity - phases.height - course.level, 0.0)
    return _first(_reach(need, course.slope + phases.rise, course.bend), phases)


def band(course: Course, capacity: float, phases: Phases, z: float = Z90) -> tuple[float, float]:
    """Days until the upper and the lower edge of the band touch capacity; infinite if they never do."""
    need = capacity - phases.height - course.level
    slope = course.slope + phases.rise
    a = slope**2 - z * z * course.slope_variance
    b = slope * need + z * z * course.strays / 2
    c = need**2 - z * z * course.level_variance
    root = np.sqrt(np.maximum(b * b - a * c, 0.0))
    inside = (need <= 0) | (c <= 0)
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        # c / (b + root) is the form of the smaller root that loses no digits and stays correct as a passes zero.
        early = np.where(inside, 0.0, np.where(b + root > 0, c / (b + root), np.inf))
        late = np.where((a > 0) & (slope > 0), (b + root) / a, np.inf)
    late = np.where(np.isfinite(late), np.maximum(late, 0.0), np.inf)
    return _first(np.maximum(early, 0.0), phases), _first(late, phases)


def _reach(need: Floats, slope: Floats, bend: float) -> Floats:
    """The first h >= 0 at which slope h + bend h^2 reaches the required amount."""
    under = slope**2 + 4 * bend * need
    root = np.sqrt(np.maximum(under, 0.0))
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        reached = 2 * need / (slope + root)
    never = (under < 0) | (slope + root <= 0) | ~np.isfinite(reached)
    return np.where(need <= 0, 0.0, np.where(never, np.inf, reached))


def _first(reach_d: Floats, phases: Phases) -> float:
    """The first occurrence of any phase at or after its level is reached."""
    if len(reach_d) == 1:
        return float(reach_d[0])
    known = np.isfinite(reach_d)
    if not known.any():
        return float("inf")
    reach, start = reach_d[known], phases.start_d[known]
    visit = start + np.floor((reach - start) / phases.period_d) * phases.period_d
    return float(np.where(reach < visit + phases.width_d, np.maximum(reach, visit), visit + phases.period_d).min())
