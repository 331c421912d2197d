"""When a level will be full: a forecast with its 90 % range, or the reason why there is none."""

from dataclasses import dataclass
from enum import StrEnum

from watchkeeper.model.line import Line


class NoEnd(StrEnum):
    """Why there is no forecast."""

    TOO_FEW = "too few samples"
    STILL = "not filling"
    SHRINKING = "shrinking"
    UNCERTAIN = "too uncertain"
    FAR = "years away"
    CLEARED = "cleared before it fills"


@dataclass(frozen=True, slots=True)
class Step:
    """A change of level within hours that is over: seconds since 1970, and size in the level's unit."""

    begin_s: float
    end_s: float
    size: float


@dataclass(frozen=True, slots=True)
class Forecast:
    """When a level will be full, as seen at `at_s`. Instants are seconds since 1970 (UTC).

    earliest_s, likely_s, latest_s: the likely time and the ends of its 90 % interval. All None exactly where `no_end`
        says why; latest_s alone is None where the interval has no upper end.
    used, capacity: the newest sample. full: it is full already, and all three instants are at `at_s`.
    growth_per_day: of the trend now, in the level's unit; None where there is no trend.
    since_s: the start of the stretch of history that the trend rests on.
    bend: by how much the growth itself grows in half a day; 0 where the trend is a line.
    cycle_s: length of the cycle that was found in the use (a nightly prune: 86 400); None for none.
    pruned_s: when the cycle last fell back to its lowest; None where it comes down gently, or there is none.
    steps: changes within hours that are over, and are not counted as growth.
    line: for drawing; value(at) = line.at(at_s). spread: half the width of its 90 % band at `at_s`.
    """

    at_s: float
    used: float
    capacity: float
    earliest_s: float | None = None
    likely_s: float | None = None
    latest_s: float | None = None
    no_end: NoEnd | None = None
    full: bool = False
    growth_per_day: float | None = None
    since_s: float | None = None
    bend: float = 0.0
    cycle_s: float | None = None
    pruned_s: float | None = None
    steps: tuple[Step, ...] = ()
    line: Line | None = None
    spread: float = 0.0
