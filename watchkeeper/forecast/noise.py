"""How the level moves around its trend: its noise, the noise's correlation time, and its random walk.

The structure function (the variance of the change over a lag) distinguishes the kinds of noise without knowing the
trend, as the Allan variance does for clocks (Allan 1966, Proc. IEEE 54:221): it is flat for independent noise, rises
to a plateau if the level reverts to its mean, and rises without limit if it drifts as a random walk does. It is taken
of third differences (the Hadamard variance), which no slope and no constant bend affects, and a change of slope only
while it is within the lag.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from watchkeeper.forecast.sorted_values import median
from watchkeeper.model.line import Floats

LAGS = 7
"""Lags of 1, 2, 4 ... lattice steps: up to 64 h."""
AT_MEMORY = 0.524
"""The share of its plateau that an AR(1)'s third differences reach at its memory: 1 - 1.5/e + 0.6/e^2 - 0.1/e^3."""
OF_WALK = 0.6
"""Structure function of a random walk, per day of lag: third differences have 6 times its daily variance, over 10."""
STRAYS = 2.2
"""A plateau rises less than this over a fourfold lag; a random walk rises fourfold."""


STEP_D = 3 / 24
"""The level before and after a step is the median of this time (level_shifts.py)."""
IN_MEMORY = 4.0
"""Independent values that are as high as the noise within one of its memories."""
WIDTH_90 = 3.29
"""From the 5 % to the 95 % point of a normal distribution, in standard deviations."""

FEWEST_SAMPLES = 8
"""Fewer samples than this say nothing about their noise."""


@dataclass(frozen=True, slots=True)
class Noise:
    """Times in days, levels in the level's unit.

    white: spectral weight of independent noise: its variance times the days between samples.
    sd, memory_d: standard deviation and correlation time of the noise that reverts to the mean (AR(1)).
    stray: variance that a random walk gains per day.
    """

    white: float
    sd: float
    memory_d: float
    stray: float

    def slope_variance(self, span_d: Floats) -> Floats:
        """Variance of a least-squares slope over a stretch of this length.

        Independent noise: 12 W / T^3. AR(1): the same with W = 2 s^2 tau if T is much longer than its memory, and a
        random walk of 2 s^2 / tau per day if it is much shorter. A random walk: 6/5 of its daily variance over T.
        """
        t, tau = span_d, self.memory_d
        mean_reverting = 24 * self.sd**2 * tau / (t**3 + 10 * tau**2 * t)
        return 12 * self.white / t**3 + mean_reverting + 1.2 * self.stray / t

    def mean_variance(self, span_d: Floats) -> Floats:
        """Variance of the mean over a stretch of this length, without the random walk."""
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

    def step_error(self) -> float:
        """The standard error of the size of a step, the difference of the medians of three hours before and after it.

        The variance of a median is pi/2 times that of a mean.
        """
        return math.sqrt(2 * math.pi / 2 * self.white / STEP_D)

    def touch(self, slope: float, gap_d: float, between_d: float) -> tuple[float, float]:
        """How far below capacity the trend is when the noise first touches it: the median, and its error (sd).

        Independent values x of a rising trend stay below capacity while the trend is d or more below it with the
        probability of their product, exp(-n * integral of -ln P(x < u) du from d on), n being the number of values
        while the trend rises by one standard deviation. Noise with a memory of that length is as high as IN_MEMORY
        independent values in each, and as uncertain as one (an AR(1) of 2 to 50 samples a memory, in simulations).

        gap_d: days between samples. between_d: days between values that count (a cycle's crests; 0 without a cycle).
        """
        white = math.sqrt(self.white / gap_d) if gap_d > 0 else 0.0
        above_white, white_error = _highest(white, slope * max(gap_d, between_d), 1.0)
        in_memory = 1.0 if between_d > self.memory_d else IN_MEMORY
        above_sd, sd_error = _highest(self.sd, slope * max(self.memory_d, between_d), in_memory)
        return math.hypot(above_white, above_sd), math.hypot(white_error, sd_error)


def _highest(sd: float, climb: float, each: float) -> tuple[float, float]:
    """The highest of the independent values while the trend climbs by sd: the median, at least 0, and its error.

    climb: of the trend from one value to the next; each: so many independent values each of them is worth.
    """
    if sd <= 0 or climb <= 0:
        return 0.0, 0.0
    n = sd / climb
    early, late = np.interp(np.log(max(n, 1.0) / -np.log([0.05, 0.95])), _LOG_VALUES, _BELOW)
    likely = float(np.interp(math.log(each * n / math.log(2)), _LOG_VALUES, _BELOW))
    return sd * max(likely, 0.0), sd * float(late - early) / WIDTH_90


def _integral_below() -> tuple[Floats, Floats]:
    """How far below capacity the trend is, in standard deviations, when -ln P(no value has touched it) is 1; and the
    logarithm of n at which it is.
    """
    below = np.linspace(-6.0, 8.0, 561)
    hazard = np.array([-math.log(0.5 * math.erfc(-x / math.sqrt(2))) for x in below])
    parts = (hazard[1:] + hazard[:-1]) / 2 * np.diff(below)
    return below[:-1], -np.log(np.cumsum(parts[::-1])[::-1])


_BELOW, _LOG_VALUES = _integral_below()


def spread(changes: Floats) -> float:
    """Variance of changes, robust to 10 % outliers: of the middle 90 %, scaled as for a normal distribution."""
    n = len(changes)
    cut = n // 20
    if cut == 0:
        return float(changes.var())
    kept = np.partition(changes, (cut, n - 1 - cut))[cut : n - cut]
    return float(kept.var()) / 0.6230
    # 0.6230: variance of a standard normal distribution truncated at its 5 % and 95 % points, 1 - 2 z phi(z) / 0.9.


def variance(changes: Floats) -> float:
    """Variance of changes with all their outliers: where jumps are how the level moves."""
    return float(changes.var())


def measure(lattice: Floats, step_d: float, spread: Callable[[Floats], float] = spread) -> Noise:
    """Measure the noise of evenly spaced levels, step_d days apart. spread: the variance of changes."""
    lags = [lag for lag in (2**k for k in range(LAGS)) if 8 * lag <= len(lattice)]
    if not lags:
        return Noise(0.0, 0.0, step_d, 0.0)
    v = np.maximum.accumulate([spread(_third(lattice, g)) / 10 for g in lags])
    lag_d = np.array(lags) * step_d
    stray = _stray(v, lag_d)
    settled = np.maximum.accumulate(v - OF_WALK * stray * lag_d)
    top, first = float(settled[-1]), float(settled[0])
    # The independent part is what remains at zero lag; it is extrapolated linearly from the first two lags.
    white = max(2 * first - float(settled[1]), 0.0) / 2 if len(settled) > 1 else first / 2
    reverting = max(top / 2 - white, 0.0)
    memory_d = float(np.interp(2 * (white + AT_MEMORY * reverting), settled, lag_d))
    return Noise(white * step_d, reverting**0.5, memory_d, stray)


def jumping(noise: Noise, whole: Noise, at_d: Floats, size: Floats) -> Noise:
    """The same noise if the level also moves by jumps: when each came, in days, and how large it was.

    The variance that a renewal process with rewards gains per day (Cox 1962, Renewal Theory): jumps of one size at even
    intervals are a staircase and add none, jumps at random times add the mean of their squares.
    """
    gaps = np.diff(at_d)
    mean_gap = max(float(gaps.mean()), 1e-6)
    uneven = float(gaps.var()) / mean_gap**2
    gained = (float(size.var()) + float(size.mean()) ** 2 * uneven) / mean_gap
    if gained <= whole.stray:
        return replace(noise, stray=max(noise.stray, gained))
    return replace(whole, stray=max(noise.stray, whole.stray))


def of_samples(t: Floats, y: Floats) -> tuple[float, float]:
    """Weight of the independent noise in the newest samples, and days from one to the next. t: days, rising."""
    gap = median(np.diff(t)) if len(t) > 1 else 0.0
    if len(y) < FEWEST_SAMPLES:
        return 0.0, gap
    whole = np.maximum(t[2:] - t[:-2], 1e-12)
    part = (t[2:] - t[1:-1]) / whole  # weight of the previous neighbour in the linear interpolation between the two
    off = y[1:-1] - part * y[:-2] - (1 - part) * y[2:]
    return spread(off / np.sqrt(1 + part**2 + (1 - part) ** 2)) * gap, gap


def _stray(v: Floats, lag_d: Floats) -> float:
    """The random walk's part: the increase of the structure function over the longest lags, if it is large enough."""
    if len(v) < 3:
        return float(v[-1] / lag_d[-1]) / 2 / OF_WALK
    if v[-1] < STRAYS * v[-3]:
        return 0.0
    return float((v[-1] - v[-3]) / (lag_d[-1] - lag_d[-3])) / OF_WALK


def _third(lattice: Floats, g: int) -> Floats:
    return lattice[3 * g :] - 3 * lattice[2 * g : -g] + 3 * lattice[g : -2 * g] - lattice[: -3 * g]
