"""How much time freed bytes gain: the recorded growth continues from a lower level.

Space that is freed at once is neither growth nor clearing, so it lowers the whole history by that much. This is the
same as a capacity that is larger by that much, and is computed that way with the one forecast that everything uses, so
that cycles, bends and the interval count as they do there.
"""

from dataclasses import dataclass

from watchkeeper.forecast import calibration
from watchkeeper.forecast.forecast import forecast
from watchkeeper.forecast.history import LevelHistory
from watchkeeper.model.forecast import Forecast, NoEnd
from watchkeeper.model.line import Floats
from watchkeeper.model.units import DAY_S

STEPS = 20
"""Maximum doublings, from the straight line's answer or a thousandth of the store: far beyond any store."""
CLOSE = 1 / 256
"""The need is found to this share of itself, rounded to the safe side: the forecast is less exact."""


@dataclass(frozen=True, slots=True)
class Recorded:
    """A level's recorded history, oldest first. at_s: seconds since 1970; used and capacity in bytes.

    range_width: of a forecast's 90 % range, in that of its law (forecast/calibration.py).
    """

    at_s: Floats
    used: Floats
    capacity: Floats
    range_width: float = 1.0


def with_freed(recorded: Recorded, freed_bytes: float, now_s: float) -> Forecast:
    """The time to full if that much had been freed just now."""
    history = LevelHistory()
    history.extend(recorded.at_s, recorded.used, recorded.capacity + freed_bytes)
    return calibration.adjusted(forecast(history, now_s), recorded.range_width)


def needed_bytes(recorded: Recorded, gain_s: float, now_s: float) -> int | None:
    """The least to free so that the likely time to full moves by gain_s; None if there is no time to full.

    It exceeds the true minimum by no more than the share CLOSE.
    """
    before = with_freed(recorded, 0, now_s)
    if before.likely_s is None:
        return None
    target_s = before.likely_s + gain_s
    # The level is full, so no growth is known: begin with a small part of the whole.
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
    """Is it full no sooner than that? Years away counts, any other reason for having no forecast does not."""
    return found.no_end is NoEnd.FAR if found.likely_s is None else found.likely_s >= target_s
