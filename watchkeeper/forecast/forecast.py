"""Time to full: from a level's history to earliest, likely and latest, or the reason why no end is expected.

The steps: history.py keeps and condenses; hourly_features.py finds cycle, steps and clearings; samples.py brings all
samples into the same form; trend_selection.py selects the trend to extrapolate; first_passage.py finds where it touches
the capacity. This module combines them and names the reasons.
"""

import math
from dataclasses import replace

import numpy as np

from watchkeeper.forecast import first_passage, trend_selection
from watchkeeper.forecast import samples as present
from watchkeeper.forecast.first_passage import Course, Phases
from watchkeeper.forecast.history import LevelHistory
from watchkeeper.forecast.hourly_features import LEAST_SHARE, Past, study
from watchkeeper.forecast.samples import Points
from watchkeeper.forecast.trend_selection import Outlook
from watchkeeper.model.forecast import Forecast, NoEnd
from watchkeeper.model.line import Floats, Line
from watchkeeper.model.units import DAY_S, HOUR_S

FEWEST = 8
"""Fewer samples than this are not a history."""
FAR_D = 3_650.0
"""Ten years: nobody plans storage further ahead."""
DRIFT = 0.0018
"""The share by which growth changes its rate without a visible reason."""
BAND = 0.92 * first_passage.Z90
"""Each part of the variance is a conservative estimate, so their sum is a little wide: with the full width, the 90 %
interval contained the true value in 97 % of the evaluations over the families in tests/families."""
YOUNG_S = 8 * DAY_S
"""A single clearing predicts more of them only if it came within this time: a nightly or weekly prune."""
CLEARED_LATE, CLEARED_HIGH = 1.5, 0.2
"""A rise is not expected to be cleared if it exceeds the duration of the longest one before it, or the height of the
highest one, by this much."""


def forecast(history: LevelHistory, now_s: float) -> Forecast:
    """Forecast when the level is full; never raises and never returns NaN for finite input."""
    at, used, capacity = history.recent()
    if not len(at):
        return Forecast(now_s, 0.0, 1.0, no_end=NoEnd.TOO_FEW)
    last = Forecast(now_s, float(used[-1]), float(capacity[-1]))
    if last.used >= last.capacity:
        return replace(last, earliest_s=now_s, likely_s=now_s, latest_s=now_s, full=True)
    if len(history) < FEWEST:
        return replace(last, no_end=NoEnd.TOO_FEW)
    # A division by zero or an overflow gives NaN or infinity, which is reported as too uncertain.
    with np.errstate(all="ignore"):
        past = study(history, last.capacity)
        points = present.to_points(history, past, now_s)
        trend = (
            trend_selection.look(points, past, last.capacity, LEAST_SHARE * last.capacity) if len(points.t) else None
        )
        if trend is None:
            return replace(last, no_end=NoEnd.TOO_FEW)
        found = _ends(_explained(last, trend, points, past), trend, points, past)
    return found if _sound(found) else replace(last, no_end=NoEnd.UNCERTAIN)


def _sound(found: Forecast) -> bool:
    """Return whether every number is finite."""
    line = found.line
    numbers = [found.likely_s, found.earliest_s, found.latest_s, found.growth_per_day, found.since_s, found.spread]
    numbers += [found.bend] + ([line.middle, line.slope, line.slope_error, line.residual] if line else [])
    return all(number is None or math.isfinite(number) for number in numbers)


def _explained(last: Forecast, trend: Outlook, points: Points, past: Past | None) -> Forecast:
    """Everything that was found except the end."""
    slope_s = trend.slope / DAY_S
    error_s = math.sqrt(trend.slope_variance) / DAY_S
    noise = points.noise
    residual = math.sqrt(noise.sd**2 + noise.white / max(points.gap_d, 1e-6))
    return replace(
        last,
        growth_per_day=trend.slope,
        since_s=last.at_s - trend.reach_d * DAY_S,
        bend=trend.bend,
        cycle_s=past.cycle.period_s if past and past.cycle else None,
        pruned_s=_pruned_s(past, last.at_s) if past else None,
        steps=past.steps if past else (),
        line=Line(last.at_s + trend.centre_d * DAY_S, trend.middle, slope_s, error_s, residual, len(points.t)),
        spread=first_passage.Z90 * residual,
    )


def _ends(found: Forecast, trend: Outlook, points: Points, past: Past | None) -> Forecast:
    """The end, or why there is none."""
    certain = first_passage.Z90 * math.sqrt(trend.slope_variance)
    if trend.slope <= 0 or trend.slope <= certain:
        why = NoEnd.SHRINKING if trend.slope < -certain else NoEnd.STILL if trend.slope <= 0 else NoEnd.UNCERTAIN
        return replace(found, no_end=why)
    if past and _will_be_cleared(past, found):
        return replace(found, no_end=NoEnd.CLEARED)
    phases = _phases(past, found.at_s)
    between_d = phases.period_d if len(phases.height) > 1 else 0.0
    touch, touch_variance = points.noise.touch(trend.slope, points.gap_d, between_d)
    capacity = found.capacity - touch
    likely_d = first_passage.likely(Course(trend.level, trend.slope, trend.bend, 0.0, 0.0, 0.0), capacity, phases)
    if likely_d > FAR_D:
        return replace(found, no_end=NoEnd.FAR)
    course = _course(trend, points, likely_d, touch_variance)
    early_d, late_d = first_passage.band(course, capacity, phases, BAND)
    if past and (step := past.next_step()):  # a step may happen again: the early end allows for it
        early_d = min(early_d, first_passage.band(course, capacity - step, phases, BAND)[0])
    # Between two samples, or within one step of a cycle's profile, the exact time is not known.
    unknown_d = points.gap_d + (phases.width_d if len(phases.height) > 1 else 0.0)
    late_s = found.at_s + (max(late_d, likely_d) + unknown_d) * DAY_S
    return replace(
        found,
        earliest_s=found.at_s + max(min(early_d, likely_d) - unknown_d / 2, 0.0) * DAY_S,
        likely_s=found.at_s + likely_d * DAY_S,
        latest_s=late_s if late_d < 10 * FAR_D else None,
    )


def _course(trend: Outlook, points: Points, likely_d: float, touch_variance: float) -> Course:
    """The course of the band: the straight line to the likely end, and its uncertainty."""
    slope = trend.slope + trend.bend * likely_d
    error = math.sqrt(trend.slope_variance) + math.sqrt(trend.bend_variance) * likely_d
    own = error**2
    slope_variance = own + (DRIFT * slope) ** 2 + (trend.bend * likely_d / 2.5) ** 2
    level_variance = points.noise.end_variance(trend.span_d) + touch_variance
    strays = points.noise.stray + trend.span_d * own
    return Course(trend.level, slope, 0.0, level_variance, strays, slope_variance)


def _will_be_cleared(past: Past, found: Forecast) -> bool:
    """Return whether rises like this one were cleared before, and this one is not yet higher or longer."""
    if past.cycle is not None or not past.clearings:
        return False
    longest_s = max(each.end_s - each.begin_s for each in past.clearings)
    if len(past.clearings) == 1 and longest_s > YOUNG_S:
        return False
    lasted_s = found.at_s - past.clearings[-1].end_s
    top = max(each.peak + CLEARED_HIGH * each.height for each in past.clearings)
    return found.used < top and lasted_s < CLEARED_LATE * longest_s


def _phases(past: Past | None, now_s: float) -> Phases:
    """The phases of the cycle from now on; the current phase has already begun."""
    if past is None or past.cycle is None:
        return first_passage.FLAT
    cycle = past.cycle
    n, width_d = len(cycle.crest), cycle.step_h / 24
    hours = (now_s - past.anchor_s) / HOUR_S
    start: Floats = ((np.arange(n, dtype=np.float64) - hours / cycle.step_h) % n) * width_d
    start = np.where(start > (n - 1) * width_d, start - n * width_d, start)
    wide = float(cycle.scale(np.array([hours]))[0])
    return Phases(cycle.crest * wide, start, width_d, n * width_d, cycle.crest * cycle.swell * 24)


def _pruned_s(past: Past, now_s: float) -> float | None:
    """When the cycle last fell back to its lowest."""
    phase = past.cycle.pruned() if past.cycle else None
    if past.cycle is None or phase is None:
        return None
    offset_s = past.anchor_s + phase * past.cycle.step_h * HOUR_S
    return offset_s + (now_s - offset_s) // past.cycle.period_s * past.cycle.period_s
