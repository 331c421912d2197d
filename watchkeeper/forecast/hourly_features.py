"""The features of the closed hours of a level's history: its cycle, its steps, its clearings and its noise.

They stay valid until the next hour closes, so they are calculated once an hour and kept with the history. Not here: the
newest samples (forecast.py), and how each feature is found (cycle.py, level_shifts.py, noise.py).
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from watchkeeper.forecast import cycle as cycles
from watchkeeper.forecast import level_shifts as shifts
from watchkeeper.forecast import noise as noises
from watchkeeper.forecast.cycle import Cycle
from watchkeeper.forecast.history import HOURS, Grain, LevelHistory
from watchkeeper.forecast.noise import Noise
from watchkeeper.forecast.trend import least_squares
from watchkeeper.model.forecast import Step
from watchkeeper.model.line import Floats
from watchkeeper.model.units import HOUR_S

LEAST_SHARE = 1e-4
"""Share of the capacity: smaller changes are ignored (an hour's log of a busy host is more)."""
LEAST_STEP = 20
LEAST_CLEARING = 100
"""In units of LEAST_SHARE: a five-hundredth, and a hundredth, of the capacity."""
FEWEST_HOURS = 3
REMEMBERED = 12
"""The number of newest clearings that are kept."""
MOST_STEPS = 2 * HOURS
"""Maximum number of places in the lattice: as many gaps as hours."""


@dataclass(frozen=True, slots=True)
class Clearing:
    """A rise that ended in a drop: when it began and when it was cleared, its peak and its height."""

    begin_s: float
    end_s: float
    peak: float
    height: float


@dataclass(frozen=True, slots=True)
class Past:
    """at_s, level: the hours and the days before them, without cycle and steps; weight: the days that each represents.

    jobs: every completed rise within hours, one-off or not: its size, and the days it took.
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

    def next_step(self) -> float:
        """The expected size of another step up: the median of those that stayed; 0 if none did."""
        kept = [s.size for s in self.steps if s.size > 0 and not any(_undone(s, each) for each in self.steps)]
        return float(np.median(kept)) if kept else 0.0

    def plain(self, at_s: Floats, used: Floats) -> tuple[Floats, NDArray[np.bool_]]:
        """Samples without cycle and steps; and which of them are not on a cliff of the cycle."""
        level = used + _stepped(self.steps, at_s)
        if self.cycle is None:
            return level, np.ones(len(at_s), dtype=bool)
        hours = (at_s - self.anchor_s) / HOUR_S
        return level - self.cycle.ripple(hours), ~self.cycle.cliffs()[self.cycle.phase(hours)]


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
    found, level = _cycle(lattice, least, shifts.regular(cleared))
    flat = level - (found.ripple(lattice.hours) if found else 0.0)
    every = shifts.find_steps(flat, lattice.known, LEAST_STEP * least)
    steps = _placed(shifts.one_off(every), lattice, anchor_s)
    noise = _noise(flat, every, lattice, anchor_s)
    plain = (
        hours.middle
        + _stepped(steps, hours.at)
        - (found.ripple(hours.index.astype(np.float64) + 0.5) if found else 0.0)
    )
    return Past(
        at_s=np.concatenate((days.at, hours.at)),
        level=np.concatenate((days.middle + sum(step.size for step in steps), plain)),
        weight=np.concatenate((np.ones(len(days.at)), np.full(len(hours.at), lattice.step / 24))),
        cycle=found,
        steps=steps,
        jobs=tuple((s.size, (s.end - s.begin) * lattice.step / 24) for s in every if s.size > 0),
        clearings=tuple(
            Clearing(*lattice.span_s(c.begin, c.end, anchor_s), c.peak, c.height) for c in cleared[-REMEMBERED:]
        ),
        noise=noise,
        anchor_s=anchor_s,
        end_s=anchor_s + (float(hours.index[-1]) + 1) * HOUR_S,
    )


def _placed(found: tuple[shifts.Shift, ...], lattice: "_Lattice", anchor_s: float) -> tuple[Step, ...]:
    return tuple(Step(*lattice.span_s(each.begin, each.end, anchor_s), each.size) for each in found)


def _noise(flat: Floats, every: tuple[shifts.Shift, ...], lattice: "_Lattice", anchor_s: float) -> Noise:
    """Noise without steps and clearings; if the level moves by jumps, the jumps are its noise."""
    if shifts.jumpy(every):
        at_d = np.array([each.begin for each in every]) * lattice.step / 24
        size = np.array([each.size for each in every])
        return noises.jumping(noises.measure(flat, lattice.step / 24), at_d, size)
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

    def span_s(self, begin: int, end: int, anchor_s: float) -> tuple[float, float]:
        """The times of two places."""
        return (anchor_s + float(self.hours[begin]) * HOUR_S, anchor_s + float(self.hours[end]) * HOUR_S)


def _lattice(hours: Grain, anchor_s: float) -> _Lattice:
    """Steps of an hour, or of the usual hours between two samples; only the newest hours if years lie between."""
    step = max(int(np.median(np.diff(hours.index))), 1)
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
