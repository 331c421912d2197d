"""When a store will be full if it keeps growing as recorded, and if more is added: by simulating futures.

A future is a path from now on: the present trend, with a slope drawn from its own uncertainty, plus blocks of the
recorded past laid end to end (growth_pattern.py). Blocks are whole cycles and begin at the current phase, so that the
nightly prune stays at night.

First passage is determined from the hours of the record with their highest samples. If a path is only sampled at
intervals, the passage comes late, as if the level to reach were 0.58 standard deviations of a step higher (Chernoff
1965, Ann. Math. Stat. 36:55; Broadie, Glasserman and Kou 1997, Math. Finance 7:325); with fine steps that keep their
highest sample, none of that bias remains. The hours are examined only in the block in which a path fills, so that ten
years cost little. The seed is fixed and the draws are the same for every question: what is added can only bring the
end nearer.

Not here: how the record is decomposed (growth_pattern.py), what an operator asks (question.py), what the answer is
(decide.py).
"""

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from watchkeeper.forecast.laws.first_passage import FAR_D
from watchkeeper.model.line import Floats
from watchkeeper.planning.capacity.growth_pattern import Growth, Places

SEED = 20_261_125
RUNS = 2_000
"""With this many, the share of runs before the 5 % point is known to within half a percent (binomial law)."""
CHUNK = 128
"""Blocks drawn at a time: more than a year."""
EARLY, LIKELY, LATE = 0.05, 0.5, 0.95
SOON_D, BEYOND_D = 1e-3, 1.001 * FAR_D
"""What is full sooner counts as full then, and what never fills as full just beyond ten years."""


@dataclass(frozen=True, slots=True)
class Added:
    """What is added to the store: so much now, so much more each day, and never more than most."""

    now: float = 0.0
    per_day: float = 0.0
    most: float = math.inf

    def at(self, t: Floats) -> Floats:
        """How much it is after t days."""
        return np.minimum(self.now + self.per_day * t, max(self.most, self.now))


NOTHING = Added()


@dataclass(frozen=True, slots=True)
class TimeToFull:
    """Days from now. earliest, likely, latest: the 5, 50 and 95 % points of the runs; None beyond ten years.

    never_share: the share of runs that do not fill within ten years. straight_d: the present trend and nothing else,
    (capacity - used) / slope; None if it does not get there within ten years.
    """

    earliest_d: float | None
    likely_d: float | None
    latest_d: float | None
    never_share: float
    straight_d: float | None

    def fills_by(self, days: float) -> bool:
        """Does it fill by then in more than one run of twenty?"""
        return self.earliest_d is not None and self.earliest_d <= days


@dataclass(frozen=True, slots=True)
class Height:
    """The level after some days: the median of the runs, and what one run in twenty exceeds."""

    likely: float
    high: float


def time_to_full(growth: Growth, used: float, capacity: float, added: Added = NOTHING) -> TimeToFull:
    """When the level is full. used: now. The early end allows for one more one-off rise if there has been one.

    With nothing added, it is what the forecast says.
    """
    early, likely, late = _scaled(_points(growth, capacity - used, added), _slower(growth))
    ends = first_passages(growth, capacity - used, added)
    return TimeToFull(
        earliest_d=_within(early),
        likely_d=_within(likely),
        latest_d=_within(late),
        never_share=float(np.isinf(ends).mean()),
        straight_d=straight(growth.slope, capacity - used, added),
    )


def _within(days: float) -> float | None:
    return days if days <= FAR_D else None


Points = tuple[float, float, float]


def _points(growth: Growth, need: float, added: Added = NOTHING) -> Points:
    """The 5, 50 and 95 % points of the draws."""
    ends = first_passages(growth, need, added)
    early = first_passages(growth, need - growth.again, added) if growth.again else ends
    return _point(early, EARLY), _point(ends, LIKELY), _point(ends, LATE)


@lru_cache(maxsize=8)
def _slower(growth: Growth) -> Points:
    """By how much later the forecast has each point than the draws have it, as ratios.

    The forecast knows more than the draws: past passages, jobs, and paces that drift. Each point of a question's answer
    is scaled by the ratio of its own, so that with nothing added both say the same.
    """
    if growth.ends is None:
        return 1.0, 1.0, 1.0
    early, likely, late = (
        _bounded(told) / _bounded(drawn) for told, drawn in zip(growth.ends, _points(growth, growth.need), strict=True)
    )
    return early, likely, late


def _bounded(days: float) -> float:
    return min(max(days, SOON_D), BEYOND_D)


def _scaled(points: Points, by: Points) -> Points:
    """The points of the answer; in their order, also where a ratio changes it."""
    early, likely, late = (_bounded(days) * ratio if days > 0 else 0.0 for days, ratio in zip(points, by, strict=True))
    return min(early, likely), likely, max(late, likely)


def straight(slope: float, need: float, added: Added = NOTHING) -> float | None:
    """Days until the trend alone has gained what is needed; None if that takes more than ten years."""
    if need <= added.now:
        return 0.0
    most = max(added.most, added.now)
    to_most_d = (most - added.now) / added.per_day if added.per_day > 0 else math.inf
    both = slope + added.per_day
    days = (need - added.now) / both if both > 0 else math.inf
    if days > to_most_d:  # by then the added part has reached its maximum
        days = (need - most) / slope if slope > 0 else math.inf
    return days if days <= FAR_D else None


def first_passages(growth: Growth, need: float, added: Added = NOTHING, runs: int = RUNS) -> Floats:
    """For each run the days until the level has gained what is needed; infinite if it has not in ten years."""
    if need <= added.now:
        return np.zeros(runs)
    out, gained = np.full(runs, np.inf), np.zeros(runs)
    draws = _Draws(growth, runs)
    for first in range(0, math.ceil(FAR_D / growth.block_d), CHUNK):
        drawn = draws.more()
        left = np.flatnonzero(np.isinf(out))
        if not len(left):
            break
        out[left] = _passages(draws, drawn[left], gained[left], left, first, need + growth.ripple, added)
        gained += draws.net[drawn].sum(axis=1)
    return np.where(out <= FAR_D, out, np.inf)


def most_for(growth: Growth, need: float, days: float) -> float:
    """How much could be added at once so that the store is not full within that many days in 19 of 20 runs."""
    draws = _Draws(growth, RUNS)
    drawn = draws.more()[:, : math.ceil(days / _slower(growth)[0] / growth.block_d)]
    noise, path = draws.before(drawn, np.zeros(RUNS)), draws.path(_edges(growth, 0, drawn.shape[1]), np.arange(RUNS))
    highest = (noise + draws.peak[drawn] + np.maximum(path[:, :-1], path[:, 1:])).max(axis=1) - growth.ripple
    place = RUNS - math.ceil(EARLY * RUNS)
    return need - growth.again - float(np.partition(highest, place)[place])


def height(growth: Growth, used: float, days: float, added: Added = NOTHING) -> Height:
    """The level after some days, a year at most, without the cycle on top of it."""
    draws = _Draws(growth, RUNS)
    blocks = min(round(days / growth.block_d), CHUNK)
    gained = draws.net[draws.more()[:, :blocks]].sum(axis=1)
    at = np.array([days])
    ends = np.sort(used + gained + draws.path(at, np.arange(RUNS))[:, 0] + added.at(at)[0])
    return Height(float(ends[_place(LIKELY)]), float(ends[_place(LATE)]))


class _Draws:
    """The draws of one question: a slope for each run, and the order of the blocks. Always the same ones."""

    def __init__(self, growth: Growth, runs: int) -> None:
        self.growth, self._runs = growth, runs
        self._rng = np.random.default_rng(SEED)
        self._slope = growth.slope + growth.slope_error * self._rng.standard_normal(runs)
        climb = np.concatenate(([0.0], np.cumsum(growth.rise)))
        steps = growth.starts[:, None] + np.arange(1, growth.block + 1)
        self.inside = climb[steps] - climb[growth.starts][:, None] + growth.top[steps]
        self.net = climb[growth.starts + growth.block] - climb[growth.starts]
        self.peak = self.inside.max(axis=1)

    def more(self) -> Places:
        """The next blocks of every run."""
        return self._rng.integers(len(self.net), size=(self._runs, CHUNK))

    def before(self, drawn: Places, gained: Floats) -> Floats:
        """What was gained before each block began."""
        net = self.net[drawn]
        out: Floats = gained[:, None] + np.cumsum(net, axis=1) - net
        return out

    def path(self, t: Floats, runs: Places) -> Floats:
        """The trend of these runs after t days; t is one row for all of them, or one for each."""
        out: Floats = self._slope[runs][:, None] * t + self.growth.bent(t)
        return out


def _edges(growth: Growth, first: int, count: int) -> Floats:
    """The days at which blocks begin, and the day at which the last one ends."""
    edges: Floats = np.arange(first, first + count + 1, dtype=np.float64) * growth.block_d
    return edges


def _passages(
    draws: _Draws, drawn: Places, gained: Floats, runs: Places, first: int, need: float, added: Added
) -> Floats:
    """The passages within a chunk of blocks: only blocks that may hold one are examined, the earliest first."""
    growth = draws.growth
    edges = _edges(growth, first, CHUNK)
    before, path = draws.before(drawn, gained), draws.path(edges, runs) + added.at(edges)
    may = before + draws.peak[drawn] + np.maximum(path[:, :-1], path[:, 1:]) >= need
    out = np.full(len(runs), np.inf)
    ahead = np.arange(1, growth.block + 1) * growth.step_d
    open_ = np.flatnonzero(may.any(axis=1))
    while len(open_):
        block = may[open_].argmax(axis=1)
        inside = draws.inside[drawn[open_, block]] + before[open_, block][:, None]
        t = edges[block][:, None] + ahead
        inside += draws.path(t, runs[open_]) + added.at(t)
        there = inside >= need
        fills = there.any(axis=1)
        out[open_[fills]] = (t - growth.step_d / 2)[fills, there[fills].argmax(axis=1)]
        may[open_, block] = False
        open_ = open_[~fills]
        open_ = open_[may[open_].any(axis=1)]
    return out


def _point(ends: Floats, share: float) -> float:
    """The earliest time by which this share of the runs has passed; infinite for never."""
    return float(np.sort(ends)[math.ceil(share * len(ends)) - 1])


def _place(share: float) -> int:
    return math.ceil(share * RUNS) - 1
