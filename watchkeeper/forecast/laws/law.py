"""Predictive laws: the probability that a level is full within a time, as numbers on one grid of times.

On one grid laws can be mixed. Not here: where a law comes from (net_growth.py, passage_times.py, first_passage.py).
"""

import math

import numpy as np

from watchkeeper.forecast.laws.first_passage import Z90
from watchkeeper.model.line import Floats

GRID: Floats = np.geomspace(1e-3, 4e3, 160)
"""Days from now: 86 s to eleven years, each time a tenth longer than the one before."""
_LOG = np.log(GRID)
EARLY, LIKELY, LATE = 0.05, 0.5, 0.95


def normal(z: Floats) -> Floats:
    """The distribution function of the standard normal, to 1e-7 (Abramowitz and Stegun 1964, 7.1.26)."""
    x = np.minimum(np.abs(z) / math.sqrt(2), 26.0)
    k = 1 / (1 + 0.3275911 * x)
    tail = k * (0.254829592 + k * (-0.284496736 + k * (1.421413741 + k * (-1.453152027 + k * 1.061405429))))
    upper = 0.5 * tail * np.exp(-x * x)
    both: Floats = np.where(z > 0, 1 - upper, upper)
    return both


def of_range(early_d: float, likely_d: float, late_d: float) -> Floats:
    """The law with these 5, 50 and 95 % points: log-normal on each side of the median.

    late_d: infinite if the range is open; the upper side is then twice as wide as the lower.
    """
    likely = max(likely_d, float(GRID[0]))
    early = min(max(early_d, float(GRID[0]) / 10), likely * (1 - 1e-6))
    below = math.log(likely / early)
    above = math.log(max(late_d / likely, 1 + 1e-6)) if math.isfinite(late_d) else 2 * below
    off = _LOG - math.log(likely)
    return normal(Z90 * off / np.where(off < 0, below, above))


def quantile(p: Floats, share: float) -> float:
    """When this share of the law has come, in days; infinite if it never comes."""
    place = int(np.searchsorted(p, share))
    if place == len(p):
        return math.inf
    if place == 0:
        return float(GRID[0])
    part = (share - p[place - 1]) / (p[place] - p[place - 1])
    return float(GRID[place - 1] * (GRID[place] / GRID[place - 1]) ** part)
