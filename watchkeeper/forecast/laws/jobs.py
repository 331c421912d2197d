"""Growth under jobs that come and go: the first job that is higher than what is free fills the store.

Jobs of the heights that were seen come at random, as often as they came (a Poisson process). While the level below
them rises, more of them are high enough, so the probability that none has touched the capacity falls as the
exponential of what they add up to (a Cox process: Cox 1955, J. R. Stat. Soc. B 17:129). Not here: how jobs are found
(hourly_features.py).
"""

from dataclasses import dataclass

import numpy as np

from watchkeeper.forecast.laws.law import GRID, quantile
from watchkeeper.model.line import Floats

DRAWN = np.linspace(0, 1, 17)[1:-1:2]
"""The points of the law below that are tried: the middles of equal shares."""
MOST = 48
"""Jobs that are told apart; of more, evenly spaced ones of the ordered heights are taken."""


@dataclass(frozen=True, slots=True)
class Jobs:
    """What came and went within `days` days: how far each job reached above the level below it."""

    heights: Floats
    days: float


def touched(p: Floats, jobs: Jobs, need: float) -> Floats:
    """P(a job, or the level itself, has touched the capacity), on the grid of times.

    p: the law of when the level below the jobs has gained `need`. What that law says never happens, no job does.
    """
    share = float(p[-1])
    if share <= 0 or not len(jobs.heights):
        return p
    heights = np.sort(jobs.heights)
    heights = heights[np.linspace(0, len(heights) - 1, min(len(heights), MOST)).round().astype(np.int64)]
    rate = len(jobs.heights) / jobs.days / len(heights)
    whole = np.array([quantile(p, share * q) for q in DRAWN])
    begin = whole[:, None] * (1 - np.minimum(heights / max(need, 1e-12), 1.0))
    # What all jobs add up to by a time is linear between the times at which one more is high enough.
    hazard = rate * np.maximum(GRID[None, :, None] - begin[:, None, :], 0.0).sum(axis=2)
    there = np.where(GRID[None, :] >= whole[:, None], 1.0, -np.expm1(-hazard))
    return np.asarray(np.maximum(share * there.mean(axis=0), p), dtype=np.float64)
