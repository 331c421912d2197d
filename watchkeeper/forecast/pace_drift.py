"""How much paces drift: the changes between neighbouring stretches of the record that are as long as the time left.

A straight line has none. A level whose growth changes every few weeks shows by how much, and its next pace is then as
uncertain as the earlier ones were. The size that nine of ten changes stay below is the order statistic of conformal
prediction (Vovk, Gammerman and Shafer 2005, Algorithmic Learning in a Random World): of n changes the one of rank
0.9 (n + 1). Not here: noise (noise.py).
"""

import math

import numpy as np

from watchkeeper.model.line import Floats

FEWEST, MOST = 3, 24
"""Changes between neighbouring stretches: with fewer nothing is known; so many are looked at."""
HELD = 0.9
"""The share of changes that the drift holds."""


def drift(t: Floats, y: Floats, ahead_d: float) -> float | None:
    """By how much a pace over `ahead_d` days differs from the one before it, in nine of ten cases. Level per day.

    t: days from now, rising, up to 0; y: level. None if the record is too short to show it.
    """
    room = -float(t[0]) - 2 * ahead_d
    if room < (FEWEST - 1) * ahead_d / 2 or ahead_d <= 0:
        return None
    count = min(int(room / (ahead_d / 2)) + 1, MOST)
    middle = -ahead_d - np.linspace(0, room, count)
    before, now, after = (np.interp(middle + by, t, y) for by in (-ahead_d, 0.0, ahead_d))
    changes = np.sort(np.abs(after - 2 * now + before)) / ahead_d
    return float(changes[min(math.ceil(HELD * (count + 1)), count) - 1])
