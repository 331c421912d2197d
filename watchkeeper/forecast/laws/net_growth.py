"""The law of net growth: what the level gained over windows of many lengths, whatever it was made of.

Jumps, bursts, rests and clearings count as often and as large as they came. Each window has a pace, and the variance
that its own parts show. A window counts little if a newer and shorter one contradicts it (the rule of Lepski 1990,
Theory Probab. Appl. 35:454, as a weight). The law is the mixture of all windows' laws. Not here: trends
(trend_selection.py), how long single rises took (passage_times.py).
"""

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from watchkeeper.forecast.laws.law import GRID, normal
from watchkeeper.model.line import Floats

PARTS = 16
"""Each window is divided into this many parts, whose gains show how unevenly it grew."""
RATIO = 1.6
"""Each window is longer than the previous one by this factor."""
TOLERATED = 4.0
"""Squared standard errors by which a shorter window may differ before the longer one loses weight."""
DRIFT = 0.05
"""The share by which a pace changes in addition to what the parts of its window show."""

TRIALS, INDEPENDENT = 24, 8.0
"""Moments of the past from which the windows are tried, and as how many independent ones they count at most."""
FAR_OFF, LEAST, PRIOR = 16.0, 0.02, 4.0
"""A trial's squared standard error counts up to this; the smallest standard deviation of a trial is this share of the
largest gain; and the variance of a window is worth this many trials."""


@dataclass(frozen=True, slots=True)
class Windows:
    """Windows that end now, shortest first: length in days, gain a day, variance gained a day, share of the mixture."""

    reach: Floats
    pace: Floats
    variance: Floats
    weight: Floats

    def only(self, which: NDArray[np.bool_]) -> "Windows | None":
        """The mixture of some of them; None if they have no weight."""
        weight = self.weight * which
        total = float(weight.sum())
        return replace(self, weight=weight / total) if total > 1e-6 else None

    def error(self) -> Floats:
        """The standard error of each pace."""
        return np.sqrt(self.variance / self.reach)


def windows(t: Floats, y: Floats, shortest_d: float) -> Windows | None:
    """The windows of a record that ends now; None if it is too short for one. t: days from now, rising; y: level."""
    total = -float(t[0])
    if total < shortest_d:
        return None
    steps = int(math.log(total / shortest_d) / math.log(RATIO) + 0.5) + 1
    reach = total / RATIO ** np.arange(steps)[::-1].astype(np.float64)
    level = np.interp(-reach[:, None] * np.linspace(1, 0, PARTS + 1)[None, :], t, y)
    pace = (level[:, -1] - level[:, 0]) / reach
    variance = _variance(level) * PARTS / reach
    return Windows(reach, pace, variance, weights(reach, pace, variance))


def _variance(level: Floats) -> Floats:
    """Of one part's gain, from parts, pairs and fours of parts: the largest, since bursts last."""
    found = [np.diff(level[:, ::k], axis=1).var(axis=1, ddof=1) / k for k in (1, 2, 4)]
    largest: Floats = np.maximum(
        np.maximum(found[0], found[1]), 0.7 * found[2]
    )  # fours are few, and their variance uncertain
    return largest


def weights(reach: Floats, pace: Floats, variance: Floats) -> Floats:
    """The share of each window: as its length allows, and by the density of what a shorter one contradicts it by."""
    # A short window shows noise that hardly adds to the variance of a long one.
    larger = np.maximum(variance[:, None], variance[None, :])
    off = (pace[:, None] - pace[None, :]) ** 2 / (larger / reach[:, None] + 1e-30)
    worst = np.where(reach[:, None] < reach[None, :], off, 0.0).max(axis=0)
    weight = np.sqrt(reach) * np.exp(-0.5 * np.clip(worst - TOLERATED, 0, 1000))
    return np.asarray(weight / weight.sum())


def tried(w: Windows, t: Floats, y: Floats, ahead_d: float) -> Windows:
    """The same windows, weighted by how well such windows predicted what this record gained in `ahead_d` days.

    From moments of the past each window's law is compared with the gain that followed: its mean logarithmic score
    (Dawid 1984, J. R. Stat. Soc. A 147:278) is evidence as often as the time ahead fits into the record, and the mean
    of the squared standard errors corrects its variance. A record that is too short changes nothing.
    """
    room = -float(t[0]) - ahead_d
    if room < 2 * ahead_d or ahead_d <= 0:
        return w
    at = -ahead_d - np.linspace(0, 1, TRIALS) * (room - float(w.reach[0]))
    gained = np.interp(at + ahead_d, t, y) - np.interp(at, t, y)
    edges = at[:, None, None] - w.reach[None, :, None] * np.linspace(1, 0, PARTS + 1)
    level = np.interp(edges, t, y)
    known = edges[:, :, 0] >= float(t[0]) - 1e-9
    pace = (level[:, :, -1] - level[:, :, 0]) / w.reach
    flat = level.reshape(-1, PARTS + 1)
    own = _variance(flat).reshape(pace.shape) * PARTS / w.reach
    variance = own * ahead_d + (own / w.reach + (DRIFT * pace) ** 2) * ahead_d**2
    variance = np.maximum(variance, (LEAST * np.abs(gained).max(initial=1e-300)) ** 2)
    off = np.minimum((pace * ahead_d - gained[:, None]) ** 2 / variance, FAR_OFF)
    seen = np.maximum(known.sum(axis=0), 1)
    score = (np.where(known, -0.5 * (off + np.log(variance)), 0.0)).sum(axis=0) / seen
    missed = np.where(known, off, 0.0).sum(axis=0) / seen
    count = min(room / ahead_d, INDEPENDENT) * seen / TRIALS
    could = known.any(axis=0)
    evidence = count * (score - score[could].max())
    # A window as long as the record cannot be tried; it has what the others have on average.
    weight = w.weight * np.exp(np.where(could, evidence, evidence[could].mean()))
    wider = (PRIOR + count * missed) / (PRIOR + count)
    return Windows(w.reach, w.pace, w.variance * wider, np.asarray(weight / weight.sum()))


def law(w: Windows, need: float) -> Floats:
    """P(the level has gained what is needed), on the grid of times."""
    h = GRID[:, None]
    variance = w.variance * h + (w.variance / w.reach + (DRIFT * w.pace) ** 2) * h * h
    p = normal((w.pace * h - need) / np.sqrt(variance + 1e-30 + (1e-6 * need) ** 2))
    return np.asarray(np.maximum.accumulate(p @ w.weight), dtype=np.float64)
