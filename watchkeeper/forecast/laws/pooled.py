"""One predictive law from the trend, from net growth and from recorded passages.

A trend that is clear, long and without jumps speaks alone. Otherwise the other two laws share in the answer, so that
what jumps, bursts and rests say is heard, and the range knows that paces change. Where the trend has no end, they speak
only with evidence of net growth that is longer than the longest rest. Not here: the laws themselves.
"""

import math
from dataclasses import dataclass, replace

import numpy as np

from watchkeeper.forecast.history import HOURS
from watchkeeper.forecast.hourly_features import Past
from watchkeeper.forecast.laws import law as laws
from watchkeeper.forecast.laws.first_passage import FAR_D, Z90
from watchkeeper.forecast.laws.jobs import Jobs, touched
from watchkeeper.forecast.laws.net_growth import Windows, law, tried, windows
from watchkeeper.forecast.laws.pace_drift import drift
from watchkeeper.forecast.laws.passage_times import RISE, passage_law
from watchkeeper.forecast.samples import Points
from watchkeeper.forecast.sorted_values import median
from watchkeeper.forecast.trends.trend_selection import Outlook
from watchkeeper.model.forecast import Forecast, NoEnd
from watchkeeper.model.line import Floats
from watchkeeper.model.units import DAY_S

TREND, AMONG_STEPS, UNDER_JOBS = 0.8, 0.5, 0.2
"""The trend's share of the mixture: usually, if the level moves by steps, and if jobs hide it."""
CLEAR, LONG, LONG_D = 20.0, 0.5, 2.0
"""A trend is clear at this many standard errors, and long from this share of the time left and this many days on."""
YOUNG, WEEK_D = 0.3, 7.0
"""Half of the range, as a logarithm, of a trend that has lasted for as long as is left: paces change with the hours and
the days. What has lasted for more than a week shows by itself how much."""
DENSE_D = 0.1
"""Samples that are farther apart hide too much of the noise for the trend to speak alone."""
FRESH_D = 0.25
"""This much is used as sampled."""
JOB_D = 0.5
"""A job is over within this."""
NEAREST = 0.3
"""Cycles and clearings take away at most all but this share of what is free."""
RESTED, PAUSE_D = 1.5, 0.5
"""Growth has stopped if it rests for this many times the longest rest before, and for half a day."""
PLACED_D = 0.25
"""When room was made is known to a few hours."""
SEEN_RESTS, LEAST_D = 2.0, 2.0
"""Net growth counts from this many rests and these days on."""
REGULAR = 3
"""Clearings are regular from three on."""
YOUNG_SHARE, FASTER, LARGER = 0.25, 3.0, 1.25
"""A growth is new if it has lasted for a quarter of the record at most, is three times as fast as the mean of that, and
has gained a quarter more than the largest job."""
GOES_ON, SEEN_SHARE = 0.3, 0.005
"""After room was made, growth goes on if it gains this share of what its pace would; seen once that is this share of
the capacity."""
NEARLY_ALL = 0.9
"""What was gained came within the shortest window that holds this share of it."""
LONGER = 1.5
"""The pace has lasted for longer than the trend's stretch only if by this much."""
FEWEST = 2
"""Passages before they count; with n of them their share is n / (n + 1)."""


@dataclass(frozen=True, slots=True)
class Record:
    """The level in one row, without cycle and single drops: t in days from now, up to 0. reach: its crest now.

    jobs: what comes and goes above it, if anything does. noise: the standard deviation
    of a sample.
    """

    t: Floats
    y: Floats
    reach: float
    jobs: Jobs | None
    noise: float


def pool(found: Forecast, past: Past | None, points: Points, trend: Outlook | None) -> Forecast:
    """The forecast of all laws together. found: the forecast of the trend alone."""
    record = _record(found, past, points) if past else None
    seen = windows(record.t, record.y, max(16 * points.gap_d, 0.04)) if record else None
    if past is None or record is None or seen is None or _repaired(found, past, record, seen):
        return found
    if found.likely_s is not None and _rests_since_room(found, past, record):
        return replace(found, earliest_s=None, likely_s=None, latest_s=None, no_end=NoEnd.STILL)
    if found.likely_s is not None:
        if not _clear(past, record, points, trend):
            return _shared(found, past, record, seen)
        drifting = _drifting(found, points)
        # Windows that are shorter than its stretch do not contradict a clear trend: they only have more noise.
        longer = seen.only(seen.reach >= _reach(found) / 2) or seen
        return drifting if _long(found) else _shared(drifting, past, record, longer)
    kept = _enduring(found, past, record, seen)
    return found if kept is None else _untrended(found, past, record, kept)


def _record(found: Forecast, past: Past, points: Points) -> Record | None:
    """The hours and days, then what was sampled since."""
    t, y = points.t[points.older :], points.y[points.older :]
    t, y = t[t > -FRESH_D], y[t > -FRESH_D]
    old = (past.at_s - found.at_s) / DAY_S
    kept = old < (t[0] if len(t) else 0.0)
    if not kept.any():
        return None
    t, y = np.concatenate((old[kept], t, [0.0])), np.concatenate((_lowered(past, old, points)[kept], y))
    level = median(y[-3:])
    y = np.append(y, level)
    if past.come_and_go:
        now = t > -JOB_D
        level = min(float(y[now].min()), level)
        y = np.where(now, np.minimum(y, level), y)
    crest = float(past.cycle.crest.max()) if past.cycle else 0.0
    free = found.capacity - found.used
    reach = min(level + crest, found.capacity - NEAREST * free)
    noise = math.sqrt(past.noise.sd**2 + past.noise.white / max(points.gap_d, 1e-6))
    return Record(t, y, reach, past.come_and_go, noise)


def _lowered(past: Past, old: Floats, points: Points) -> Floats:
    """What the level gained in hours and days, also without room that was made since they show it."""
    if points.drop is None or any(abs(each.end_s - past.end_s) < DAY_S / 4 for each in past.drops):
        return past.whole
    return points.drop.without(old, past.whole)


def _clear(past: Past, record: Record, points: Points, trend: Outlook | None) -> bool:
    """Return whether the trend is clear and without jumps."""
    if trend is None or record.jobs or past.jumpy or points.gap_d > DENSE_D:
        return False
    return trend.slope > CLEAR * math.sqrt(trend.slope_variance)


def _long(found: Forecast) -> bool:
    """Return whether the trend has lasted for long enough to speak alone."""
    _, left_d, _ = _left(found)
    return _reach(found) > max(LONG * left_d, LONG_D)


def _reach(found: Forecast) -> float:
    """How many days back the trend's stretch goes."""
    return (found.at_s - (found.at_s if found.since_s is None else found.since_s)) / DAY_S


def _drifting(found: Forecast, points: Points) -> Forecast:
    """The trend's own forecast, and a range that holds what paces of this record did over times as long."""
    early, likely, late = _left(found)
    own = points.t > (-HOURS / 24 if found.cycle_s else -math.inf)  # days before the hours still hold the cycle
    t, y = points.t[own], points.y[own]
    changed = drift(t, y - found.bend * t**2, likely, points.noise.white)
    if changed is None:
        return found
    pace = found.growth_per_day or 0.0
    late = max(late, likely * pace / (pace - changed) if pace > changed else math.inf)
    return _dated(found, min(early, likely * pace / (pace + changed)), likely, late)


def _left(found: Forecast) -> tuple[float, float, float]:
    """Days until the earliest, the likely and the latest end; infinite if there is none."""
    early, likely, late = (
        math.inf if at is None else (at - found.at_s) / DAY_S
        for at in (found.earliest_s, found.likely_s, found.latest_s)
    )
    return early, likely, late


def _shared(found: Forecast, past: Past, record: Record, seen: Windows) -> Forecast:
    """The trend and the other laws together."""
    early, likely, late = _left(found)
    need = max(found.capacity - record.reach, 0.0)
    lasted_d = _lasted(found, seen)
    found = replace(found, since_s=found.at_s - lasted_d * DAY_S)
    wide = math.exp(YOUNG * min(math.sqrt(likely / max(lasted_d, 1e-6)), WEEK_D / max(lasted_d, 1e-6), 1.0))
    early, late = min(early, likely / wide), max(late, likely * wide)
    trend = laws.of_range(early, likely, late)
    other = law(tried(seen, record.t, record.y, likely), need)
    if past.jumpy and not _new(found, past, seen, lasted_d):
        share = UNDER_JOBS if record.jobs else AMONG_STEPS
        return _stated(found, record, _with_passages(share * trend + (1 - share) * other, record, need), need)
    # With most of the weight, the trend's own median is near the mixture's, and exact on a straight line.
    p = TREND * trend + (1 - TREND) * other
    if record.jobs:
        return _stated(found, record, p, need)
    early, late = min(early, laws.quantile(p, laws.EARLY)), max(late, laws.quantile(p, laws.LATE))
    return _dated(found, early, likely, late)


def _new(found: Forecast, past: Past, seen: Windows, lasted_d: float) -> bool:
    """Return whether this growth is unlike the record: young, much faster than its mean, and more than any job."""
    pace = found.growth_per_day or 0.0
    largest = max((size for size, _ in past.jobs), default=0.0)
    young = lasted_d < YOUNG_SHARE * seen.reach[-1]
    return bool(young and pace > FASTER * seen.pace[-1] and pace * lasted_d > LARGER * largest)


def _lasted(found: Forecast, seen: Windows) -> float:
    """How many days the present pace has lasted: what was gained while it was at least half as fast, at this pace."""
    reach_d = _reach(found)
    pace = max(found.growth_per_day or 0.0, 1e-300)
    slower = np.append(np.flatnonzero((seen.pace < pace / 2) & (seen.reach > reach_d)), len(seen.reach))[0]
    gained = (seen.pace * seen.reach)[:slower]
    most = float(gained.max(initial=0.0))
    within = seen.reach[:slower][gained >= NEARLY_ALL * most]
    lasted_d = min(most / pace, float(within.min(initial=math.inf)))
    return lasted_d if lasted_d > LONGER * reach_d else reach_d


def _enduring(found: Forecast, past: Past, record: Record, seen: Windows) -> Windows | None:
    """The windows that show net growth longer than the longest rest; None if there are none, or it has stopped."""
    longest, present = rests(record, found)
    if found.no_end is NoEnd.CLEARED and len(past.clearings) < REGULAR:
        return None
    if found.no_end is not NoEnd.CLEARED and found.no_end is not NoEnd.FAR and present > max(RESTED * longest, PAUSE_D):
        return None
    growing = seen.pace > Z90 * seen.error()
    return seen.only(growing & (seen.reach >= max(SEEN_RESTS * max(longest, present), LEAST_D)))


def _repaired(found: Forecast, past: Past, record: Record, seen: Windows) -> bool:
    """Return whether room was made, and what filled it does not go on."""
    begin_d = max((past.begin_s - found.at_s) / DAY_S, record.t[0])
    expected = -begin_d * float(seen.pace[seen.reach > -begin_d].max(initial=0.0))
    gained = record.y[-1] - float(np.interp(begin_d, record.t, record.y))
    return past.begin_s > -math.inf and expected > SEEN_SHARE * found.capacity and gained < GOES_ON * expected


def _rests_since_room(found: Forecast, past: Past, record: Record) -> bool:
    """Return whether room was made, and nothing has grown since, for longer than it ever rested before."""
    made = [each.end_s for each in past.clearings] + [each.end_s for each in past.steps if each.size < 0]
    longest, present = rests(record, found)
    since_d = (found.at_s - max(made, default=math.inf)) / DAY_S
    return PAUSE_D < since_d <= present + PLACED_D and present > RESTED * longest


def rests(record: Record, found: Forecast) -> tuple[float, float]:
    """The longest time between two new highest levels, and the time since the last one. Days.

    On a level at rest noise alone reaches a new highest now and then, so one that is hardly higher does not count. What
    was before the first rise is no rest between two.
    """
    least = RISE * max(found.capacity - record.reach, 0.0)
    highest = np.maximum.accumulate(record.y)
    risen = highest if least <= 0 else np.floor((highest - highest[0]) / least)
    high = record.t[np.diff(risen, prepend=-np.inf) > 0]
    return float(np.diff(high[1:]).max(initial=0.0)), -float(high[-1])


def _untrended(found: Forecast, past: Past, record: Record, kept: Windows) -> Forecast:
    """The forecast of a level whose trend has no end."""
    reach = record.reach
    if found.no_end is NoEnd.CLEARED:
        since_s = found.at_s - max(rests(record, found)[0], 1.0) * DAY_S
        highest = (past.whole + past.top)[past.at_s >= since_s].max(initial=reach)
        reach = min(float(highest), found.capacity - NEAREST * (found.capacity - reach))
    need = max(found.capacity - reach, 0.0)
    main = int(np.argmax(kept.weight))
    stated = _stated(found, record, _with_passages(law(kept, need), record, need), need)
    if stated.likely_s is None:
        return found
    pace, since_s = float(kept.pace[main]), found.at_s - float(kept.reach[main]) * DAY_S
    return replace(stated, growth_per_day=pace, since_s=since_s)


def _with_passages(p: Floats, record: Record, need: float) -> Floats:
    passed, count = passage_law(record.t, record.y, need, record.noise)
    share = count / (count + 1) if count >= FEWEST else 0.0
    return share * passed + (1 - share) * p


def _stated(found: Forecast, record: Record, p: Floats, need: float) -> Forecast:
    """The forecast with the points of a law of the level, and of the jobs above it."""
    p = touched(p, record.jobs, need) if record.jobs else p
    early, likely, late = (laws.quantile(p, share) for share in (laws.EARLY, laws.LIKELY, laws.LATE))
    if likely > FAR_D:
        why = found.no_end or NoEnd.UNCERTAIN
        return replace(found, earliest_s=None, likely_s=None, latest_s=None, no_end=why)
    return _dated(found, early, likely, late)


def _dated(found: Forecast, early_d: float, likely_d: float, late_d: float) -> Forecast:
    early, likely, late = (found.at_s + days * DAY_S for days in (early_d, likely_d, late_d))
    return replace(
        found, no_end=None, earliest_s=early, likely_s=likely, latest_s=late if math.isfinite(late) else None
    )
