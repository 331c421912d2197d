"""What fill histories are made of: times, noise, cycles, ramps, and the case that holds a history with its truth.

A case is what a probe would have recorded on a store of 1 TB, and the truth that the probe could not know. Nothing of
the forecast may be imported here: the truth must not depend on what it judges.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Rng = np.random.Generator

MINUTE, HOUR, DAY, WEEK = 60.0, 3600.0, 86_400.0, 604_800.0
STEP = 10 * MINUTE
CAPACITY = 1e12


@dataclass(frozen=True)
class Case:
    """A history.

    full_at: seconds from its start at which the store was full, None if never; onset: at which the growth that filled
        it began, so the earliest moment at which the end could have been foreseen.
    """

    name: str
    time: Floats
    used: Floats
    capacity: Floats
    full_at: float | None
    onset: float


Family = Callable[[Rng], Case]


def days(n: float, step: float = STEP) -> Floats:
    """Times from 0 to n days, one a step."""
    return np.arange(0, n * DAY, step)


def white(rng: Rng, n: int, sd: float) -> Floats:
    """Independent noise."""
    return rng.normal(0, sd, n)


def wander(rng: Rng, n: int, sd: float, memory: float = 0.98) -> Floats:
    """Mean-reverting noise of standard deviation sd (an AR(1) process)."""
    shocks = rng.normal(0, sd * np.sqrt(1 - memory**2), n)
    out, x = np.empty(n), 0.0
    for i, e in enumerate(shocks):
        out[i] = x = memory * x + e
    return out


def walk(rng: Rng, time: Floats, sd_a_day: float) -> Floats:
    """A random walk: its standard deviation after a day is sd_a_day."""
    steps = np.diff(time, prepend=time[0]) / DAY
    return np.cumsum(rng.normal(0, 1, len(time)) * sd_a_day * np.sqrt(steps))


def saw(time: Floats, period: float, phase: float) -> Floats:
    """A ramp from 0 to 1 once every period: what snapshots hold until they are pruned."""
    return (time / period + phase) % 1.0


def ramp(time: Floats, start: float, duration: float) -> Floats:
    """0 before start, 1 after start + duration, straight between."""
    return np.clip((time - start) / duration, 0, 1)


def since(time: Floats, start: float) -> Floats:
    """Days since start; 0 before it."""
    return np.clip(time - start, 0, None) / DAY


def cut(name: str, time: Floats, share: Floats, onset: float = 0.0, capacity: Floats | None = None) -> Case:
    """End the history where the store fills. `share` is the used share of CAPACITY."""
    capacity = np.full_like(time, CAPACITY) if capacity is None else capacity
    used = np.maximum(share * CAPACITY, 0)
    hit = np.nonzero(used >= capacity)[0]
    if not len(hit):
        return Case(name, time, used, capacity, None, onset)
    end = int(hit[0]) + 1
    return Case(name, time[:end], np.minimum(used, capacity)[:end], capacity[:end], float(time[hit[0]]), onset)


def thin(case: Case, keep: NDArray[np.bool_], name: str) -> Case:
    """Leave samples out; the last one stays."""
    keep = keep.copy()
    keep[-1] = True
    return Case(name, case.time[keep], case.used[keep], case.capacity[keep], case.full_at, case.onset)


def make(family: Family, seed: int) -> Case:
    """One case of a family; the same seed gives the same case."""
    return family(np.random.default_rng([seed, *family.__name__.encode()]))
