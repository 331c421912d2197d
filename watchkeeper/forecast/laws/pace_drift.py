"""How much paces drift: the changes between neighbouring stretches of the record that are as long as the time left.

A straight line has none. A level whose growth changes every few weeks shows by how much, and its next pace is then as
uncertain as the earlier ones were. The size that nine of ten changes stay below is the order statistic of conformal
prediction (Vovk, Gammerman and Shafer 2005, Algorithmic Learning in a Random World): of n changes the one of rank
0.9 (n + 1). Not here: noise (noise.py).
"""

import math

import numpy as np

from watchkeeper.forecast.laws.first_passage import Z90
from watchkeeper.model.line import Floats

STRETCHES, MOST = 4, 24
"""Stretches in a record at least, so that there are three changes between overlapping ones; changes that are looked
at."""
FARTHEST = 16.0
"""Stretches say nothing about a time ahead that is longer than this many of them."""
HELD = 0.9
"""The share of changes that the drift holds."""
SEEN = 1.37
"""Means of three neighbouring stretches show a change of pace within the middle one as three quarters of what it is,
and the changes of a random walk as the root of a half."""


def drift(t: Floats, y: Floats, ahead_d: float, white: float = 0.0) -> float | None:
    """By how much a pace over `ahead_d` days differs from the one before it, in nine of ten cases. Level per day.

    t: days from now, rising, up to 0; y: level. white: spectral weight of its independent noise (noise.py), which is
    no drift. Where the record is shorter than four times the time ahead, shorter stretches are compared, and paces are
    taken to wander: their changes grow with the root of the time. None if it is much shorter.
    """
    if len(t) < 2:  # a clock that was far off can leave a single point before now
        return None
    room = -float(t[0])
    stretch_d = min(ahead_d, room / STRETCHES)
    if stretch_d <= float(t[-1] - t[-2]) or ahead_d > FARTHEST * stretch_d:
        return None
    room -= 3 * stretch_d
    count = min(int(room / (stretch_d / 2) + 1e-9) + 1, MOST)
    edges = -np.linspace(0, room, count)[:, None] - stretch_d * np.arange(3, -1, -1)
    mean = np.diff(_integral(t, y, edges), axis=1) / stretch_d
    changes = np.sort(np.abs(mean[:, 2] - 2 * mean[:, 1] + mean[:, 0])) / stretch_d
    found = float(changes[min(math.ceil(HELD * (count + 1)), count) - 1])
    of_noise = Z90 * math.sqrt(6 * white / stretch_d**3)
    return SEEN * math.sqrt(max(found**2 - of_noise**2, 0.0) * ahead_d / stretch_d)


def _integral(t: Floats, y: Floats, at: Floats) -> Floats:
    """The integral of the level, which is a straight line from point to point, from the first point up to each time."""
    whole = np.concatenate(([0.0], np.cumsum((y[1:] + y[:-1]) / 2 * np.diff(t))))
    place = np.clip(np.searchsorted(t, at, side="right") - 1, 0, len(t) - 2)
    after = at - t[place]
    slope = (y[place + 1] - y[place]) / np.maximum(t[place + 1] - t[place], 1e-9)
    return np.asarray(whole[place] + y[place] * after + slope * after**2 / 2, dtype=np.float64)
