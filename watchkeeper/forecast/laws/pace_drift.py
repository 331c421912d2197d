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
SEEN = 1.37
"""Means of three neighbouring stretches show a change of pace within the middle one as three quarters of what it is,
and the changes of a random walk as the root of a half."""


def drift(t: Floats, y: Floats, ahead_d: float) -> float | None:
    """By how much a pace over `ahead_d` days differs from the one before it, in nine of ten cases. Level per day.

    t: days from now, rising, up to 0; y: level. None if the record is too short to show it.
    """
    room = -float(t[0]) - 3 * ahead_d
    if room < (FEWEST - 1) * ahead_d / 2 or ahead_d <= 0:
        return None
    count = min(int(room / (ahead_d / 2)) + 1, MOST)
    whole = np.concatenate(([0.0], np.cumsum((y[1:] + y[:-1]) / 2 * np.diff(t))))
    edges = -np.linspace(0, room, count)[:, None] - ahead_d * np.arange(3, -1, -1)
    mean = np.diff(np.interp(edges, t, whole), axis=1) / ahead_d
    changes = np.sort(np.abs(mean[:, 2] - 2 * mean[:, 1] + mean[:, 0])) / ahead_d
    return SEEN * float(changes[min(math.ceil(HELD * (count + 1)), count) - 1])
