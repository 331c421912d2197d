"""The features of the closed hours of a level's history: its cycle, its steps, its clearings and its noise.

They stay valid until the next hour closes, so they are calculated once an hour and kept with the history. Not here: the
newest samples (forecast.py), and how each feature is found (cycle.py, level_shifts.py, noise.py).
"""

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from watchkeeper.forecast import cycle as cycles
from watchkeeper.forecast import noise as noises
from watchkeeper.forecast.cycle import Cycle
from watchkeeper.forecast.history import HOURS, Grain, LevelHistory
from watchkeeper.forecast.laws.jobs import Jobs
from watchkeeper.forecast.noise import Noise
from watchkeeper.forecast.sorted_values import median
from watchkeeper.forecast.trends import level_shifts as shifts
from watchkeeper.forecast.trends.trend import least_squares
from watchkeeper.model.forecast import Step
from watchkeeper.model.line import Floats
from watchkeeper.model.units import DAY_S, HOUR_S

LEAST_SHARE = 1e-4
"""Share of the capacity: smaller changes are ignored (an hour's log of a busy host is more)."""
LEAST_STEP = 20
LEAST_CLEARING = 100
"""In units of LEAST_SHARE: a five-hundredth, and a hundredth, of the capacity."""
FEWEST_HOURS = 3
JOB_H = 12
"""What rises and falls back within this many hours is a job."""
JOBS_D, JOBS_SHARE, JOBS_CLEAR = 28, 0.005, 8.0
"""A job of these days is higher than this share of the capacity, and than this many times the usual excess."""
FEWEST_JOBS, JOB_PLACES, JOBS_LONG = 5, 2, 0.05
"""There are jobs to speak of from this many on that last for this many places, or if they last for this share of the
time."""
ENDED, ROOM, BEYOND = 0.9, 0.1, 1.5
"""A clearing ended a fill if the level had come this near to the capacity, and if it made this much room, and more room
than this many times the swing of the cycle."""
AFTER = 2
"""Places after its beginning at which a clearing is complete."""
REGULAR, FILL, DAY_PLACES = 3, 0.3, 24
"""A cycle whose swing is this share of a fill, before three of them were cleared, is the fill itself."""
NEARLY_FULL = 0.97
"""A rise that came this near to the capacity was a fill that somebody ended, not a job that was done."""
MOSTLY = 0.7
"""Rises that recur are growth if they are this share of what the record gained."""
SELDOM = 0.05
"""The early end of the range is before another step only if that comes with this probability."""
REMEMBERED = 12
"""The number of newest clearings that are kept."""
MOST_STEPS = 2 * HOURS
"""Maximum number of places in the lattice: as many gaps as hours."""


@dataclass(frozen=True, slots=True)
class Clearing:
    """A rise that ended in a drop: when it began and when it was cleared, its peak and its height.

    room: by how much the level fell. cut: the record begins within the rise, so it was longer and higher than was seen.
    """

    begin_s: float
    end_s: float
    peak: float
    height: float
    room: float
    cut: bool


@dataclass(frozen=True, slots=True)
class Past:
    """at_s, level: the hours and the days before them, without cycle and steps; weight: the days that each represents.

    jobs: every completed rise within hours, one-off or not: its size, and the days it took.
    over: how far the highest sample of each hour and day is above its middle.
    whole: the level with everything that it gained, without cycle, short jobs and single drops; top: the highest sample
        above that. come_and_go: the jobs that come and go; None if there are none to speak of.
    jumpy: it moves by steps.
    drops: those that `whole` is without.
    begin_s: the end of the last fill that was ended by making room; minus infinity if there was none.
    end_s: when the last closed hour ended. anchor_s: the time from which its phases are counted.
    """

    at_s: Floats
    level: Floats
    weight: Floats
    cycle: Cycle | None
    steps: tuple[Step, ...]
    jobs: tuple[tuple[float, float], ...]
    clearings: tuple[Clearing, ...]
    noise: Noise
    anchor_s: float
    end_s: float
    over: Floats
    whole: Floats
    top: Floats
    come_and_go: Jobs | None
    jumpy: bool
    begin_s: float
    drops: tuple[Step, ...]

    def next_step(self) -> float:
        """The expected size of another step up: the median of those that stayed; 0 if none did."""
        sizes = self._kept_steps()
        return median(sizes) if sizes else 0.0

    def step_within_d(self, now_s: float) -> float:
        """Within how many days another step up comes with a probability of 5 %, if they come at random (Poisson)."""
        known_d = (now_s - max(float(self.at_s[0]), self.begin_s)) / DAY_S
        return -math.log1p(-SELDOM) * known_d / max(len(self._kept_steps()), 1)

    def _kept_steps(self) -> list[float]:
        return [s.size for s in self.steps if s.size > 0 and not any(_undone(s, each) for each in self.steps)]

    def plain(self, at_s: Floats, used: Floats) -> tuple[Floats, NDArray[np.bool_]]:
        """Samples without cycle and steps; and which of them are not within a step, nor on a cliff of the cycle."""
        level, sound = used + _stepped(self.steps, at_s), np.ones(len(at_s), dtype=bool)
        for step in self.steps:
            sound &= (at_s <= step.begin_s) | (at_s >= step.end_s)
        if self.cycle is None:
            return level, sound
        hours = (at_s - self.anchor_s) / HOUR_S
        return level - self.cycle.ripple(hours), sound & ~self.cycle.cliffs()[self.cycle.phase(hours)]


def _undone(step: Step, later: Step) -> bool:
    """Return whether a later step took back a step up."""
    return later.begin_s >= step.end_s and shifts.takes_back(later.size, step.size)


def study(history: LevelHistory, capacity: float) -> Past | None:
    """The features of the closed hours; None if there are too few. Recalculated only when another hour has closed."""
    if history.kept_for != (history.closed, capacity):
        hours = history.hours()
        found = _study(hours, history.days(), history.anchor_s, capacity) if len(hours.at) >= FEWEST_HOURS else None
        history.kept, history.kept_for = found, (history.closed, capacity)
    kept = history.kept
    return kept if isinstance(kept, Past) else None


def _study(hours: Grain, days: Grain, anchor_s: float, capacity: float) -> Past:
    least, lattice = LEAST_SHARE * capacity, _lattice(hours, anchor_s)
    cleared = shifts.clearings(lattice.level, LEAST_CLEARING * least)
    found, level = _cycle_now(lattice, least, cleared, capacity)
    if found and _ended(cleared, capacity) and not _goes_on(found, lattice, level, _ended(cleared, capacity)[-1].end):
        found = None
    flat = level - _rippled(found, lattice.hours)
    every = shifts.find_steps(flat, lattice.known, LEAST_STEP * least)
    base, jobs = (flat, None) if found else _without_jobs(flat, lattice, capacity)
    if jobs:
        cleared = shifts.clearings(base, LEAST_CLEARING * least)
    begin = min(_begin(cleared, found.swing if found else 0.0, capacity), len(flat) - 1)
    own = lattice.between(begin, len(flat))
    recent = shifts.find_steps(base[begin:], own.known, LEAST_STEP * least)
    jumpy = shifts.jumpy(recent) or (begin == 0 and _recurring(recent, days, base, LEAST_STEP * least))
    steps = _one_off(recent, begin, lattice, anchor_s, jumpy=jumpy)
    drops = (shifts.drop_before(flat, begin),) if begin else shifts.single_drops(every)
    # A step is known to lie between the centres of two hours, wherever in them the samples are.
    places = (hours.index // lattice.step).astype(np.float64)
    centre_s = anchor_s + (places + 0.5) * lattice.step * HOUR_S
    without = _placed(drops, lattice, anchor_s)
    whole, top = _whole(hours, days, centre_s, found, without, lattice.step)
    return Past(
        at_s=np.concatenate((days.at, hours.at)),
        level=np.concatenate(
            (days.middle + sum(step.size for step in steps), _plain(hours, centre_s, steps, found, jobs, lattice.step))
        ),
        weight=np.concatenate((np.ones(len(days.at)), np.full(len(hours.at), lattice.step / 24))),
        cycle=found,
        steps=steps,
        jobs=(*_jobs(every, lattice, capacity), *([(float((flat - base).max()), JOB_H / 24)] if jobs else [])),
        clearings=tuple(
            Clearing(*lattice.span_s(c.begin, c.end, anchor_s), c.peak, c.height, c.peak - c.bottom, c.begin == 0)
            for c in cleared[-REMEMBERED:]
        ),
        over=np.concatenate((days.high - days.middle, hours.high - hours.middle)),
        noise=_noise_since(base, begin, recent, lattice, anchor_s),
        anchor_s=anchor_s,
        end_s=anchor_s + (float(hours.index[-1]) + 1) * HOUR_S,
        whole=whole,
        top=top,
        come_and_go=jobs,
        jumpy=jumpy,
        begin_s=anchor_s + float(lattice.hours[begin] - 0.5) * HOUR_S if begin else -np.inf,
        drops=without,
    )


def _one_off(
    recent: tuple[shifts.Shift, ...], begin: int, lattice: "_Lattice", anchor_s: float, *, jumpy: bool
) -> tuple[Step, ...]:
    """The steps that say nothing about growth. begin: the place from which the recent ones are counted."""
    found = () if jumpy else shifts.one_off(recent)
    return _placed(tuple(each.moved(begin) for each in found), lattice, anchor_s)


def _recurring(recent: tuple[shifts.Shift, ...], days: Grain, base: Floats, least: float) -> bool:
    """Return whether rises that stay recur over the whole record, days included, and are most of what it gained.

    recent: those of the hours; least: the smallest change that counts. An image imported every other week is no
    exception: it is how the level grows, also if the hours hold only four of them.
    """
    kept = [each.size for each in recent if each.size > 0]
    if not kept or len(kept) < len(recent) or len(days.middle) < shifts.RECURRING:
        return False
    change = np.diff(days.middle)
    low, high = np.partition(change, (len(change) // 4, 3 * len(change) // 4))[[len(change) // 4, 3 * len(change) // 4]]
    large = np.abs(change) > max(shifts.WILD * float(high - low) / 1.349, least)
    count = int((np.diff(large.astype(np.int64), prepend=0) > 0).sum()) + len(kept)
    if (change[large] < 0).any() or count < shifts.RECURRING:
        return False
    return float(change[large].sum()) + sum(kept) > MOSTLY * float(base[-1] - days.middle[0])


def _cycle_now(
    lattice: "_Lattice", least: float, cleared: tuple[shifts.Rise, ...], capacity: float
) -> tuple[Cycle | None, Floats]:
    """The cycle, of the time since or before the last fill if that hides it; and the levels with the gaps filled in."""
    found, level = _cycle(lattice, least, shifts.regular(cleared))
    ended = _ended(cleared, capacity)
    if not ended or (found is not None and len(ended) >= REGULAR):
        return found, level
    begin = min(ended[-1].end + AFTER, len(level) - 1)
    room = ended[-1].peak - ended[-1].bottom
    if found is not None and found.swing < FILL * room:
        return found, level
    low = np.flatnonzero(level[:begin] < ended[-1].peak - (1 - FILL) * room)
    for part in (lattice.between(begin, len(level)), lattice.between(0, int(low[-1]) if len(low) else 0)):
        found = _cycle(part, least, None)[0] if len(part.level) > DAY_PLACES else None
        if found is not None:
            break
    return found, level


def _goes_on(found: Cycle, lattice: "_Lattice", level: Floats, begin: int) -> bool:
    """Return whether the cycle is seen since room was made: the changes are smaller without it."""
    own = slice(begin + AFTER, None)
    with_it, without = np.diff(level[own]), np.diff(level[own] - found.ripple(lattice.hours[own]))
    return bool(np.abs(without).sum() <= np.abs(with_it).sum())


def _rippled(found: Cycle | None, hours: Floats) -> Floats:
    return found.ripple(hours) if found else np.zeros(len(hours))


def _jobs(every: tuple[shifts.Shift, ...], lattice: "_Lattice", capacity: float) -> Iterator[tuple[float, float]]:
    """Completed rises that did not nearly fill it: size, and days."""
    for each in every:
        if each.size > 0 and lattice.level[each.end] < NEARLY_FULL * capacity:
            yield each.size, (each.end - each.begin) * lattice.step / 24


def _plain(
    hours: Grain, centre_s: Floats, steps: tuple[Step, ...], found: Cycle | None, jobs: Jobs | None, step_h: int
) -> Floats:
    """The hours without steps, cycle and jobs."""
    plain = hours.middle + _stepped(steps, centre_s) - _rippled(found, hours.index.astype(np.float64) + 0.5)
    return _opened(plain, max(JOB_H // step_h, 1)) if jobs else plain


def _without_jobs(flat: Floats, lattice: "_Lattice", capacity: float) -> tuple[Floats, Jobs | None]:
    """The level without jobs that come and go, and these jobs; as it was, and None, if there are none."""
    base = _opened(flat, max(JOB_H // lattice.step, 1))
    above = (flat - base)[-JOBS_D * 24 // lattice.step :]
    least = max(JOBS_SHARE * capacity, JOBS_CLEAR * median(above))
    peaks = _peaks(above, above + lattice.over[-len(above) :], least)
    return (base, Jobs(peaks, len(above) * lattice.step / 24)) if len(peaks) else (flat, None)


def _peaks(above: Floats, top: Floats, least: float) -> Floats:
    """The highest sample of each job: of the places that are above the level by more than `least`; none of too few."""
    high = above > least
    edges = np.diff(np.concatenate(([0], high.astype(np.int64), [0])))
    begins, ends = np.flatnonzero(edges > 0), np.flatnonzero(edges < 0)
    if (ends - begins >= JOB_PLACES).sum() < FEWEST_JOBS and high.mean() < JOBS_LONG:
        return np.zeros(0)
    return np.array([float(top[begin:end].max()) for begin, end in zip(begins.tolist(), ends.tolist(), strict=True)])


def _ended(cleared: tuple[shifts.Rise, ...], capacity: float) -> list[shifts.Rise]:
    """The clearings that ended a fill."""
    return [each for each in cleared if each.peak >= ENDED * capacity and each.peak - each.bottom >= ROOM * capacity]


def _begin(cleared: tuple[shifts.Rise, ...], swing: float, capacity: float) -> int:
    """The place after the last clearing that ended a fill: the trend before it was another one. 0 if there is none."""
    ended = [each.end for each in _ended(cleared, capacity) if each.peak - each.bottom > BEYOND * swing]
    return ended[-1] + AFTER if ended else 0


def _whole(
    hours: Grain, days: Grain, centre_s: Floats, found: Cycle | None, drops: tuple[Step, ...], step_h: int
) -> tuple[Floats, Floats]:
    """All that the level gained, without cycle, short jobs and single drops; and the highest sample above that."""
    lowered = sum(step.size for step in drops)
    moved = _stepped(drops, centre_s) - _rippled(found, hours.index.astype(np.float64) + 0.5)
    opened = _opened(hours.middle + moved, max(JOB_H // step_h, 1))
    older = days.middle + lowered
    top = np.concatenate((days.high - days.middle, hours.high + moved - opened))
    return np.concatenate((older, opened)), top


def _opened(level: Floats, width: int) -> Floats:
    """The level without what rises and falls back within `width` places (a morphological opening)."""
    low = _slid(level, width, np.minimum)
    return _slid(low[::-1], width, np.maximum)[::-1]


def _slid(level: Floats, width: int, of: np.ufunc) -> Floats:
    """The extreme of each place and the `width` places after it."""
    out, have = level.copy(), 1
    while have < width + 1:
        by = min(have, width + 1 - have)
        out[:-by] = of(out[:-by], out[by:])
        have += by
    return out


def _placed(found: tuple[shifts.Shift, ...], lattice: "_Lattice", anchor_s: float) -> tuple[Step, ...]:
    return tuple(Step(*lattice.span_s(each.begin, each.end, anchor_s), each.size) for each in found)


def _noise_since(
    base: Floats, begin: int, recent: tuple[shifts.Shift, ...], lattice: "_Lattice", anchor_s: float
) -> Noise:
    """The noise since room was made; what it was before that, if there are too few hours to know."""
    if 0 < len(base) - begin < DAY_PLACES < begin - AFTER:
        return noises.measure(base[: begin - 2 * AFTER], lattice.step / 24)
    return _noise(base[begin:], recent, lattice.between(begin, len(base)), anchor_s)


def _noise(flat: Floats, every: tuple[shifts.Shift, ...], lattice: "_Lattice", anchor_s: float) -> Noise:
    """Noise without steps and clearings; if the level moves by jumps, the jumps are its noise."""
    if shifts.jumpy(every):
        at_d = np.array([each.begin for each in every]) * lattice.step / 24
        size = np.array([each.size for each in every])
        plain = noises.measure(flat, lattice.step / 24)
        return noises.jumping(plain, noises.measure(flat, lattice.step / 24, noises.variance), at_d, size)
    moved = _stepped(_placed(every, lattice, anchor_s), anchor_s + lattice.hours * HOUR_S)
    return noises.measure(flat + moved, lattice.step / 24)


@dataclass(frozen=True, slots=True)
class _Lattice:
    """The hours at even steps; missing ones are interpolated linearly. hours: the middle of each since the anchor."""

    step: int
    first: int
    hours: Floats
    level: Floats
    over: Floats
    known: NDArray[np.bool_]

    def between(self, first: int, end: int) -> "_Lattice":
        """The places from the first one to before the end."""
        own = slice(first, end)
        return replace(
            self,
            first=self.first + first,
            hours=self.hours[own],
            level=self.level[own],
            over=self.over[own],
            known=self.known[own],
        )

    def span_s(self, begin: int, end: int, anchor_s: float) -> tuple[float, float]:
        """The times of two places."""
        return (anchor_s + float(self.hours[begin]) * HOUR_S, anchor_s + float(self.hours[end]) * HOUR_S)


def _lattice(hours: Grain, anchor_s: float) -> _Lattice:
    """Steps of an hour, or of the usual hours between two samples; only the newest hours if years lie between."""
    step = max(int(median(np.diff(hours.index))), 1)
    own = hours.index // step
    near = own > own[-1] - MOST_STEPS
    own, hours = own[near], Grain(*(a[near] for a in (hours.index, hours.at, hours.middle, hours.low, hours.high)))
    places = np.arange(own[0], own[-1] + 1)
    known = np.zeros(len(places), dtype=bool)
    known[own - own[0]] = True
    # Each hour's middle is moved along the overall slope to the hour's centre: uneven times are not noise.
    centre_s = anchor_s + (hours.index + 0.5) * HOUR_S
    middle = hours.middle + least_squares(hours.at, hours.middle).slope * (centre_s - hours.at)
    level = np.interp(places * step, hours.index, middle)
    over = np.interp(places * step, hours.index, hours.high - hours.middle)
    return _Lattice(step, int(own[0]), (places + 0.5) * step, level, over, known)


def _cycle(lattice: _Lattice, least: float, hint: int | None) -> tuple[Cycle | None, Floats]:
    """The cycle, and the levels with the gaps filled in by it: straight lines across gaps would blur it."""

    def look(level: Floats) -> Cycle | None:
        return cycles.find_cycle(level, lattice.over, lattice.first, lattice.step, least, hint)

    found, level = look(lattice.level), lattice.level
    if found is None or lattice.known.all():
        return found, level
    ripple = found.ripple(lattice.hours)
    plain = np.interp(lattice.hours, lattice.hours[lattice.known], (level - ripple)[lattice.known])
    level = np.where(lattice.known, level, plain + ripple)
    return look(level) or found, level


def _stepped(steps: tuple[Step, ...], at_s: Floats) -> Floats:
    """The amount that the steps have added since these times: it shifts past levels to match the present."""
    out = np.zeros(len(at_s))
    for step in steps:
        out += step.size * (1 - np.clip((at_s - step.begin_s) / max(step.end_s - step.begin_s, HOUR_S), 0, 1))
    return out
