"""How much time freed bytes gain: the recorded growth goes on from a lower level.

What comes free at once is no growth and no clearing, so it moves the whole history down by so much. That is the same as
a capacity that is larger by so much: which is how it is reckoned, with the one forecast that everything uses, so that
cycles, bends and the interval count here as they do there.
"""

from dataclasses import dataclass

from watchkeeper.forecast.forecast import forecast
from watchkeeper.forecast.history import LevelHistory
from watchkeeper.model.forecast import Forecast, NoEnd
from watchkeeper.model.line import Floats
from watchkeeper.model.units import DAY_S

STEPS = 20
"""Doublings at most, from the straight line's answer or a thousandth of the store: far beyond any store."""
CLOSE = 1 / 256
"""The need is found to this share of itself, on the safe side: the forecast knows less."""


@dataclass(frozen=True, slots=True)
class Recorded:
    """A level's recorded past, oldest first. at_s: seconds since 1970; used and capacity in bytes."""

    at_s: Floats
    used: Floats
    capacity: Floats


def with_freed(recorded: Recorded, freed_bytes: float, now_s: float) -> Forecast:
    """The time to full, had so much been freed just now."""
    history = LevelHistory()
    history.extend(recorded.at_s, recorded.used, recorded.capacity + freed_bytes)
    return forecast(history, now_s)


def needed_bytes(recorded: Recorded, gain_s: float, now_s: float) -> int | None:
    """The least to be freed for the likely time to full to move by gain_s; None where there is no time to full.

    No more than CLOSE of it is asked for in vain.
    """
    before = with_freed(recorded, 0, now_s)
    if before.likely_s is None:
        return None
    target_s = before.likely_s + gain_s
    # A full level tells no growth: then it begins with a small part of the whole.
    straight = (before.growth_per_day or 0.0) * gain_s / DAY_S
    short, enough = 0.0, straight if straight >= 1 else max(before.capacity / 1024, 1.0)
    for _ in range(STEPS):
        if _lasts(with_freed(recorded, enough, now_s), target_s):
            break
        short, enough = enough, 2 * enough
    else:
        return None
    while enough - short > max(CLOSE * enough, 1.0):
        middle = (short + enough) / 2
        if _lasts(with_freed(recorded, middle, now_s), target_s):
            enough = middle
        else:
            short = middle
    return int(-(-enough // 1))


def _lasts(found: Forecast, target_s: float) -> bool:
    """Is it full no sooner than that? Years away counts, any other want of a forecast does not."""
    return found.no_end is NoEnd.FAR if found.likely_s is None else found.likely_s >= target_s
