"""Is a rise expected to be cleared before it fills? Only from evidence that such rises were cleared at such levels.

A fill that ended because somebody made room is no clearing to rely on. Not here: how clearings are found
(level_shifts.py).
"""

import numpy as np

from watchkeeper.forecast.hourly_features import ENDED, NEARLY_FULL, Clearing, Past
from watchkeeper.forecast.sorted_values import median
from watchkeeper.model.forecast import Forecast
from watchkeeper.model.units import DAY_S

HIGH = 0.9
"""Nothing that has come this near to the capacity while it rises is expected to be cleared."""
YOUNG_S = 8 * DAY_S
"""A single clearing predicts more of them only if it came within this time: a nightly or weekly prune."""
LATE, ABOVE = 1.4, 0.03
"""A rise is not expected to be cleared if it exceeds the duration of the longest one before it, or the peak of the
highest one by a share of the last one's height, by this much."""
LATER = 4
"""Clearings that come at a higher level each time, this many times, become less likely; none is expected if the next
one would be due where nothing is expected to be cleared."""
REGULAR = 3
"""From this many clearings on it is known how much their levels differ: the next may be higher by one standard
deviation."""


def expected(past: Past, found: Forecast) -> bool:
    """Return whether rises like this one were cleared before, and this one is not yet higher or longer."""
    if past.cycle is not None or not past.clearings or found.used >= HIGH * found.capacity:
        return False
    last = past.clearings[-1]
    if last.peak >= ENDED * found.capacity:
        return False
    known = [each for each in past.clearings if each.peak < NEARLY_FULL * found.capacity]
    longest_s = max(_rise_s(each, found) for each in known)
    if len(known) == 1 and longest_s > YOUNG_S:
        return False
    return found.used < _top(known, found.capacity) and found.at_s - last.end_s < LATE * longest_s


def _rise_s(each: Clearing, found: Forecast) -> float:
    """How long the rise took; one that began before the record, as long as the present pace takes to regain it."""
    seen_s, pace = each.end_s - each.begin_s, found.growth_per_day or 0.0
    return max(seen_s, each.room / pace * DAY_S) if each.cut and pace > 0 else seen_s


def _top(known: list[Clearing], capacity: float) -> float:
    """The level below which a clearing is expected."""
    peaks = np.array([each.peak for each in known])
    rising = len(peaks) >= LATER and bool((np.diff(peaks[-LATER:]) > 0).all())
    if rising:
        due = peaks[-1] + median(np.diff(peaks[-LATER:]))
        return 0.0 if due >= HIGH * capacity else median(peaks)
    spread = float(peaks.std(ddof=1)) if len(peaks) >= REGULAR else 0.0
    last = known[-1]
    return float(peaks.max()) + max(ABOVE * (last.room if last.cut else last.height), spread)
