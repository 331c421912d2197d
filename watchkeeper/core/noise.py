"""How the level moves about its trend: what is noise, how long it remembers, and how far it strays.

The structure function (the variance of the change over a lag) tells the kinds of noise apart without knowing the
trend, as the Allan variance does for clocks (Allan 1966, Proc. IEEE 54:221): it is flat for independent noise, rises
to a plateau where the level reverts to its mean, and rises without end where it strays as a random walk does. A trend
shifts every change by the same amount and drops out of the spread.
"""

from dataclasses import dataclass

import numpy as np

from watchkeeper.core.trend import Floats

LAGS = 7
"""Lags of 1, 2, 4 ... lattice steps: up to 64 h."""
AT_MEMORY = 0.554
"""The share of its plateau that the structure function of an AR(1) reaches at its memory: (3 - 4/e + 1/e^2) / 3."""
STRAYS = 2.2
"""A plateau rises less than this over a fourfold lag; a random walk rises fourfold."""


@dataclass(frozen=True, slots=True)
class Noise:
    """Times in days, levels in the level's unit.

    white: spectral weight of independent noise: its variance times the days between samples.
    sd, memory_d: standard deviation and correlation time of the noise that reverts to the mean (AR(1)).
    stray: variance that a random walk gains in a day.
    """

    white: float
    sd: float
    memory_d: float
    stray: float

    def slope_variance(self, span_d: Floats) -> Floats:
        """Variance of a least-squares slope over a stretch of this length.

        Independent noise: 12 W / T^3. AR(1): the same with W = 2 s^2 tau where T is much longer than its memory, and
        a random walk of 2 s^2 / tau a day where it is much shorter. A random walk: 6/5 of its variance a day over T.
        """
        t, tau = span_d, self.memory_d
        mean_reverting = 24 * self.sd**2 * tau / (t**3 + 10 * tau**2 * t)
        return 12 * self.white / t**3 + mean_reverting + 1.2 * self.stray / t

    def mean_variance(self, span_d: Floats) -> Floats:
        """Variance of the mean over a stretch of this length, the random walk left out."""
        return self.white / span_d + self.sd**2 * 2 * self.memory_d / (span_d + 2 * self.memory_d)

    def end_variance(self, span_d: float) -> float:
        """Variance of a least-squares line's value at the end of its stretch: four times that of its mean."""
        reverting = self.sd**2 * 8 * self.memory_d / (span_d + 8 * self.memory_d)
        return 4 * self.white / span_d + reverting + self.stray * span_d * 2 / 15

    def bend_variance(self, span_d: Floats) -> Floats:
        """Variance of the coefficient of t^2 in a least-squares parabola: 180 W / T^5 for independent noise."""
        t, tau = span_d, self.memory_d
        mean_reverting = 360 * self.sd**2 * tau / (t**5 + 40 * tau**2 * t**3)
        return 180 * self.white / t**5 + mean_reverting + 4.5 * self.stray / t**3


def spread(changes: Floats) -> float:
    """Variance of changes, robust to a tenth of them being wild: within the middle 90 %, scaled as for a normal law."""
    n = len(changes)
    cut = n // 20
    if cut == 0:
        return float(changes.var())
    kept = np.partition(changes, (cut, n - 1 - cut))[cut : n - cut]
    return float(kept.var()) / 0.6230
    # 0.6230: variance of a standard normal law cut off at its 5 % and 95 % points, 1 - 2 z phi(z) / 0.9.


def measure(lattice: Floats, step_d: float, floor: float) -> Noise:
    """The noise of evenly spaced levels, step_d days apart. floor: the least variance that is believed."""
    lags = [lag for lag in (2**k for k in range(LAGS)) if 6 * lag <= len(lattice)]
    if not lags:
        return Noise(floor * step_d, floor**0.5, step_d, 0.0)
    second = [spread(lattice[2 * g :] - 2 * lattice[g:-g] + lattice[: -2 * g]) / 3 for g in lags]
    v = np.maximum.accumulate(second) + 2 * floor
    lag_d = np.array(lags) * step_d
    stray = _stray(v, lag_d)
    settled = v - stray * lag_d / 1.5
    top = float(settled.max())
    white = max(float(settled[0]), 0.0) / 2
    reverting = max(top / 2 - white, 0.0)
    memory_d = step_d
    if reverting > 0:
        reached = settled >= settled[0] + AT_MEMORY * (top - settled[0])
        memory_d = float(lag_d[int(np.argmax(reached))])
    return Noise(white * step_d, reverting**0.5, memory_d, stray)


def _stray(v: Floats, lag_d: Floats) -> float:
    """The random walk's part: 2/3 of its variance a day times the lag is what the structure function gains."""
    if len(v) < 3:
        return 1.5 * float(v[-1] / lag_d[-1]) / 2
    if v[-1] < STRAYS * v[-3]:
        return 0.0
    return 1.5 * float((v[-1] - v[-3]) / (lag_d[-1] - lag_d[-3]))
