"""Time to full: from a level's history to earliest, likely and latest, or the named reason why no end is in sight."""

import math
from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np

from watchkeeper.core import cycle as cycles
from watchkeeper.core import noise as noises
from watchkeeper.core import passage, regime
from watchkeeper.core import steps as shifts
from watchkeeper.core.cycle import Cycle
from watchkeeper.core.history import DAY_S, HOUR_S, LevelHistory
from watchkeeper.core.noise import Noise
from watchkeeper.core.passage import Course, Phases
from watchkeeper.core.regime import Stretches
from watchkeeper.core.steps import Clearing, Step
from watchkeeper.core.trend import Floats, Line


class NoEnd(StrEnum):
    """Why there is no forecast."""

    TOO_FEW = "too few samples"
    STILL = "not filling"
    SHRINKING = "shrinking"
    UNCERTAIN = "too uncertain"
    FAR = "years away"
    CLEARED = "cleared before it fills"


FEWEST = 8
FAR_D = 3_650.0
FLOOR_SHARE = 1e-4


@dataclass(frozen=True, slots=True)
class Shift:
    """A step that the forecast does not count as growth: when it began, and by how much, in the level's unit."""

    at_s: float
    size: float


@dataclass(frozen=True, slots=True)
class Forecast:
    """When a level will be full, as seen at `at_s`. Instants are seconds since 1970 (UTC).

    earliest_s, likely_s, latest_s: the likely time and the ends of its 90 % interval. All None exactly where `no_end`
        says why; latest_s alone is None where the interval has no upper end.
    used, capacity: the newest sample. A level that is full already has all three instants at `at_s`.
    growth_per_day: of the line, in the level's unit; None where no line was fitted.
    since_s: the start of the stretch of history that the line rests on.
    cycle_s: length of the cycle that was found in the use (a nightly prune: 86 400); None for none.
    line: for drawing; value(at) = line.at(at_s). spread: half the width of its 90 % band at `at_s`.
    """

    at_s: float
    used: float
    capacity: float
    earliest_s: float | None = None
    likely_s: float | None = None
    latest_s: float | None = None
    no_end: NoEnd | None = None
    growth_per_day: float | None = None
    since_s: float | None = None
    cycle_s: float | None = None
    line: Line | None = None
    spread: float = 0.0
    full: bool = False
    steps: tuple[Shift, ...] = ()
    pruned_s: float | None = None
    bend: float = 0.0


@dataclass(frozen=True, slots=True)
class Past:
    """What was worked out from the closed hours: it holds until the next one closes.

    at_d: days from the history's first sample; level: cycle and steps taken away; shift: total of the steps.
    """

    at_s: Floats
    level: Floats
    weight: Floats
    cycle: Cycle | None
    steps: tuple[Step, ...]
    step_at_s: tuple[float, ...]
    noise: Noise
    end_s: float
    cleared: tuple[Clearing, ...]
    cleared_at_s: tuple[tuple[float, float], ...]


def study(history: LevelHistory, floor: float) -> Past | None:
    """Work out cycle, steps and noise from the closed hours."""
    hours = history.hours()
    if len(hours.index) < 3:
        return None
    index = hours.index
    step = max(int(np.median(np.diff(index))), 1)
    first, last = int(index[0]) // step, int(index[-1]) // step
    places = np.arange(first, last + 1)
    lattice = np.interp(places * step, index, hours.middle)
    cleared = shifts.clearings(lattice, 100 * floor**0.5)
    over = np.interp(places * step, index, hours.high - hours.middle)
    found = cycles.find_cycle(lattice, over, first, step, shifts.regular(cleared)) if len(lattice) >= 12 else None
    known = np.zeros(len(places), dtype=bool)
    known[index // step - first] = True
    if found and not known.all():
        ripple = found.profile[places % len(found.profile)]
        lattice = np.where(known, lattice, ripple + np.interp(places, places[known], (lattice - ripple)[known]))
        found = cycles.find_cycle(lattice, over, first, step, shifts.regular(cleared)) or found
    flat = lattice - found.profile[places % len(found.profile)] if found else lattice
    steps = shifts.find_steps(flat, known, 20 * floor**0.5)
    level = shifts.without(flat, steps)
    noise = noises.measure(level, step / 24, floor)
    own = np.interp(index / step, places, level - flat)
    values = hours.middle + own
    if found:
        values = values - found.profile[(index // step) % len(found.profile)]
    days = history.days()
    moved = days.middle + (float(own[0]) if len(own) else 0.0)
    at = np.concatenate((days.at, hours.at))
    weight = np.concatenate((np.ones(len(days.at)), np.full(len(hours.at), step / 24)))
    times = tuple(history.anchor_s + (first + s.begin) * step * HOUR_S for s in steps)
    return Past(
        at, np.concatenate((moved, values)), weight, found, steps, times, noise,
        history.anchor_s + (float(index[-1]) + 1) * HOUR_S, cleared,
        tuple((history.anchor_s + (first + c.begin) * step * HOUR_S, history.anchor_s + (first + c.end) * step * HOUR_S) for c in cleared),
    )  # fmt: skip


def forecast(history: LevelHistory, now_s: float) -> Forecast:
    """Forecast when the level is full; never raises and never holds NaN, whatever finite numbers it was given."""
    at, used, capacity = history.recent()
    if not len(at):
        return Forecast(now_s, 0.0, 1.0, no_end=NoEnd.TOO_FEW)
    last = Forecast(now_s, float(used[-1]), float(capacity[-1]))
    if last.used >= last.capacity:
        return replace(last, earliest_s=now_s, likely_s=now_s, latest_s=now_s, full=True)
    if len(history) < FEWEST:
        return replace(last, no_end=NoEnd.TOO_FEW)
    floor = (FLOOR_SHARE * last.capacity) ** 2
    if history.kept_for != history.closed:
        history.kept, history.kept_for = study(history, floor), history.closed
    past = history.kept
    t, y, w, noise = points(past, at, used, now_s, floor, history)
    sums = regime.Sums(t, y, w)
    s = sums.stretches()
    if not len(s.span):
        return replace(last, no_end=NoEnd.TOO_FEW)
    return _choose(last, sums, s, noise, past, history)


def points(past, at, used, now_s, floor, history):
    if past is None:
        keep = at <= now_s
        t = (at[keep] - now_s) / DAY_S
        y = _middle_of_three(used[keep])
        noise = _raw_noise(t, y, floor)
        return t, y, _weights(t), noise
    fresh = (at >= past.end_s - 6 * HOUR_S) & (at <= now_s)
    t = (at[fresh] - now_s) / DAY_S
    y = _middle_of_three(used[fresh])
    w = _weights(t)
    sound = np.ones(len(t), dtype=bool)
    if past.cycle is not None:
        phase = (at[fresh] - history.anchor_s) / HOUR_S / past.cycle.step_h
        profile = past.cycle.profile
        n = len(profile)
        here = np.floor(phase).astype(int) % n
        wrapped = np.concatenate((profile[-1:], profile, profile[:1]))
        y = y - np.interp(phase % n, np.arange(-1, n + 1) + 0.5, wrapped)
        jump = np.abs(np.diff(wrapped))
        cliff = np.maximum(jump[:-1], jump[1:]) > 4 * np.median(jump) + 20 * floor**0.5
        sound = ~cliff[here]
    for s, end in zip(past.steps, past.step_at_s, strict=True):
        y = np.where(at[fresh] <= end, y + s.size, y)
    older = past.at_s < (at[fresh][0] if fresh.any() else now_s)
    older &= past.at_s <= now_s
    t, y, w = t[sound], y[sound], w[sound]
    tt = np.concatenate(((past.at_s[older] - now_s) / DAY_S, t))
    raw = _raw_noise(t, y, floor)
    noise = replace(past.noise, white=max(past.noise.white, raw.white))
    return tt, np.concatenate((past.level[older], y)), np.concatenate((past.weight[older], w)), noise


def _middle_of_three(y):
    if len(y) < 3:
        return y
    out = y.copy()
    a, b, c = y[:-2], y[1:-1], y[2:]
    out[1:-1] = np.maximum(np.minimum(a, b), np.minimum(np.maximum(a, b), c))
    if len(y) >= 8:
        usual = np.sort(np.abs(np.diff(y[-30:-1])))
        if abs(y[-1] - y[-2]) > 8 * usual[int(.7 * len(usual))]:
            out[-1] = out[-2]
    return out


def _weights(t):
    if len(t) < 2:
        return np.ones(len(t)) / 144
    gap = np.diff(t)
    return np.minimum(np.concatenate((gap[:1], gap)), 1 / 24)


def _raw_noise(t, y, floor):
    if len(y) < 8:
        return Noise(floor / 144, 0.0, 0.04, 0.0)
    second = y[2:] - 2 * y[1:-1] + y[:-2]
    gap = float(np.median(np.diff(t)))
    white = noises.spread(second) / 6 + floor
    first = noises.spread(y[1:] - y[:-1])
    return Noise(white * gap, 0.0, 0.04, 0.0)


def _choose(last: Forecast, sums, s: Stretches, noise: Noise, past: Past | None, history) -> Forecast:
    agreement = regime.compare(s, noise)
    first, count = 0, len(s.span)
    level_now = None
    while True:
        j = regime.longest(agreement.line, first)
        if j == count - 1 or _adopt(s, j, last.capacity, past):
            break
        if level_now is None:
            level_now = s.mean[first] - s.slope[first] * s.mid[first]
        first = j + 1
    k = regime.longest(agreement.parabola, first)
    bend, bent = 0.0, False
    if s.span[k] > 2 * s.span[j] and abs(s.bend[k]) > 4 * float(np.sqrt(noise.bend_variance(s.span[k]))):
        _, left = sums.split(int(s.counts[max(j - 6, 0)]), int(s.counts[k]))
        bent = float(s.bent_left[k]) < 0.95 * left
    if bent:
        bend = float(s.bend[k])
        slope = float(s.tilt[k] + 2 * bend * -s.mid[k])
        level = float(s.mean[k] - s.tilt[k] * s.mid[k] + bend * (s.mid[k] ** 2 - s.variance[k]))
        slope_variance = 16 * float(noise.slope_variance(s.span[k]))
        j = k
    else:
        if j < count - 1:
            newer, _ = sums.split(int(s.counts[max(j - 6, first)]), int(s.counts[min(j + 4, count - 1)]))
            cut = sums.fit(np.array([newer]))
            if len(cut.span):
                s, j = cut, 0
        slope, level = float(s.slope[j]), float(s.mean[j] - s.slope[j] * s.mid[j])
        slope_variance = float(noise.slope_variance(s.span[j]))
    if level_now is not None:
        level = max(level, float(level_now))
    span = float(s.span[j])
    found = replace(
        last,
        growth_per_day=slope,
        since_s=last.at_s - float(s.reach[j]) * DAY_S,
        cycle_s=past.cycle.period_s if past and past.cycle else None,
        line=Line(last.at_s + float(s.mid[j]) * DAY_S, float(s.mean[j]), slope / DAY_S, slope_variance**0.5 / DAY_S, 0.0, 1),
        spread=passage.Z90 * noise.sd,
        bend=bend,
        steps=tuple(Shift(t, x.size) for t, x in zip(past.step_at_s, past.steps, strict=True)) if past else (),
    )
    if slope <= 0 or slope < passage.Z90 * slope_variance**0.5:
        down = slope < -passage.Z90 * slope_variance**0.5
        return replace(found, no_end=NoEnd.SHRINKING if down else NoEnd.UNCERTAIN if slope > 0 else NoEnd.STILL)
    if past and _will_be_cleared(past, last):
        return replace(found, no_end=NoEnd.CLEARED)
    phases = _phases(past, last.at_s, history.anchor_s) if past and past.cycle else passage.FLAT
    course = Course(level, slope, bend, 0.0, 0.0, 0.0)
    capacity = last.capacity - _headroom(noise, slope)
    mid = passage.likely(course, capacity, phases)
    if mid > FAR_D:
        return replace(found, no_end=NoEnd.FAR)
    lead = mid if mid > 0 else 1e-3
    mean_slope = slope + bend * lead
    model = (0.03 * mean_slope) ** 2
    vs = 1.3**2 * (slope_variance + float(noise.bend_variance(span)) * lead**2 * (bend != 0)) + model
    course = Course(level, mean_slope, 0.0, noise.end_variance(span) + _touch(noise, slope) , vs * span + noise.stray, vs)
    early, late = passage.band(course, capacity, phases)
    if past and past.cycle:
        early, late = max(early - past.cycle.step_h / 24, 0.0), late + past.cycle.step_h / 24
    return replace(
        found,
        likely_s=last.at_s + mid * DAY_S,
        earliest_s=last.at_s + min(early, mid) * DAY_S,
        latest_s=last.at_s + max(late, mid) * DAY_S if late < 1e5 else None,
    )


def _headroom(noise: Noise, slope: float) -> float:
    n = noise.sd / slope / max(noise.memory_d, 1e-3)
    return noise.sd * math.sqrt(2 * math.log1p(n))


def _touch(noise: Noise, slope: float) -> float:
    return (0.5 * noise.sd) ** 2


def _will_be_cleared(past: Past, last: Forecast) -> bool:
    """Have rises like this one been cleared before, and is this one no higher and no longer yet?"""
    if past.cycle is not None or not past.cleared:
        return False
    lasted = max(end - begin for begin, end in past.cleared_at_s)
    if len(past.cleared) == 1 and lasted > 8 * DAY_S:
        return False
    peak = max(c.peak for c in past.cleared)
    return last.used < peak and last.at_s - past.cleared_at_s[-1][1] < 1.5 * lasted


def _adopt(s: Stretches, j: int, capacity: float, past: Past | None) -> bool:
    slope, reach = float(s.slope[j]), float(s.reach[j])
    if slope <= 0:
        return reach >= 0.5
    if past is not None:
        jobs = [(x.size, (x.end - x.begin) / 24) for x in past.steps if x.size > 0]
        if jobs and slope * reach < 1.25 * max(jobs)[0] and reach < 1.5 * max(d for _, d in jobs):
            return False
    room = capacity - float(s.mean[j] - slope * s.mid[j])
    return reach >= min(0.2 * room / slope, 3.0)


def _phases(past: Past, now_s: float, anchor_s: float) -> Phases:
    cycle = past.cycle
    n = len(cycle.profile)
    width = cycle.step_h / 24
    place = (now_s - anchor_s) / HOUR_S / cycle.step_h
    start = ((np.arange(n) - place) % n) * width
    start = np.where(start > (n - 1) * width, start - n * width, start)
    return Phases(cycle.crest, start, width, n * width)
