"""Has a growth of the first day stopped? A test against its own pauses, for the time in which the trend lags behind.

The trend of a young record is fitted to all of its samples, so for as long as the growth lasted it goes on to promise
an end that nothing moves towards. The growth has stopped if the level has gained nothing for longer than PAUSES times
its longest pause while it grew. A job that writes once in a while has pauses of that length, and one that writes evenly
has none; noise makes its own, since a new highest value then comes later.

Not here: the end of a growth in a record of days, which is a completed step (trends/level_shifts.py).
"""

from dataclasses import replace

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
    """The forecast without date and rate if the growth of a young record has stopped; otherwise the same."""
    if found.full or found.recorded_since_s is None or found.at_s - found.recorded_since_s >= EARLY_S:
        return found
    at, used, _ = history.recent()
    stopped_s = _stopped_s(at, used, LEAST * (found.capacity - found.used))
    if stopped_s is None:
        return found
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
        stopped_s=stopped_s,
    )


def _stopped_s(at: Floats, used: Floats, least: float) -> float | None:
    """When the level reached what it has not exceeded since; None if it may still grow, or has fallen.

    least: a growth that brought less than this is none.
    """
    if len(used) < 2 * FEWEST:
        return None
    highest, top = np.maximum.accumulate(used), int(used.argmax())
    gained = float(used[top] - used[: top + 1].min())
    if gained <= least or used[-1] < used[top] - FALLEN * gained:
        return None
    stop = int(np.flatnonzero(highest >= used[top] - NOTHING * gained)[0])
    begin = int(np.flatnonzero(used[: stop + 1] <= used[top] - GAINED * gained)[-1])
    gains = _gains(highest[begin : stop + 1], NOTHING * gained)
    if min(len(used) - 1 - stop, len(gains)) < FEWEST:
        return None
    longest = float(np.diff(at[begin : stop + 1][gains]).max())
    return float(at[stop]) if at[-1] - at[stop] > PAUSES * longest else None


def _gains(highest: Floats, least: float) -> list[int]:
    """The places at which the level had gained at least so much since the last of these, with the first place."""
    places, known = [0], float(highest[0])
    for place, value in enumerate(highest.tolist()):
        if value >= known + least:
            places.append(place)
            known = value
    return places
