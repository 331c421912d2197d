"""Which stretch of the past speaks for the future: the longest that nothing newer contradicts.

For every stretch that ends now, a line and a parabola are fitted; a stretch is believed where all shorter ones agree
with it within their own errors (Lepski 1990, Theory Probab. Appl. 35:454; as the intersection of confidence intervals
in Goldenshluger and Nemirovski 1997, Math. Methods Stat. 6:135). The fits come from sums that run back from now, so
that all stretches together cost one pass.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from watchkeeper.core.noise import Noise
from watchkeeper.core.trend import Floats

SHORTEST_D = 0.02
"""Half an hour: the shortest stretch that is looked at."""
RATIO = 1.25
"""Each stretch is longer than the one before by this factor."""
FEWEST = 4
"""Points that a stretch must hold."""
CONTRADICTS = 3.5
"""A shorter stretch contradicts where it is off by so many of its standard errors."""


@dataclass(frozen=True, slots=True)
class Stretches:
    """Fits over stretches that end now, shortest first. Times in days from now (before now is negative).

    span: length of the evenly covered stretch with the same spread of times. bend: the coefficient of t^2 of the
    parabola, tilt its slope at `mid`, dip what its value at mid is below the mean.
    """

    reach: Floats
    span: Floats
    mid: Floats
    mean: Floats
    slope: Floats
    variance: Floats  # of the times
    tilt: Floats
    bend: Floats
    left: Floats  # variance left about the line


def fit_stretches(t: Floats, y: Floats, weight: Floats) -> Stretches:
    """Fit all stretches. t: days from now, rising, none after 0; weight: the days that each point stands for."""
    back, w, v = t[::-1], weight[::-1], y[::-1]
    counts = _counts(back)
    wt = w * back
    wtt = wt * back
    wv = w * v
    columns = np.stack((w, wt, wtt, wtt * back, wtt * back * back, wv, wv * back, wv * back * back, wv * v))
    sums = np.cumsum(columns, axis=1)[:, counts - 1]
    mass = sums[0]
    keep = mass > 0
    sums, counts = sums[:, keep], counts[keep]
    _, m1, m2, m3, m4, e0, e1, e2, ee = sums / sums[0]
    var = m2 - m1 * m1
    good = var > 1e-14
    m1, m2, m3, m4, e0, e1, e2, ee, var, counts = (a[good] for a in (m1, m2, m3, m4, e0, e1, e2, ee, var, counts))
    skew = m3 - 3 * m1 * m2 + 2 * m1**3
    kurt = m4 - 4 * m1 * m3 + 6 * m1 * m1 * m2 - 3 * m1**4
    along = e1 - m1 * e0
    across = e2 - 2 * m1 * e1 + m1 * m1 * e0 - var * e0
    thick = kurt - var * var
    det = var * thick - skew * skew
    sound = det > 1e-12 * var * thick
    det = np.where(sound, det, 1.0)
    slope = along / var
    tilt = np.where(sound, (along * thick - across * skew) / det, slope)
    bend = np.where(sound, (across * var - along * skew) / det, 0.0)
    left = np.maximum(ee - e0 * e0 - slope * along, 0)
    return Stretches(-back[counts - 1], np.sqrt(12 * var), m1, e0, slope, var, tilt, bend, left)


def _counts(back: Floats) -> NDArray[np.int64]:
    """How many points each stretch holds."""
    total = -float(back[-1])
    steps = max(int(np.log(max(total / SHORTEST_D, 1.0)) / np.log(RATIO)), 0) + 1
    spans = np.append(SHORTEST_D * RATIO ** np.arange(steps), total)
    counts = np.searchsorted(-back, spans, side="right")
    return np.unique(counts[counts >= min(FEWEST, len(back))])


@dataclass(frozen=True, slots=True)
class Agreement:
    """agrees[i, j]: the i-th stretch, taken alone, does not contradict the j-th (longer) one."""

    line: NDArray[np.bool_]
    parabola: NDArray[np.bool_]


def compare(s: Stretches, noise: Noise) -> Agreement:
    """Hold every stretch against every longer one."""
    slope_error = np.sqrt(noise.slope_variance(s.span))[:, None]
    strayed = 0.1 * noise.stray * s.span[None, :]
    mean_error = np.sqrt(noise.mean_variance(s.span)[:, None] + strayed)
    ahead = s.mid[:, None] - s.mid[None, :]
    longer = s.span[:, None] < s.span[None, :]

    def agree(slope: Floats, mean: Floats) -> NDArray[np.bool_]:
        off = np.maximum(np.abs(s.slope[:, None] - slope) / slope_error, np.abs(s.mean[:, None] - mean) / mean_error)
        return (off < CONTRADICTS) | ~longer

    line = agree(s.slope[None, :], s.mean[None, :] + s.slope[None, :] * ahead)
    bent = s.mean[None, :] + s.tilt[None, :] * ahead + s.bend[None, :] * (ahead**2 + s.variance[:, None] - s.variance)
    return Agreement(line, agree(s.tilt[None, :] + 2 * s.bend[None, :] * ahead, bent))


def longest(agrees: NDArray[np.bool_], first: int) -> int:
    """The longest stretch that none from the first-th on contradicts; the first-th itself where there is no other."""
    sound = agrees[first:].all(axis=0)
    sound[first] = True
    sound[:first] = False
    return int(np.flatnonzero(sound)[-1])
