"""Level shifts: an image imported, a large file deleted. A completed step says nothing about growth.

A step is a change within hours that is far outside the usual changes of the level, and that has ended.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from watchkeeper.forecast.sorted_values import median
from watchkeeper.model.line import Floats

LAG = 3
"""Lattice steps over which a change is measured: an import takes an hour or two."""
WILD = 8.0
"""A step must be this many standard deviations of usual changes."""
MOST = 12
"""More than this many are not steps but the normal behaviour of this level."""
RECURRING = 5
"""This many rises that stay, within the hours that are kept, are growth."""
ABOUT = (0.7, 1.4)
"""A drop of 0.7 to 1.4 times a rise takes it back."""
PART = 0.05
"""A place belongs to a step if it contributes at least this share of it."""
LOST = 0.3
"""A clearing must take away at least this share of a rise; the rest is growth."""
QUIET = 2
"""Lattice steps with usual changes that must follow before a step is complete."""


@dataclass(frozen=True, slots=True)
class Shift:
    """A shift by `size` between two lattice places."""

    begin: int
    end: int
    size: float

    def moved(self, by: int) -> "Shift":
        """The same shift, counted from another place."""
        return Shift(self.begin + by, self.end + by, self.size)


def find_steps(lattice: Floats, known: NDArray[np.bool_], floor: float) -> tuple[Shift, ...]:
    """Find the steps in evenly spaced levels (cycle removed).

    known: where the level was observed; elsewhere it is interpolated. floor: the smallest change that counts.
    """
    if len(lattice) < 8 * LAG:
        return ()
    change = lattice[LAG:] - lattice[:-LAG]
    n = len(change)
    low, middle, high = np.partition(change, (n // 4, n // 2, 3 * n // 4))[[n // 4, n // 2, 3 * n // 4]]
    limit = max(WILD * (high - low) / 1.349, floor)
    off = np.where(known[LAG:] & known[:-LAG], change - middle, 0.0)
    if not (np.abs(off) > limit).any():
        return ()
    # Two thresholds, as in edge detection: only a change above the limit makes a step, one above half of it extends it.
    sign = np.where(np.abs(off) > limit / 2, np.sign(off), 0)
    edges = np.flatnonzero(np.diff(np.concatenate(([0.0], sign, [0.0]))))
    found: list[Shift] = []
    for begin, past in zip(edges[:-1].tolist(), edges[1:].tolist(), strict=True):
        if sign[begin] == 0 or np.abs(off[begin:past]).max() <= limit:
            continue
        end = past + LAG - 1
        found.extend(_shift(lattice, begin, end, float(middle) / LAG))
    return tuple(found)


def one_off(found: tuple[Shift, ...]) -> tuple[Shift, ...]:
    """Select the steps that say nothing about growth: a few, each independent.

    Drops that no rise preceded are clearings if there is more than one: they belong to the rises between them. Not for
    steps that recur: none of those is one-off.
    """
    drops = _drops(found)
    return tuple(s for s in found if len(drops) < 2 or s not in drops)


def single_drops(found: tuple[Shift, ...]) -> tuple[Shift, ...]:
    """The drop that takes back no rise, if there is only one."""
    drops = _drops(found)
    return tuple(drops) if len(drops) == 1 else ()


def drop_before(lattice: Floats, place: int) -> Shift:
    """The drop that was complete at this place."""
    first, last = _edges(lattice, max(place - 4, 0), place)
    return Shift(first, last, float(median(lattice[place : place + 3]) - lattice[first]))


def jumpy(found: tuple[Shift, ...]) -> bool:
    """Return whether the steps recur, so that they are how this level moves. Many imports are growth."""
    rises, drops = [s for s in found if s.size > 0], _drops(found)
    lasting = len(rises) - (len(found) - len(rises) - len(drops))
    return bool(rises) and (len(found) > MOST or lasting >= RECURRING or (len(drops) > 1 and len(rises) > 1))


def _drops(found: tuple[Shift, ...]) -> list[Shift]:
    """The drops that take back no rise."""
    return [s for s in found if s.size < 0 and not _undoes(s, found)]


def _undoes(drop: Shift, found: tuple[Shift, ...]) -> bool:
    """Return whether a drop takes back an earlier step up, as when a large file is deleted again."""
    return any(s.end <= drop.begin and takes_back(drop.size, s.size) for s in found if s.size > 0)


def takes_back(drop: float, rise: float) -> bool:
    """Return whether a drop is about as large as a rise."""
    return ABOUT[0] < -drop / rise < ABOUT[1]


def _shift(lattice: Floats, begin: int, end: int, usual: float) -> list[Shift]:
    """The shift from begin to end, relative to the usual change; none if it is not complete."""
    rest = max(QUIET, (end - begin) // 4)
    if end + rest >= len(lattice):
        return []
    rate = (lattice[end] - lattice[begin]) / (end - begin)
    if (lattice[end + rest] - lattice[end]) / rest / rate > 0.3:
        return []
    begin, end = _edges(lattice, begin, end)
    first, last = max(begin - 2, 0), min(end + 3, len(lattice))
    size = median(lattice[end:last]) - median(lattice[first : begin + 1])
    # What usually changes from the middle of the places before to the middle of those after is no part of the step.
    return [Shift(begin, end, size - usual * ((end + last - 1) / 2 - (first + begin) / 2))]


def _edges(lattice: Floats, begin: int, end: int) -> tuple[int, int]:
    """The same step without the usual places at its ends, which the lag added."""
    moves = np.flatnonzero(np.abs(np.diff(lattice[begin : end + 1])) > PART * abs(lattice[end] - lattice[begin]))
    return (begin + int(moves[0]), begin + int(moves[-1]) + 1) if len(moves) else (begin, end)


@dataclass(frozen=True, slots=True)
class Rise:
    """A rise that ended in a drop: lattice places where it began and where it was cleared, its peak, its height,
    and the level after it.
    """

    begin: int
    end: int
    peak: float
    height: float
    bottom: float


def clearings(lattice: Floats, floor: float) -> tuple[Rise, ...]:
    """Rises that ended in a drop of a large part of their height, all within one or two lattice steps."""
    if len(lattice) < 4:
        return ()
    fall = lattice[2:] - lattice[:-2]
    usual = np.partition(np.abs(fall), len(fall) // 2)[len(fall) // 2]
    deep = fall < -max(6 * float(usual), floor)
    places = np.flatnonzero(deep[1:] & ~deep[:-1]) + 1
    if deep[0]:
        places = np.concatenate(([0], places))
    found, begin = [], 0
    for place in places.tolist():
        peak = float(lattice[max(place - 1, begin) : place + 2].max())
        bottom = float(lattice[place + 1 : place + 5].min())
        height = peak - float(lattice[begin : place + 1].min())
        if peak - bottom > LOST * height and place > begin:
            found.append(Rise(begin, place + 1, peak, height, bottom))
            begin = place + 2
    return tuple(found)


def regular(found: tuple[Rise, ...]) -> int | None:
    """The spacing of clearings if it is always the same; None if it is not, or if there are too few."""
    if len(found) < 4:
        return None
    gaps = np.diff([c.end for c in found[-9:]])
    usual = int(median(gaps))
    return usual if np.abs(gaps - usual).max() <= max(0.03 * usual, 1) else None
