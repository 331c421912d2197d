"""All samples in the same form: days before now, without cycle and steps, each with the time that it represents.

The newest are used as sampled, older ones as hours and days. Not here: their interpretation (trend_selection.py).
"""

from dataclasses import dataclass, replace

import numpy as np

from watchkeeper.forecast import noise as noises
from watchkeeper.forecast.history import LevelHistory
from watchkeeper.forecast.hourly_features import Past
from watchkeeper.forecast.noise import Noise
from watchkeeper.model.line import Floats
from watchkeeper.model.units import DAY_S, HOUR_S

FRESH_S = 6 * HOUR_S
"""This much before the open hour is used as sampled: a runaway is seen within minutes."""
LONGEST_D = 1 / 24
"""The maximum time that one sample represents; before it there was a gap."""
WILD = 8.0
"""A newest sample that is off by this many usual changes is ignored until a second one agrees with it."""
USUAL = 30
"""The number of changes that define what is usual."""


@dataclass(frozen=True, slots=True)
class Points:
    """t: days from now, rising, none after 0. y: level. weight: days. gap_d: days between the newest samples."""

    t: Floats
    y: Floats
    weight: Floats
    noise: Noise
    gap_d: float
    older: int = 0


def to_points(history: LevelHistory, past: Past | None, now_s: float) -> Points:
    """Everything up to now; samples in the future, left by a clock that was ahead, are ignored."""
    at, used, _ = history.recent()
    begin_s = max(past.end_s - FRESH_S, past.begin_s) if past else -np.inf
    fresh = (at >= begin_s) & (at <= now_s)
    at, used = at[fresh], without_spikes(at[fresh], used[fresh])
    t, weight = (at - now_s) / DAY_S, _weights((at - now_s) / DAY_S)
    if past is None:
        white, gap_d = noises.of_samples(t, used)
        return Points(t, used, weight, Noise(white, 0.0, gap_d, 0.0), gap_d)
    y, sound = past.plain(at, used)
    t, y, weight = t[sound], y[sound], weight[sound]
    white, gap_d = noises.of_samples(t, y)
    older = (past.at_s < min(float(at[0]) if len(at) else now_s, now_s)) & (past.at_s >= past.begin_s)
    return Points(
        np.concatenate(((past.at_s[older] - now_s) / DAY_S, t)),
        np.concatenate((past.level[older], y)),
        np.concatenate((past.weight[older], weight)),
        replace(past.noise, white=max(past.noise.white, white)),
        gap_d,
        int(older.sum()),
    )


def without_spikes(t: Floats, y: Floats) -> Floats:
    """The median of each sample and its neighbours: single outliers are removed, and a straight line is unchanged.

    The newest has no neighbour after it: it counts unless it is far off, and then from the next sample on.
    """
    if len(y) < 3:
        return y
    out = y.copy()
    a, b, c = y[:-2], y[1:-1], y[2:]
    out[1:-1] = np.maximum(np.minimum(a, b), np.minimum(np.maximum(a, b), c))
    if len(y) > noises.FEWEST_SAMPLES:
        pace = np.abs(np.diff(y[-USUAL:]) / np.maximum(np.diff(t[-USUAL:]), 1e-6))
        usual = np.sort(pace[:-1])
        if pace[-1] > WILD * usual[int(0.7 * len(usual))]:
            out[-1] = out[-2]
    return out


def _weights(t: Floats) -> Floats:
    """The time since the previous sample, with an upper bound."""
    if len(t) < 2:
        return np.full(len(t), LONGEST_D)
    gap = np.diff(t)
    return np.minimum(np.concatenate((gap[:1], gap)), LONGEST_D)
