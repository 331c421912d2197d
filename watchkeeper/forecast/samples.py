"""All samples in the same form: days before now, without cycle and steps, each with the time that it represents.

The newest are used as sampled, older ones as hours and days. Not here: their interpretation (trend_selection.py).
"""

from dataclasses import dataclass, replace

import numpy as np

from watchkeeper.forecast import noise as noises
from watchkeeper.forecast.history import LevelHistory
from watchkeeper.forecast.hourly_features import BEYOND, Past
from watchkeeper.forecast.noise import Noise
from watchkeeper.forecast.sorted_values import median
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

BESIDE, SEEN = 3, 2
"""Samples on each side of a drop whose median is its level; so many must confirm it."""
PART = 0.05
"""A change belongs to a drop if it is at least this share of its largest one."""
OF_ROOM = 0.5
"""A fall by this share of the room that ended a fill is the end of it."""
LOST, TAKEN = 0.3, 0.3
"""A drop has not stayed if so much of it was filled again; and it ended a rise of hours if in the day before the level
had been this near to where it is now: both as shares of the drop."""
DAY_D = 1.0
ENOUGH = 4
"""Samples since room was made that show a trend of their own."""


@dataclass(frozen=True, slots=True)
class Drop:
    """Room that was made. at_d: when, in days from now; size: how much; level: what is left.

    job: it took back a rise of hours.
    """

    at_d: float
    size: float
    level: float
    job: bool

    def without(self, t: Floats, y: Floats) -> Floats:
        """A record as if the room had never been used; without the rise, if it was a job. t: days from now."""
        if self.job:
            return np.where((t < self.at_d) & (t >= self.at_d - DAY_D), np.minimum(y, self.level), y)
        return np.where(t < self.at_d, y - self.size, y)


@dataclass(frozen=True, slots=True)
class Points:
    """t: days from now, rising, none after 0. y: level. weight: days. gap_d: days between the newest samples.

    older: how many of them are hours and days; first: which of these is the first.
    drop: room that was made in the last hours, if the hours do not show it yet. fallen: how far the newest sample is
    below what was taken in its place; 0 if it was taken itself.
    """

    t: Floats
    y: Floats
    weight: Floats
    noise: Noise
    gap_d: float
    older: int = 0
    first: int = 0
    drop: Drop | None = None
    fallen: float = 0.0


def to_points(history: LevelHistory, past: Past | None, now_s: float, least: float) -> Points:
    """Everything up to now; samples in the future, left by a clock that was ahead, are ignored.

    least: the smallest drop that counts, in the level's unit.
    """
    at, used, _ = history.recent()
    begin_s = max(past.end_s - FRESH_S, past.begin_s) if past else -np.inf
    fresh = (at >= begin_s) & (at <= now_s)
    at, raw = at[fresh], used[fresh]
    used = without_spikes(at, raw)
    fallen = float(used[-1] - raw[-1]) if len(raw) else 0.0
    first = _since_room(used, past)
    at, used = at[first:], used[first:]
    t, weight = (at - now_s) / DAY_S, _weights((at - now_s) / DAY_S)
    if past is None:
        white, gap_d = noises.of_samples(t, used)
        return Points(t, used, weight, Noise(white, 0.0, gap_d, 0.0), gap_d, fallen=fallen)
    y, sound = past.plain(at, used)
    t, y, weight = t[sound], y[sound], weight[sound]
    young = len(t) < ENOUGH and past.begin_s > -np.inf  # too little since room was made: what was before, without that
    older = (past.at_s < min(float(at[0]) if len(at) else now_s, now_s)) & (young | (past.at_s >= past.begin_s))
    old_t, old_y = (past.at_s[older] - now_s) / DAY_S, (past.whole if young else past.level)[older]
    if past.cycle is not None:  # what its own prune frees is no room that was made
        least = max(least, BEYOND * past.cycle.swing)
    drop = _room_made(t, y, old_y[old_t > float(t[0]) - DAY_D], least) if len(t) else None
    if drop is not None:
        y, old_y = drop.without(t, y), drop.without(old_t, old_y)
    white, gap_d = noises.of_samples(t, y)
    return Points(
        np.concatenate((old_t, t)),
        np.concatenate((old_y, y)),
        np.concatenate((past.weight[older], weight)),
        replace(past.noise, white=max(past.noise.white, white)),
        gap_d,
        int(older.sum()),
        int(older.argmax()),
        drop,
        fallen,
    )


def _since_room(used: Floats, past: Past | None) -> int:
    """The place of the first sample after the last fill was ended, if that is in these: its last hour holds others."""
    if past is None or past.begin_s < past.end_s - FRESH_S:
        return 0
    deep = np.flatnonzero(np.diff(used) < OF_ROOM * past.drops[0].size)
    return int(deep[-1]) + 1 if len(deep) else 0


def _room_made(t: Floats, y: Floats, before: Floats, least: float) -> Drop | None:
    """The room that was made within the newest samples; None if none was.

    before: the levels of the day before the first of them.
    """
    if len(y) < 2 * BESIDE + 1:
        return None
    change = np.diff(y)
    deepest = int(np.argmin(change))
    low = np.flatnonzero(change >= PART * change[deepest])  # steps that do not belong to the drop
    first = int(low[low < deepest].max(initial=-1)) + 1
    last = int(low[low > deepest].min(initial=len(change)))
    above, below = y[max(first - BESIDE + 1, 0) : first + 1], y[last : last + BESIDE]
    size = float(median(above) - median(below)) if len(below) else 0.0
    rest = np.sort(np.abs(np.delete(change, slice(first, last))))
    usual = float(rest[-2:].mean()) if len(rest) else 0.0
    if size < max(least, WILD / 2 * usual) or len(below) < SEEN or y[last:].max() > below[0] + LOST * size:
        return None
    lowest, level = min(float(y[: first + 1].min()), float(before.min(initial=np.inf))), median(below)
    return Drop(float(t[last]), size, level, job=lowest < level + TAKEN * size)


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
