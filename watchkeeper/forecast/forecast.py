"""Time to full: from a level's history to earliest, likely and latest, or the reason why no end is expected.

The steps: history.py keeps and condenses; hourly_features.py finds cycle, steps and clearings; samples.py brings all
samples into the same form; trend_selection.py selects the trend to extrapolate; laws/first_passage.py finds where it
touches the capacity, and laws/pooled.py weighs that against what the level has done before. This module combines them
and names the reasons.
"""

import math
from dataclasses import replace

import numpy as np

from watchkeeper.forecast import clearings
from watchkeeper.forecast import samples as present
from watchkeeper.forecast.history import LevelHistory
from watchkeeper.forecast.hourly_features import LEAST_CLEARING, LEAST_SHARE, Past, study
from watchkeeper.forecast.laws import first_passage, pooled
from watchkeeper.forecast.laws.first_passage import Course, Phases
from watchkeeper.forecast.samples import Points
from watchkeeper.forecast.trends import trend_selection
from watchkeeper.forecast.trends.trend_selection import Outlook
from watchkeeper.model.forecast import Forecast, NoEnd
from watchkeeper.model.line import Floats, Line
from watchkeeper.model.units import DAY_S, HOUR_S

FEWEST = 8
"""Fewer samples than this are not a history."""
RECENT_D = 1.0
"""A trend is not above what the level reached in this time."""
YEAR_D = 365.0
NEWEST = 0.25 * 0.7 ** np.arange(24)
"""The shares of a trend's stretch over which the mean of the newest samples is tried."""
FEWEST_NOW = 3
"""Samples that such a mean needs."""
DRIFT = 0.001
"""The share by which growth changes its rate without a visible reason, over times much longer than it has lasted.
A change falls into the time ahead, and not into the time that was seen, in proportion to their lengths."""
BAND = 0.8 * first_passage.Z90
"""Each part of the variance is a conservative estimate, so their sum is a little wide: with the full width, the 90 %
interval contained the true value in 97 % of the evaluations over the families in tests/families."""


def forecast(history: LevelHistory, now_s: float) -> Forecast:
    """Forecast when the level is full; never raises and never returns NaN for finite input."""
    at, used, capacity = history.recent()
    if not len(at):
        return Forecast(now_s, 0.0, 1.0, no_end=NoEnd.TOO_FEW)
    last = Forecast(now_s, float(used[-1]), float(capacity[-1]), recorded_since_s=history.anchor_s)
    if last.used >= last.capacity:
        return replace(last, earliest_s=now_s, likely_s=now_s, latest_s=now_s, full=True)
    if len(history) < FEWEST:
        return replace(last, no_end=NoEnd.TOO_FEW)
    # A division by zero or an overflow gives NaN or infinity, which is reported as too uncertain.
    with np.errstate(all="ignore"):
        past = study(history, last.capacity)
        points = present.to_points(history, past, now_s, LEAST_CLEARING * LEAST_SHARE * last.capacity)
        least = LEAST_SHARE * last.capacity
        if past and past.steps:
            least = math.hypot(least, points.noise.step_error())
        trend = trend_selection.look(points, past, last.capacity, least) if len(points.t) else None
        if trend is None and past is None:
            return replace(last, no_end=NoEnd.TOO_FEW)
        own = replace(last, no_end=NoEnd.TOO_FEW)
        if trend is not None:
            own = _ends(_explained(last, trend, points, past), trend, points, past)
        found = pooled.pool(own, past, points, trend)
        if points.fallen > LEAST_CLEARING * LEAST_SHARE * last.capacity:
            found = _farther(found, points.fallen)
    return found if _sound(found) else replace(last, no_end=NoEnd.UNCERTAIN)


def _farther(found: Forecast, room: float) -> Forecast:
    """The forecast if so much room may have been made: only the newest sample says so, and nothing after it yet.

    The early end stays, since a single sample may be wrong.
    """
    pace = found.growth_per_day or 0.0
    if found.likely_s is None or pace <= 0:
        return found
    later_s = room / pace * DAY_S
    latest_s = None if found.latest_s is None else found.latest_s + later_s
    return replace(found, likely_s=found.likely_s + later_s, latest_s=latest_s)


def _sound(found: Forecast) -> bool:
    """Return whether every number is finite."""
    line = found.line
    numbers = [found.likely_s, found.earliest_s, found.latest_s, found.growth_per_day, found.since_s, found.spread]
    numbers += [found.bend] + ([line.middle, line.slope, line.slope_error, line.residual] if line else [])
    return all([number is None or math.isfinite(number) for number in numbers])  # noqa: C419  no call for each


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
        cycles=past.cycle.rounds if past and past.cycle else 0,
        pruned_s=_pruned_s(past, last.at_s) if past else None,
        steps=past.steps if past else (),
        line=Line(last.at_s + trend.centre_d * DAY_S, trend.middle, slope_s, error_s, residual, len(points.t)),
        spread=first_passage.Z90 * residual,
    )


def _ends(found: Forecast, trend: Outlook, points: Points, past: Past | None) -> Forecast:
    """The end, or why there is none."""
    certain = first_passage.Z90 * math.sqrt(trend.slope_variance)
    if trend.slope <= 0 or trend.slope <= certain:
        return replace(found, no_end=_why_not(found, trend.slope, certain))
    if past and clearings.expected(past, found):
        return replace(found, no_end=NoEnd.CLEARED)
    phases = _phases(past, found.at_s)
    trend, level_variance = _from_now(trend, points)
    trend, touch, touch_error = _bounded(trend, points, past, phases)
    capacity = found.capacity - touch
    likely_d = first_passage.likely(Course(trend.level, trend.slope, trend.bend, 0.0, 0.0, 0.0), capacity, phases)
    if likely_d > first_passage.FAR_D:
        return replace(found, no_end=NoEnd.FAR)
    course = _course(trend, points, likely_d, level_variance + touch_error**2)
    early_d, late_d = first_passage.band(course, capacity, phases, BAND)
    if past and (step := past.next_step()):
        with_step_d = first_passage.band(course, capacity - step, phases, BAND)[0]
        early_d = min(early_d, max(with_step_d, past.step_within_d(found.at_s)))
    # Between two samples, or within one step of a cycle's profile, the exact time is not known.
    unknown_d = points.gap_d + (phases.width_d if len(phases.height) > 1 else 0.0)
    late_s = found.at_s + (likely_d + math.hypot(max(late_d - likely_d, 0.0), unknown_d)) * DAY_S
    return replace(
        found,
        earliest_s=found.at_s + max(likely_d - math.hypot(max(likely_d - early_d, 0.0), unknown_d / 2), 0.0) * DAY_S,
        likely_s=found.at_s + likely_d * DAY_S,
        latest_s=late_s if late_d < 10 * first_passage.FAR_D else None,
    )


def _why_not(found: Forecast, slope: float, certain: float) -> NoEnd:
    """Why a slope that may be zero has no end: it is uncertain only if it may fill the store within a year."""
    if slope < -certain:
        return NoEnd.SHRINKING
    fastest = (slope + certain) * YEAR_D
    return NoEnd.STILL if slope <= 0 or fastest < found.capacity - found.used else NoEnd.UNCERTAIN


def _from_now(trend: Outlook, points: Points) -> tuple[Outlook, float]:
    """The trend through the level of now, and the variance of that level: the line's value and the mean of the newest
    samples, each with the weight of its precision.

    If the level drifts as a random walk does, the line lags behind it. If it reverts to its mean, the line knows more.
    """
    noise = points.noise
    of_line = noise.end_variance(trend.span_d)
    back = -points.t[::-1]
    reach = trend.reach_d * NEWEST
    reach = reach[reach >= back[min(FEWEST_NOW, len(back)) - 1]]
    if not len(reach) or not noise.stray:
        return trend, of_line
    variance = noise.mean_variance(reach) + noise.stray * reach / 3 + trend.slope_variance * reach**2 / 4
    best = int(np.argmin(variance))
    own = back <= reach[best]
    t, y, weight = -back[own], points.y[::-1][own], points.weight[::-1][own]
    now = float(weight @ (y - trend.slope * t - trend.bend * t * t) / weight.sum())
    share = float(variance[best]) / max(of_line + float(variance[best]), 1e-300)
    return replace(trend, level=share * trend.level + (1 - share) * now), share * of_line


def _bounded(trend: Outlook, points: Points, past: Past | None, phases: Phases) -> tuple[Outlook, float, float]:
    """The trend, not above what its last day leads to; how far below capacity it is when noise first touches it,
    not farther than was seen; and the standard error of that.
    """
    between_d = phases.period_d if len(phases.height) > 1 else 0.0
    touch, error = points.noise.touch(trend.slope, points.gap_d, between_d)
    seen, recent = _highest_seen(trend, points, past)
    if seen < touch:
        touch, error = seen, error * (seen / touch)
    return replace(trend, level=min(trend.level, recent)), touch, error


def _highest_seen(trend: Outlook, points: Points, past: Past | None) -> tuple[float, float]:
    """How far the level has been above the trend since that began; and the highest that its last day leads to."""
    over = np.zeros(len(points.t))
    if past is not None:
        over[: points.older] = past.over[points.first : points.first + points.older]
    own = points.t >= -trend.reach_d
    t, y = points.t[own], points.y[own]
    above = y + over[own] - (trend.level + trend.slope * t + trend.bend * t * t)
    recent = t >= t[-1] - RECENT_D
    return max(float(above.max()), 0.0), float((y - trend.slope * t)[recent].max())


def _course(trend: Outlook, points: Points, likely_d: float, level_variance: float) -> Course:
    """The course of the band: the straight line to the likely end, and its uncertainty."""
    slope = trend.slope + trend.bend * likely_d
    error = math.sqrt(trend.slope_variance) + math.sqrt(trend.bend_variance) * likely_d
    own = error**2
    drift = DRIFT * slope * likely_d / (likely_d + trend.reach_d)
    slope_variance = own + drift**2 + (trend.bend * likely_d / 2.5) ** 2
    strays = points.noise.stray + trend.span_d * own
    return Course(trend.level, slope, 0.0, level_variance, strays, slope_variance)


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
