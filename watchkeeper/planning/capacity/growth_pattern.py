"""How a level grows, decomposed so that futures can be drawn from it: a trend, a wandering mean, and what is on top.

The level's mean over one cycle (a day if there is none) wanders. Its increments without the trend are what is drawn, in
overlapping blocks (moving blocks: Künsch 1989, Ann. Stat. 17:1217). What is above that mean, the cycle and the noise
with the highest sample of each hour, is added on top and does not accumulate: increments of the level itself would
count each end of a block twice as noise.

Not here: the drawing (futures.py).
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from watchkeeper.forecast import calibration
from watchkeeper.forecast.forecast import forecast
from watchkeeper.forecast.history import LevelHistory
from watchkeeper.forecast.hourly_features import Past, study
from watchkeeper.model.forecast import Forecast, NoEnd
from watchkeeper.model.line import Floats
from watchkeeper.model.units import DAY_S, HOUR_S

BLOCK_D = 3.0
"""The minimum length of a block: what is correlated over days is drawn together."""
LEAST_D = 7.0
"""A record of less than a week has not covered every weekday: nothing is drawn from it."""
SEEN_D = LEAST_D / 2
"""The minimum that must have been sampled: a host may sleep at night, and a straight line across a gap is no record."""

Places = NDArray[np.int64]


@dataclass(frozen=True, slots=True, eq=False)
class Growth:
    """How a level grows, as recorded. Levels in the level's unit, times in days.

    slope, slope_error: of the trend, a day. trend: as it was found; slope is 0 for a level that shrinks.
    bend: coefficient of t^2, which applies for bend_d days; the path is straight after that.
    rise[k]: the gain of the mean over a cycle from place k to the next, without the trend. top[k]: how far the highest
    sample at a place is above that mean. Both are step_d apart. starts: the places where a block of `block` steps may
    begin. ripple: how far the level usually is above that mean at the current phase.
    again: the size of a one-off rise such as has happened before; 0 for none. recorded_d: the length of the record.
    cycle_d: length of the cycle; 0 for none.
    ends: the 5, 50 and 95 % points of the forecast, in days, the last one infinite if its range is open; None without
    a forecast. need: what the level had to gain for them.
    """

    slope: float
    slope_error: float
    step_d: float
    rise: Floats
    top: Floats
    starts: Places
    block: int
    bend: float = 0.0
    bend_d: float = 0.0
    ripple: float = 0.0
    again: float = 0.0
    trend: float | None = None
    recorded_d: float = 0.0
    cycle_d: float = 0.0
    ends: tuple[float, float, float] | None = None
    need: float = 0.0

    @property
    def block_d(self) -> float:
        """Length of a block."""
        return self.block * self.step_d

    def bent(self, t: Floats) -> Floats:
        """What the bend adds after t days."""
        within = np.minimum(t, self.bend_d)
        return self.bend * within * (2 * t - within)


def recorded(history: LevelHistory, now_s: float, range_width: float = 1.0) -> Growth | None:
    """How a level has grown since its trend began; None if the record is too short to say.

    If a trend is younger than a week, or than three cycles, what happened before it still shows how the level varies.
    If a rise is cleared again and again, the trend is the net of all rises and clearings. A level that shrinks is
    treated as constant: somebody is cleaning up, and that ends; space that is not free yet is not given away.
    range_width: of the forecast, in that of its law (forecast/calibration.py).
    """
    found = calibration.adjusted(forecast(history, now_s), range_width)
    past = study(history, found.capacity)
    if past is None or found.line is None or found.growth_per_day is None or found.since_s is None:
        return None
    cleared = found.no_end is NoEnd.CLEARED
    least_d = max(LEAST_D, _needed_d(past.cycle.period_s / DAY_S) if past.cycle else 0.0)
    since_s = past.at_s[0] if cleared else min(found.since_s, now_s - least_d * DAY_S - 2 * HOUR_S)
    slope = 0.0 if cleared else found.growth_per_day
    parts = _parts(history, past, float(since_s), slope)
    recorded_d = (now_s - float(past.at_s[0])) / DAY_S
    if parts is None or recorded_d < LEAST_D:
        return None
    trend = parts.gained if cleared else slope
    return Growth(
        slope=max(trend, 0.0),
        trend=trend,
        slope_error=parts.gained_error if cleared else found.line.slope_error * DAY_S,
        step_d=parts.step_d,
        rise=parts.rise,
        top=parts.top,
        starts=parts.starts,
        block=parts.block,
        bend=0.0 if cleared or trend < 0 else found.bend,
        bend_d=max(now_s - found.since_s, 0.0) / DAY_S,
        ripple=parts.ripple,
        again=past.next_step(),
        recorded_d=recorded_d,
        cycle_d=past.cycle.period_s / DAY_S if past.cycle else 0.0,
        ends=_ends(found),
        need=found.capacity - found.used,
    )


def _ends(found: Forecast) -> tuple[float, float, float] | None:
    if found.earliest_s is None or found.likely_s is None:
        return None
    latest_s = math.inf if found.latest_s is None else found.latest_s
    early, likely, late = ((at_s - found.at_s) / DAY_S for at_s in (found.earliest_s, found.likely_s, latest_s))
    return early, likely, late


def _needed_d(period_d: float) -> float:
    """Two cycles for the means and the phase, and a block of whole cycles."""
    return period_d * (2 + math.ceil(BLOCK_D / period_d))


@dataclass(frozen=True, slots=True, eq=False)
class _Parts:
    """The decomposed record; gained: what the mean gains a day beyond the trend, and the standard error of that."""

    step_d: float
    rise: Floats
    top: Floats
    starts: Places
    block: int
    ripple: float
    gained: float
    gained_error: float


def _parts(history: LevelHistory, past: Past, since_s: float, slope: float) -> _Parts | None:
    """Decompose the record since an instant into what wanders and what is on top of it."""
    hours = _Hours(history, past, since_s, slope)
    if not hours.enough:
        return None
    round_ = len(past.cycle.profile) if past.cycle else max(round(1 / hours.step_d), 1)
    block = round_ * math.ceil(BLOCK_D / (round_ * hours.step_d))
    if len(hours.level) < 2 * round_ + block:
        return None
    mean = _moving_mean(hours.level, round_)
    own = slice(round_ // 2, round_ // 2 + len(mean))  # the places with a mean over a whole round around them
    now = (len(hours.level) - 1 - own.start) % round_  # the first of them at the current phase
    starts = np.arange(now, len(mean) - block, round_) if past.cycle else np.arange(len(mean) - block)
    rise, fast = np.diff(mean), hours.level[own] - mean
    nets = mean[starts + block] - mean[starts]
    # The mean over a round of a random walk has, over a block, a third of a round less variance than the walk itself.
    lost = math.sqrt(block / (block - round_ / 3))
    return _Parts(
        step_d=hours.step_d,
        rise=(rise - nets.mean() / block) * lost,
        top=fast + hours.above[own],
        starts=starts,
        block=block,
        ripple=float(np.median(fast[now::round_])) if past.cycle else 0.0,
        gained=float(nets.mean()) / (block * hours.step_d),
        gained_error=float(nets.std()) / math.sqrt(max(len(rise) / block, 1.0)) / (block * hours.step_d),
    )


class _Hours:
    """The complete hours since an instant at even steps, without trend and one-off steps, gaps interpolated linearly.

    level: the middle of each. above: how far its highest sample is above that. enough: was enough sampled?
    """

    def __init__(self, history: LevelHistory, past: Past, since_s: float, slope: float) -> None:
        hours = history.hours()
        step_h = max(int(np.median(np.diff(hours.index))), 1)
        begun = hours.at >= since_s
        place, at_s = hours.index[begun] // step_h, hours.at[begun]
        self.step_d = step_h / 24
        self.enough = len(place) * self.step_d >= SEEN_D
        if self.enough:
            plain = _plain(past, at_s, hours.middle[begun]) - slope * (at_s - past.end_s) / DAY_S
            places = np.arange(place[0], place[-1] + 1)
            self.level: Floats = np.interp(places, place, plain)
            self.above: Floats = np.interp(places, place, (hours.high - hours.middle)[begun])


def _plain(past: Past, at_s: Floats, used: Floats) -> Floats:
    """The level without its one-off steps, with the cycle."""
    level, _ = past.plain(at_s, used)
    return level + past.cycle.ripple((at_s - past.anchor_s) / HOUR_S) if past.cycle else level


def _moving_mean(level: Floats, width: int) -> Floats:
    total = np.concatenate(([0.0], np.cumsum(level - level[0])))
    means: Floats = (total[width:] - total[:-width]) / width + level[0]
    return means
