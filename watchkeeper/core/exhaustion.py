"""Time to full: from a level's history to earliest, likely and latest, or the named reason why no end is in sight."""

import math
from dataclasses import dataclass
from enum import StrEnum

from watchkeeper.core.history import LevelHistory
from watchkeeper.core.trend import Line, least_squares

DAY_S = 86_400.0


class NoEnd(StrEnum):
    """Why there is no forecast."""

    TOO_FEW = "too few samples"
    STILL = "not filling"
    SHRINKING = "shrinking"
    UNCERTAIN = "too uncertain"
    FAR = "years away"


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


def forecast(history: LevelHistory, now_s: float) -> Forecast:
    """Forecast when the level is full; never raises and never holds NaN, whatever finite numbers it was given."""
    at, used, capacity = history.arrays()
    if len(at) < 8:
        last_used, last_capacity = (float(used[-1]), float(capacity[-1])) if len(at) else (0.0, 1.0)
        return Forecast(now_s, last_used, last_capacity, no_end=NoEnd.TOO_FEW)
    line = least_squares(at, used)
    last = Forecast(
        now_s, float(used[-1]), float(capacity[-1]), line=line, since_s=float(at[0]), growth_per_day=line.slope * DAY_S
    )
    room = last.capacity - line.value(now_s)
    if line.slope <= 0 or not math.isfinite(room / line.slope):
        from dataclasses import replace

        return replace(last, no_end=NoEnd.STILL if line.slope == 0 else NoEnd.SHRINKING)
    from dataclasses import replace

    likely = now_s + max(room, 0) / line.slope
    half = 1.645 * line.slope_error
    slow = line.slope - half
    return replace(
        last,
        earliest_s=now_s + max(room, 0) / (line.slope + half),
        likely_s=likely,
        latest_s=now_s + max(room, 0) / slow if slow > 0 else None,
    )
