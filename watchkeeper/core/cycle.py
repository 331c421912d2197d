"""Cycles in the use of a level: a nightly prune, a weekly backup. Found by comparing same phases, never assumed.

A cycle is believed where what is left after taking away the median of each phase is much less than what was there.
The median over cycles keeps one-off steps and jobs out of it.
"""

from dataclasses import dataclass

import numpy as np

from watchkeeper.core.trend import Floats

HOUR_S = 3_600.0
DAY_H, WEEK_H = 24, 168
LEFT_OVER = 0.5
"""A cycle must take away half of the swing at least."""
BETTER = 0.6
"""A longer cycle must leave less than this share of what a shorter one leaves."""
CYCLES = 8
"""The newest cycles that a phase's median is taken over."""


@dataclass(frozen=True, slots=True)
class Cycle:
    """profile[k]: how far the level stands above its trend in the k-th step of the cycle; phase 0 is index 0.

    crest[k]: the same for the highest sample within that step.
    step_h: hours in a lattice step; left: what it leaves, as a share of the swing.
    """

    profile: Floats
    crest: Floats
    step_h: int
    left: float

    @property
    def period_s(self) -> float:
        """Length of the cycle."""
        return len(self.profile) * self.step_h * HOUR_S

    @property
    def swing(self) -> float:
        """From its lowest to its highest."""
        return float(np.ptp(self.profile))


def find_cycle(lattice: Floats, over: Floats, first: int, step_h: int, hint: int | None = None) -> Cycle | None:
    """The cycle in evenly spaced levels; None where there is none.

    over: how far the highest sample of a step stands above its level. first: index of lattice[0], in steps. hint: another period to try, in steps (from the spacing of clearings).
    """
    best: Cycle | None = None
    for period in _periods(lattice, step_h, hint):
        found = _fit(lattice, over, first, step_h, period)
        if found is None or found.left > LEFT_OVER:
            continue
        if best is None or found.left < BETTER * best.left:
            best = found
    return best


def _periods(lattice: Floats, step_h: int, hint: int | None) -> list[int]:
    usual = {h // step_h for h in (DAY_H, WEEK_H) if h % step_h == 0}
    usual |= {hint} if hint is not None else set()
    return sorted(p for p in usual if p >= 4 and len(lattice) >= (2 * p + 2 if p * step_h <= DAY_H else 3 * p))


def _fit(lattice: Floats, over: Floats, first: int, step_h: int, period: int) -> Cycle | None:
    swing = lattice[period // 2 : period // 2 - period] - _moving_mean(lattice, period)
    count = min(len(swing) // period, CYCLES)
    if count < 2:
        return _single(lattice, over, first, step_h, period, swing)
    used = swing[len(swing) - count * period :].reshape(count, period)
    used = used - np.median(used)
    profile = np.median(used, axis=0)
    rest = np.abs(used - profile).ravel()
    whole = _high(np.abs(used).ravel())
    if whole <= 0:
        return None
    start = (first + period // 2 + len(swing) - count * period) % period
    above = used + over[period // 2 :][len(swing) - count * period : len(swing)].reshape(count, period)
    crest = np.median(above, axis=0) - profile.mean()
    return Cycle(np.roll(profile - profile.mean(), start), np.roll(crest, start), step_h, _high(rest) / whole)


def _single(
    lattice: Floats, over: Floats, first: int, step_h: int, period: int, swing: Floats
) -> Cycle | None:  # fmt: skip
    """Two cycles give one comparison of same phases, which must then agree the better."""
    used = swing[-period:]
    if len(used) < period:
        return None
    used = used - np.median(used)
    again = lattice[-period:] - lattice[-2 * period : -period]
    whole = _high(np.abs(used))
    if whole <= 0:
        return None
    left = 2 * _high(np.abs(again - np.median(again))) / whole
    start = (first + period // 2 + len(swing) - period) % period
    crest = used - used.mean() + over[period // 2 :][len(swing) - period : len(swing)]
    return Cycle(np.roll(used - used.mean(), start), np.roll(crest, start), step_h, left)


def _moving_mean(lattice: Floats, period: int) -> Floats:
    total = np.concatenate(([0.0], np.cumsum(lattice - lattice[0])))
    return (total[period:-1] - total[: -period - 1]) / period + lattice[0]


def _high(values: Floats) -> float:
    """The 80 % point: a fifth of the hours may be odd."""
    place = int(0.8 * (len(values) - 1))
    return float(np.partition(values, place)[place])
