"""Level shifts: an image imported, a large file deleted. A step that is over says nothing about growth.

A step is a change within hours that is far outside of what the level usually does, and that has ended.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from watchkeeper.model.line import Floats

LAG = 3
"""Lattice steps over which a change is looked at: an import takes an hour or two."""
WILD = 8.0
"""How many standard deviations of usual changes make a step."""
MOST = 12
"""More than this many are not steps but the way that this level behaves."""
RECURRING = 5
"""So many rises that stay, within the hours that are kept, are growth."""
ABOUT = (0.7, 1.4)
"""A drop of 0.7 to 1.4 times a rise takes it back."""
PART = 0.05
"""A place belongs to a step where it brings this share of it at least."""
LOST = 0.3
"""The share of a rise that a clearing takes away at least; the rest is growth."""
QUIET = 2
"""Lattice steps that must have been usual before a step is over."""


@dataclass(frozen=True, slots=True)
class Shift:
    """A shift by `size` between two lattice places."""

    begin: int
    end: int
    size: float


def find_steps(lattice: Floats, known: NDArray[np.bool_], floor: float) -> tuple[Shift, ...]:
    """The steps in evenly spaced levels (cycle taken away).

    known: where the level was seen; elsewhere it is a guess. floor: the least change that counts.
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
    # Two thresholds, as for edges in a picture: what is wild makes a step, what is half as wild still belongs to it.
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
    """Those of the steps that say nothing about growth: a few, each for itself.

    Drops that no rise has gone before are clearings, where there are more than one: they belong to what rises between.
    """
    if jumpy(found):
        return ()
    drops = _drops(found)
    return tuple(s for s in found if len(drops) < 2 or s not in drops)


def jumpy(found: tuple[Shift, ...]) -> bool:
    """Do the steps come again and again, so that they are how this level moves? Many imports are growth."""
    rises, drops = [s for s in found if s.size > 0], _drops(found)
    lasting = len(rises) - (len(found) - len(rises) - len(drops))
    return bool(rises) and (len(found) > MOST or lasting >= RECURRING or (len(drops) > 1 and len(rises) > 1))


def _drops(found: tuple[Shift, ...]) -> list[Shift]:
    """The drops that take nothing back."""
    return [s for s in found if s.size < 0 and not _undoes(s, found)]


def _undoes(drop: Shift, found: tuple[Shift, ...]) -> bool:
    """Does a drop take back a step up that came before it, as when a large file goes again?"""
    return any(s.end <= drop.begin and takes_back(drop.size, s.size) for s in found if s.size > 0)


def takes_back(drop: float, rise: float) -> bool:
    """Is a drop about as large as a rise?"""
    return ABOUT[0] < -drop / rise < ABOUT[1]


def _shift(lattice: Floats, begin: int, end: int, usual: float) -> list[Shift]:
    """The shift from begin to end, measured against the usual change; none where it is not over."""
    rest = max(QUIET, (end - begin) // 4)
    if end + rest >= len(lattice):
        return []
    rate = (lattice[end] - lattice[begin]) / (end - begin)
    if (lattice[end + rest] - lattice[end]) / rest / rate > 0.3:
        return []
    begin, end = _edges(lattice, begin, end)
    before = float(np.median(lattice[max(begin - 2, 0) : begin + 1]))
    after = float(np.median(lattice[end : end + 3]))
    return [Shift(begin, end, after - before - usual * (end - begin))]


def _edges(lattice: Floats, begin: int, end: int) -> tuple[int, int]:
    """The same step without the usual places at its ends, which the lag has brought in."""
    moves = np.flatnonzero(np.abs(np.diff(lattice[begin : end + 1])) > PART * abs(lattice[end] - lattice[begin]))
    return (begin + int(moves[0]), begin + int(moves[-1]) + 1) if len(moves) else (begin, end)


@dataclass(frozen=True, slots=True)
class Rise:
    """A rise that ended in a drop: lattice places where it began and where it was cleared, its peak and its height."""

    begin: int
    end: int
    peak: float
    height: float


def clearings(lattice: Floats, floor: float) -> tuple[Rise, ...]:
    """Rises that ended in a drop of a good part of their height, all within one lattice step or two."""
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
            found.append(Rise(begin, place + 1, peak, height))
            begin = place + 2
    return tuple(found)


def regular(found: tuple[Rise, ...]) -> int | None:
    """The spacing of clearings where it is always the same; None where it is not, or where there are too few."""
    if len(found) < 4:
        return None
    gaps = np.diff([c.end for c in found[-9:]])
    usual = int(np.median(gaps))
    return usual if np.abs(gaps - usual).max() <= max(0.03 * usual, 1) else None
