"""How long the level took to rise by as much before: the recorded first passages, as a law.

A store that fills by single steps has no pace between them, but the record shows how long one waits for the next step
and how large it is. From many moments of the past it is measured when the level was first higher by what is needed
now. Moments that came as long after a rise as the present one count most, so regular steps are expected when they are
due. Where the record ends first, the time is censored (product-limit estimate: Kaplan and Meier 1958, J. Am. Stat.
Assoc. 53:457).
"""

import numpy as np
from numpy.typing import NDArray

from watchkeeper.forecast.laws.law import GRID
from watchkeeper.model.line import Floats

Flags = NDArray[np.bool_]

STARTS = 256
"""Moments of the past that are tried."""
ALIKE, BELOW, ANY = 0.2, 0.25, 0.03
"""Moments count as alike if the times since the last rise differ by this share, and the distances to the highest level
before by this share of what is needed; all others count a little."""
RISE, OF_NOISE, BELOW_NOISE = 0.02, 4.0, 2.0
"""A rise is a new highest level, by this share of what is needed and by so many standard deviations of the noise, which
reaches a new highest by itself now and then. Distances to the highest level are known to fewer of them."""
MOST = 12
"""Passages that follow each other are counted up to this many."""


def passage_law(t: Floats, y: Floats, need: float, noise: float = 0.0) -> tuple[Floats, float]:
    """P(risen by what is needed), on the grid of times; and how many independent passages say so.

    t: days from now, rising, up to 0; y: level. noise: its standard deviation.
    """
    at = np.linspace(t[0], 0.0, STARTS)
    level = np.interp(at, t, y)
    there = np.triu(level[None, :] >= level[:, None] + max(need, 1e-12), 1)
    met = np.asarray(there.any(axis=1))
    first = there.argmax(axis=1)
    took = np.where(met, at[first] - at, -at)
    weight = _weight(at, level, need, noise)
    return _survival(took, met, weight), min(float(_in_a_row(met, first)), _effective(met, first, weight))


def _weight(at: Floats, level: Floats, need: float, noise: float) -> Floats:
    """How much each moment is like the present one: by the time since the last rise, and how far it is below that."""
    high = np.maximum.accumulate(level)
    rose = np.diff(high, prepend=-np.inf) > max(RISE * need, OF_NOISE * noise)
    last = np.maximum.accumulate(np.where(rose, np.arange(STARTS), 0))
    age = at - at[last] + 2 * (at[1] - at[0])
    below = high - level
    off = (np.log(age / age[-1]) / ALIKE) ** 2 + (
        (below - below[-1]) / max(BELOW * need, BELOW_NOISE * noise, 1e-12)
    ) ** 2
    weight: Floats = np.exp(-0.5 * np.minimum(off, 1000.0)) + ANY
    weight[-1] = 0.0  # the present has no passage
    return weight


def _survival(took: Floats, met: Flags, weight: Floats) -> Floats:
    """One minus the product-limit estimate, on the grid of times."""
    order = np.argsort(took, kind="stable")
    took, met, weight = took[order], met[order], weight[order]
    at_risk = np.maximum(np.cumsum(weight[::-1])[::-1], 1e-12)
    gone = 1 - np.cumprod(1 - np.where(met, weight / at_risk, 0.0))
    place = np.searchsorted(took, GRID, side="right")
    return np.where(place > 0, gone[np.maximum(place - 1, 0)], 0.0)


def _effective(met: Flags, first: NDArray[np.int64], weight: Floats) -> float:
    """The number of ends that the weights are spread over: moments of one rest share one end (Kish 1965, Survey
    Sampling: the square of the sum over the sum of squares).
    """
    of_end = np.bincount(first[met], weight[met], minlength=STARTS)
    return float(of_end.sum() ** 2 / max(float(of_end @ of_end), 1e-300))


def _in_a_row(met: Flags, first: NDArray[np.int64]) -> int:
    place = count = 0
    while met[place] and count < MOST:
        place, count = int(first[place]), count + 1
    return count
