"""The stretch of the past to extrapolate: the longest that nothing newer contradicts.

For every stretch that ends now, a line and a parabola are fitted. A stretch is accepted if all shorter ones agree with
it within their own errors (Lepski 1990, Theory Probab. Appl. 35:454; as the intersection of confidence intervals in
Goldenshluger and Nemirovski 1997, Math. Methods Stat. 6:135). The fits come from sums that run back from now, so that
all stretches together cost one pass.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from watchkeeper.forecast.noise import Noise
from watchkeeper.forecast.sorted_values import distinct
from watchkeeper.model.line import Floats

Flags = NDArray[np.bool_]

SHORTEST_D = 0.007
"""Ten minutes: shorter stretches are ignored, unless they hold DENSE points: a level that is sampled every few
seconds may fill within minutes."""
DENSE = 10
"""As many as the shortest stretch holds at one sample per minute: less frequent sampling has no shorter one."""
RATIO = 1.25
"""Each stretch is longer than the previous one by this factor."""
PLACES = 48
"""Candidate places for a change point, tried twice: first over the whole range, then near the best."""
FEWEST = 4
"""The minimum number of points in a stretch."""
LOOKS_D = 60.0
"""A shorter stretch contradicts if it deviates by more of its standard errors than chance causes in two months of
testing stretches of its length: the universal threshold sqrt(2 ln n) (Donoho and Johnstone 1994, Biometrika 81:425),
plus one."""


@dataclass(frozen=True, slots=True)
class Stretches:
    """Fits over stretches that end now, shortest first. Times in days from now (before now is negative).

    reach: how far back each goes; span: length of the evenly covered stretch with the same spread of times.
    bend: the coefficient of t^2 of the parabola, tilt its slope at `mid`. left, bent_left: the residual sums of squares
    of the line and of the parabola, weighted.
    """

    counts: NDArray[np.int64]
    reach: Floats
    span: Floats
    mid: Floats
    mean: Floats
    slope: Floats
    variance: Floats  # of the times
    tilt: Floats
    bend: Floats
    left: Floats
    bent_left: Floats


class Sums:
    """Weighted sums over the newest n points, for every n: the input for fitting any stretch that ends now."""

    def __init__(self, t: Floats, y: Floats, weight: Floats) -> None:
        """t: days from now, rising, none after 0; weight: the days that each point represents."""
        self.back, w, v = t[::-1], weight[::-1], y[::-1]
        wt = w * self.back
        wtt = wt * self.back
        wv = w * v
        wtv = wv * self.back
        columns = (w, wt, wtt, wtt * self.back, wtt * self.back**2, wv, wtv, wtv * self.back, wv * v)
        self._sums = np.cumsum(np.stack(columns), axis=1)

    def stretches(self) -> Stretches:
        """The fits of stretches of increasing length."""
        return self.fit(self._counts())

    def fit(self, counts: NDArray[np.int64]) -> Stretches:
        """The fits of the newest points, for each of these counts; those with all points at one time are omitted."""
        sums = self._sums[:, counts - 1]
        heavy = sums[0] > 0
        mass = np.where(heavy, sums[0], 1.0)
        _, m1, m2, m3, m4, e0, e1, e2, ee = sums / mass
        var = m2 - m1 * m1
        good = heavy & (var > 1e-14)
        m1, m2, m3, m4, e0, e1, e2, ee, var, mass, counts = [
            a[good] for a in (m1, m2, m3, m4, e0, e1, e2, ee, var, mass, counts)
        ]
        skew = m3 - 3 * m1 * m2 + 2 * m1**3
        thick = m4 - 4 * m1 * m3 + 6 * m1 * m1 * m2 - 3 * m1**4 - var * var
        along = e1 - m1 * e0
        across = e2 - 2 * m1 * e1 + m1 * m1 * e0 - var * e0
        det = var * thick - skew * skew
        sound = det > 1e-12 * var * thick
        det = np.where(sound, det, 1.0)
        slope = along / var
        tilt = np.where(sound, (along * thick - across * skew) / det, slope)
        bend = np.where(sound, (across * var - along * skew) / det, 0.0)
        whole = ee - e0 * e0
        left = mass * np.maximum(whole - slope * along, 0)
        bent_left = mass * np.maximum(whole - tilt * along - bend * across, 0)
        reach = -self.back[counts - 1]
        return Stretches(counts, reach, np.sqrt(12 * var), m1, e0, slope, var, tilt, bend, left, bent_left)

    def split(self, fewest: int, most: int) -> tuple[int, float]:
        """Split the newest `most` points into two lines: the newer line's number of points, and the residual of both.

        Least squares over all places of one change point (Quandt 1958, J. Am. Stat. Assoc. 53:873).
        """
        grid = distinct(np.geomspace(max(fewest, FEWEST), max(most - FEWEST, FEWEST + 1), PLACES).astype(np.int64))
        count, _ = self._best(grid, most)
        near = distinct(np.linspace(count / 1.15, min(count * 1.15, most - 1), PLACES).astype(np.int64))
        return self._best(near[near >= min(FEWEST, count)], most)

    def _best(self, counts: NDArray[np.int64], most: int) -> tuple[int, float]:
        newer = self._sums[:, counts - 1]
        left = _left(newer) + _left(self._sums[:, most - 1 : most] - newer)
        best = int(np.argmin(left))
        return int(counts[best]), float(left[best])

    def _counts(self) -> NDArray[np.int64]:
        """The number of points in each stretch."""
        total = -float(self.back[-1])
        shortest = min(SHORTEST_D, max(-float(self.back[min(DENSE, len(self.back) - 1)]), 1e-6))
        steps = max(int(np.log(max(total / shortest, 1.0)) / np.log(RATIO)), 0) + 1
        spans = np.append(shortest * RATIO ** np.arange(steps), total)
        counts = np.searchsorted(-self.back, spans, side="right")
        return distinct(counts[counts >= min(FEWEST, len(self.back))])


def _left(sums: Floats) -> Floats:
    """The residual of a line through the points behind these sums."""
    mass = np.maximum(sums[0], 1e-12)
    m1, m2, e0, e1, ee = sums[1] / mass, sums[2] / mass, sums[5] / mass, sums[6] / mass, sums[8] / mass
    var = np.maximum(m2 - m1 * m1, 1e-14)
    left: Floats = mass * np.maximum(ee - e0 * e0 - (e1 - m1 * e0) ** 2 / var, 0)
    return left


@dataclass(frozen=True, slots=True)
class Agreement:
    """agrees[i, j]: the i-th stretch alone does not contradict the j-th (longer) one."""

    line: Flags
    parabola: Flags


def compare(s: Stretches, noise: Noise, least: float) -> Agreement:
    """Compare every stretch with every longer one. least: smaller deviations are ignored."""
    slope_error = np.sqrt(noise.slope_variance(s.span) + (least / s.span) ** 2)[:, None]
    strayed = 0.1 * noise.stray * s.span[None, :]
    mean_error = np.sqrt(noise.mean_variance(s.span)[:, None] + strayed + least**2)
    ahead = s.mid[:, None] - s.mid[None, :]
    limit = 1 + np.sqrt(2 * np.log1p(LOOKS_D / s.span))[:, None]
    longer = s.span[:, None] < s.span[None, :]

    def agree(slope: Floats, mean: Floats) -> Flags:
        off = np.maximum(np.abs(s.slope[:, None] - slope) / slope_error, np.abs(s.mean[:, None] - mean) / mean_error)
        fine: Flags = (off < limit) | ~longer
        return fine

    line = agree(s.slope[None, :], s.mean[None, :] + s.slope[None, :] * ahead)
    bent = s.mean[None, :] + s.tilt[None, :] * ahead + s.bend[None, :] * (ahead**2 + s.variance[:, None] - s.variance)
    return Agreement(line, agree(s.tilt[None, :] + 2 * s.bend[None, :] * ahead, bent))


def longest(agrees: Flags, first: int) -> int:
    """The longest stretch that none from the first-th on contradicts; the first-th itself if there is no other."""
    sound = np.logical_and.reduce(agrees[first:], axis=0)
    sound[first] = True
    sound[:first] = False
    return int(np.flatnonzero(sound)[-1])
