"""Cycles in the usage of a level: a nightly prune, a weekly backup. Found by comparing equal phases, never assumed.

A cycle is accepted if the residual after subtracting the median of each phase is much smaller than the original swing.
The median over cycles excludes one-off steps and jobs. Not here: what a cycle means for the forecast.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from watchkeeper.forecast.sorted_values import median, median_rows
from watchkeeper.model.line import Floats
from watchkeeper.model.units import HOUR_S

DAY_H, WEEK_H = 24, 168
LEFT_OVER, SEEN_OFTEN, LEFT_OF_FEW = 0.5, 5, 0.3
"""A cycle must remove at least half of the swing; more if it was seen only a few times."""
BETTER = 0.6
"""Of the changes within a longer cycle, it must leave less than this share of what the shorter one leaves."""
CYCLES = 8
"""The number of newest cycles over which the median of a phase is taken."""
SWELLS = 8
"""Cycles that must have been seen before a growing swing is accepted, and how many of its standard errors the
growth must be."""
CLIFF = 4.0
"""The profile has a cliff if it changes by more than this many times its usual change within a step."""
PRUNED = 0.5
"""A cycle is a prune if this share of its swing is lost within two steps."""


@dataclass(frozen=True, slots=True)
class Cycle:
    """profile[k]: how far the level is above its trend in the k-th step of the cycle; phase 0 is at the anchor.

    crest[k]: the same for the highest sample within that step. step_h: hours in a step. left: the residual, as a share
    of the swing. rounds: whole cycles that were seen. swell: the relative growth of the swing per hour, relative to the
    swing at centre_h.
    """

    profile: Floats
    crest: Floats
    step_h: int
    left: float
    rounds: int
    swell: float = 0.0
    centre_h: float = 0.0

    @property
    def swing(self) -> float:
        """The difference between its highest and its lowest value."""
        return float(np.ptp(self.profile))

    @property
    def period_s(self) -> float:
        """Length of the cycle."""
        return len(self.profile) * self.step_h * HOUR_S

    def phase(self, hours: Floats) -> NDArray[np.int64]:
        """The step of the cycle that these hours since the anchor fall in."""
        return (hours // self.step_h).astype(np.int64) % len(self.profile)

    def scale(self, hours: Floats) -> Floats:
        """The width of the swing at these hours, as a share of the profile's; never below zero."""
        return np.maximum(1 + self.swell * (hours - self.centre_h), 0.0)

    def ripple(self, hours: Floats) -> Floats:
        """How far the level is above its trend at these hours since the anchor; linear between the steps."""
        around = np.concatenate((self.profile[-1:], self.profile, self.profile[:1]))
        n = len(self.profile)
        flat = np.interp(hours / self.step_h % n, np.arange(-1, n + 1) + 0.5, around)
        return flat * self.scale(hours) if self.swell else flat

    def cliffs(self) -> NDArray[np.bool_]:
        """Phases where the profile changes so fast that the middle of a step says too little about the rest of it."""
        jump = np.abs(np.diff(np.concatenate((self.profile[-1:], self.profile, self.profile[:1]))))
        steep: NDArray[np.bool_] = np.maximum(jump[:-1], jump[1:]) > CLIFF * median(jump) + 0.02 * self.swing
        return steep

    def pruned(self) -> float | None:
        """When the level falls back to its lowest, in steps from phase 0; None if it falls gradually."""
        before, after = np.roll(self.profile, 1), np.roll(self.profile, -1)
        deepest = int(np.argmax(before - after))
        fall = float(before[deepest] - after[deepest])
        if fall <= PRUNED * self.swing or len(self.profile) <= 4:
            return None
        return deepest + float(np.clip((self.profile[deepest] - after[deepest]) / fall, 0, 1))


def find_cycle(
    lattice: Floats, over: Floats, first: int, step_h: int, least: float, hint: int | None = None
) -> Cycle | None:
    """Find the cycle in evenly spaced levels; None if there is none.

    over: how far the highest sample of a step is above its level. first: place of lattice[0], in steps from the anchor.
    least: a smaller swing is ignored. hint: another period to try, in steps (the spacing of clearings).
    """
    best: Cycle | None = None
    for period in _periods(lattice, step_h, hint):
        found = _fit(lattice, over, first, step_h, period)
        enough = LEFT_OVER if len(lattice) > SEEN_OFTEN * period else LEFT_OF_FEW
        if found is None or found.swing < least or found.left > enough:
            continue
        if best is None or _explains(lattice, first, found, best):
            best = found
    return best


def _explains(lattice: Floats, first: int, longer: Cycle, shorter: Cycle) -> bool:
    """Return whether a longer cycle leaves much less of its own frame than the shorter one does."""
    period = len(longer.profile)
    half = period // 2
    swing = lattice[half : half - period] - _moving_mean(lattice, period)
    hours = (np.arange(len(swing), dtype=np.float64) + first + half + 0.5) * longer.step_h
    of_longer, of_shorter = (_rest(swing, cycle.ripple(hours)) for cycle in (longer, shorter))
    return of_longer < BETTER * of_shorter


def _rest(swing: Floats, ripple: Floats) -> float:
    """What remains of the changes without a cycle."""
    rest = np.subtract(swing, ripple)
    return _high(np.abs(rest - median(rest)))


def _periods(lattice: Floats, step_h: int, hint: int | None) -> list[int]:
    """Periods that may be tried. A day is tried from the second day on; a longer period needs three cycles."""
    usual = {h // step_h for h in (DAY_H, WEEK_H) if h % step_h == 0}
    usual |= {hint} if hint is not None else set()
    return sorted(p for p in usual if p >= 4 and len(lattice) >= (2 * p + 2 if p * step_h <= DAY_H else 3 * p))


def _fit(lattice: Floats, over: Floats, first: int, step_h: int, period: int) -> Cycle | None:
    """The cycle of this period, with its residual."""
    half = period // 2
    swing = lattice[half : half - period] - _moving_mean(lattice, period)
    rounds = len(swing) // period
    whole = swing[len(swing) - rounds * period :].reshape(rounds, period)
    whole = whole - median(whole)
    used = whole[-CYCLES:]
    size = _high(np.abs(used))
    if size <= 0:
        return None
    profile = median_rows(used)
    left = _high(np.abs(used - profile)) / size if rounds > 1 else _once_again(lattice, period, size)
    above = over[half : half - period][len(swing) - len(used) * period :].reshape(used.shape)
    crest = median_rows(used + above) - profile.mean()
    profile = profile - profile.mean()
    start = (first + half + len(swing)) % period
    swell = _swell(whole, profile) / (period * step_h) if rounds >= SWELLS else 0.0
    centre_h = (first + half + len(swing) - len(used) * period / 2) * step_h
    return Cycle(np.roll(profile, start), np.roll(crest, start), step_h, left, len(lattice) // period, swell, centre_h)


def _once_again(lattice: Floats, period: int, size: float) -> float:
    """The residual of two cycles: there is only one comparison of equal phases, so it must agree more closely."""
    again = lattice[-period:] - lattice[-2 * period : -period]
    return 2 * _high(np.abs(again - median(again))) / size


def _swell(rounds: Floats, profile: Floats) -> float:
    """By which share of the profile the swing grows from cycle to cycle; 0 if that is not clear."""
    width = rounds @ profile / max(float(profile @ profile), 1e-300)
    x = np.arange(len(width)) - (len(width) - 1) / 2
    slope = float(x @ width) / float(x @ x)
    rest = width - width.mean() - slope * x
    error = float(np.sqrt(rest @ rest / (len(x) - 2) / (x @ x)))
    return slope if abs(slope) > SWELLS * error and abs(slope) * len(x) > 0.1 else 0.0


def _moving_mean(lattice: Floats, period: int) -> Floats:
    total = np.concatenate(([0.0], np.cumsum(lattice - lattice[0])))
    means: Floats = (total[period:-1] - total[: -period - 1]) / period + lattice[0]
    return means


def _high(values: Floats) -> float:
    """The 80th percentile: a fifth of the hours may be unusual."""
    flat = values.ravel()
    place = int(0.8 * (len(flat) - 1))
    return float(np.partition(flat, place)[place])
