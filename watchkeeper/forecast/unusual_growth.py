"""Is a level growing unusually fast? A test against its own recorded increments, for the time before there is a trend.

For each closed hour, the increments over windows of several lengths that end with it are divided by what is usual for
that length; the statistic is the largest of these. The growth is unusual if the newest hour's statistic exceeds that of
every hour before the growth began. This is a rank test: if the hours are exchangeable, it is wrong in one hour of
n + 1, where n is the number of hours compared (the maximum over the windows needs no further correction: Westfall and
Young 1993, "Resampling-Based Multiple Testing"). With n from 200 to 1,344 that is an hour in eight days to an hour in
eight weeks. Hours that resemble their neighbours come in groups; no window is longer than a 40th of the record, so that
at least 40 independent windows are compared.

Not here: a date, which needs a trend (trend_selection.py).
"""

import math
from dataclasses import dataclass, replace

import numpy as np

from watchkeeper.forecast.history import LevelHistory
from watchkeeper.forecast.hourly_features import LEAST_SHARE, Past, study
from watchkeeper.forecast.sorted_values import median
from watchkeeper.model.forecast import Forecast, UnusualGrowth
from watchkeeper.model.line import Floats
from watchkeeper.model.units import DAY_S, HOUR_S

FEWEST = 200
"""Hours that are compared at least: with fewer, chance alone would be called unusual more often than once in a week."""
BLOCKS = 40
"""No window is longer than the record divided by this."""
LENGTHS = (1, 2, 3, 4, 6, 8, 12, 16, 24, 32)
"""The windows, in steps of the record (hours)."""
USUAL = 0.9
"""The usual size of an increment: this quantile above its median."""
NEWEST_S = 900.0
"""The present level is the median of the samples of this time, or the newest one."""
GAINED, BEGUN = 0.7, 0.1
"""The growth began within the shortest window that holds GAINED of what was gained, where the first BEGUN of that was
gained."""
GOES_ON = 0.5
"""The growth goes on if the newest hour gained this share of its mean."""
SOON_S = 30 * DAY_S
"""A growth that would take longer than this at its present rate is left to the trend."""
SOONER = 1.5
"""A date within this many times the time left at the present rate already includes the growth."""


@dataclass(frozen=True, slots=True)
class Rise:
    """An unusual rise: when it began, and the level then, without its cycle."""

    since_s: float
    level: float


def with_unusual_growth(found: Forecast, history: LevelHistory) -> Forecast:
    """The forecast, with the growth that is unusual and that it does not include yet, if there is any."""
    if found.full:
        return found
    # As in forecast.py: a division by zero gives infinity, which is not soon.
    with np.errstate(all="ignore"):
        rise = _kept_rise(history, found)
    if rise is None or found.at_s <= rise.since_s:
        return found
    past, (at, used, _) = study(history, found.capacity), history.recent()
    now = median(used[at > at[-1] - NEWEST_S]) - _ripple(past, found.at_s)
    per_day = (now - rise.level) / (found.at_s - rise.since_s) * DAY_S
    left_s = (found.capacity - found.used) / per_day * DAY_S if per_day > 0 else math.inf
    if left_s > SOON_S or (found.likely_s is not None and found.likely_s - found.at_s <= SOONER * left_s):
        return found
    return replace(found, unusual=UnusualGrowth(rise.since_s, per_day, found.at_s + left_s))


def _ripple(past: Past | None, at_s: float) -> float:
    if past is None or past.cycle is None:
        return 0.0
    return float(past.cycle.ripple(np.array([(at_s - past.anchor_s) / HOUR_S]))[0])


def _kept_rise(history: LevelHistory, found: Forecast) -> Rise | None:
    """The rise that the closed hours show; calculated again only when another hour has closed."""
    if history.rise_for != (history.closed, found.capacity):
        history.rise, history.rise_for = _rise(history, found), (history.closed, found.capacity)
    return history.rise if isinstance(history.rise, Rise) else None


def _rise(history: LevelHistory, found: Forecast) -> Rise | None:
    past, hours = study(history, found.capacity), history.hours()
    if past is None or len(hours.at) <= FEWEST:
        return None
    step = max(int(median(np.diff(hours.index))), 1)
    place = (hours.index - hours.index[0]) // step
    plain = hours.middle - (past.cycle.ripple(hours.index.astype(np.float64) + 0.5) if past.cycle else 0.0)
    level = np.interp(np.arange(place[-1] + 1), place, plain)
    # What the forecast includes already is not unusual.
    known = max(found.growth_per_day or 0.0, 0.0) * step / 24 if found.likely_s is not None else 0.0
    begin = _unusual_since(level, known, LEAST_SHARE * found.capacity)
    if begin is None:
        return None
    since_s = history.anchor_s + (float(hours.index[0]) + begin * step + 0.5) * HOUR_S
    return Rise(since_s, float(level[begin]))


def _unusual_since(level: Floats, known: float, least: float) -> int | None:
    """The place at which the newest growth began; None if it is not unusual, or has stopped.

    known: the gain a step that the forecast includes. least: the least size that counts as usual.
    """
    lengths = [length for length in LENGTHS if length * BLOCKS <= len(level)]
    gained = np.array([level[-1] - level[-1 - length] - known * length for length in lengths])
    usual = [_usual(level, length, lengths[-1], least) for length in lengths]
    now = np.array([(gain - middle) / size for gain, (middle, size) in zip(gained, usual, strict=True)])
    best = int(now.argmax())
    if gained[best] <= 0:
        return None
    begin = _begin(level, lengths[int(np.flatnonzero(gained[: best + 1] >= GAINED * gained[best])[0])])
    if begin is None or begin + 1 - lengths[-1] < FEWEST:
        return None
    before = [
        float(((level[length : begin + 1] - level[: begin + 1 - length]).max() - middle) / size)
        for length, (middle, size) in zip(lengths, usual, strict=True)
    ]
    return begin if now[best] > max(before) else None


def _usual(level: Floats, length: int, newest: int, least: float) -> tuple[float, float]:
    """The median of the gains over windows of this length, and how far the usual ones are above it."""
    gains = level[length:-newest] - level[: -newest - length]
    middle, high = len(gains) // 2, int(USUAL * len(gains))
    order = np.partition(gains, (middle, high))
    return float(order[middle]), max(float(order[high] - order[middle]), least)


def _begin(level: Floats, window: int) -> int | None:
    """Where the growth of the newest window began; None if it has stopped."""
    begin, last = len(level) - 1 - window, len(level) - 1
    pace = (level[last] - level[begin]) / window
    if level[last] - level[last - 1] < GOES_ON * pace:
        return None
    while begin >= window and level[begin] - level[begin - window] >= GOES_ON * pace * window:
        begin -= window
    gained = level[last] - level[begin]
    return begin + int(np.flatnonzero(level[begin:] <= level[begin] + BEGUN * gained)[-1])
