"""Has a growth of the first day stopped? A test against its own pauses, for the time in which the trend lags behind.

The trend of a young record is fitted to all of its samples, so for as long as the growth lasted it goes on to promise
an end that nothing moves towards. The growth has stopped if the level has gained nothing for longer than PAUSES times
its longest pause while it grew. A job that writes once in a while has pauses of that length, and one that writes evenly
has none; noise makes its own, since a new highest value then comes later. Before that, from a pause as long as its
longest one on, it is resting: the forecast stays as it is, and raises nothing until the level gains again.

Not here: the end of a growth in a record of days, which is a completed step (trends/level_shifts.py).
"""

from dataclasses import dataclass, replace

import numpy as np

from watchkeeper.forecast.history import LevelHistory
from watchkeeper.model.forecast import EARLY_S, Forecast, NoEnd
from watchkeeper.model.line import Floats

FEWEST = 5
"""Samples without a gain that are needed at least, and samples with a gain before them."""
PAUSES = 3.0
"""So many times the longest pause must the present one have lasted."""
GAINED = 0.7
"""The growth is the last part that brought this share of what was gained: what came before it is another one."""
FALLEN = 0.1
"""A level that has given back this share of the growth is another matter: it may grow again from there."""
LEAST = 0.05
"""A growth that brought less than this share of what is left raises no alert, and noise alone brings as much."""
NOTHING = 0.02
"""A gain below this share of the growth is none: other programs write a little all the time."""


def with_stopped_growth(found: Forecast, history: LevelHistory) -> Forecast:
    """The forecast without date and rate if the growth of a young record has stopped; with `resting_since_s` if it
    rests; otherwise the same.
    """
    if found.full or found.recorded_since_s is None or found.at_s - found.recorded_since_s >= EARLY_S:
        return found
    at, used, _ = history.recent()
    rest = _rest(at, used, LEAST * (found.capacity - found.used))
    if rest is None or rest.pauses < 1:
        return found
    if not rest.sure or rest.pauses <= PAUSES:
        return replace(found, resting_since_s=rest.since_s)
    return replace(
        found,
        earliest_s=None,
        likely_s=None,
        latest_s=None,
        no_end=found.no_end or NoEnd.STILL,
        growth_per_day=None,
        bend=0.0,
        line=None,
        spread=0.0,
        unusual=None,
        stopped_s=rest.since_s,
    )


@dataclass(frozen=True, slots=True)
class _Rest:
    """Since when the level has gained nothing, and for how many times the growth's longest pause.

    sure: there are samples enough, before it and since, to say that the growth has stopped.
    """

    since_s: float
    pauses: float
    sure: bool


def _rest(at: Floats, used: Floats, least: float) -> _Rest | None:
    """The rest of a growth; None if there is no growth, or it has fallen.

    least: a growth that brought less than this is none.
    """
    top = int(used.argmax()) if len(used) else 0
    lowest = top - int(used[: top + 1][::-1].argmin())
    # What came before the lowest level is another growth, which was cleared.
    at, used, top = at[lowest:], used[lowest:], top - lowest
    if not top:
        return None
    highest, gained = np.maximum.accumulate(used), float(used[top] - used[0])
    if gained <= least or used[-1] < used[top] - FALLEN * gained:
        return None
    stop = int(np.flatnonzero(highest >= used[top] - NOTHING * gained)[0])
    begin = int(np.flatnonzero(used[: stop + 1] <= used[top] - GAINED * gained)[-1])
    gains = _gains(np.maximum.accumulate(used[begin : stop + 1]), NOTHING * gained)
    longest = float(np.diff(at[begin : stop + 1][gains]).max())
    sure = min(len(used) - 1 - stop, len(gains)) >= FEWEST
    return _Rest(float(at[stop]), float(at[-1] - at[stop]) / longest, sure)


def _gains(highest: Floats, least: float) -> list[int]:
    """The places at which the level had gained at least so much since the last of these, with the first place."""
    places, known = [0], float(highest[0])
    for place, value in enumerate(highest.tolist()):
        if value >= known + least:
            places.append(place)
            known = value
    return places
