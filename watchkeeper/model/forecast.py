"""When a level will be full: a forecast with its 90 % range, or the reason why there is none."""

from dataclasses import dataclass
from enum import StrEnum

from watchkeeper.model.line import Line

EARLY_S = 0.9 * 86_400.0
"""What has lasted for most of a day is rarely a job."""
EARLY_SHARE = 0.95
"""What began before is as likely to last as long again (Gott, Nature 363, 1993): less is too little to name a date."""
FIRST_S = 3_600.0
"""A record that is shorter than this says nothing yet, except what a rule believes."""
GRACE_S = 7_200.0
"""The start of a growth may be estimated this much too late, and evaluations are only periodic."""


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
    """A completed change of level within hours: times in seconds since 1970, size in the level's unit."""

    begin_s: float
    end_s: float
    size: float


@dataclass(frozen=True, slots=True)
class UnusualGrowth:
    """A growth that is faster than any recorded one and too young for a date.

    since_s, full_s: seconds since 1970: when it began, and when it fills the rest at its present rate. per_day: that
        rate, in the level's unit.
    """

    since_s: float
    per_day: float
    full_s: float


@dataclass(frozen=True, slots=True)
class Forecast:
    """When a level will be full, as calculated at `at_s`. Times are seconds since 1970 (UTC).

    earliest_s, likely_s, latest_s: the likely time and the ends of its 90 % interval. All are None if and only if
        `no_end` gives a reason; latest_s alone is None if the interval has no upper end.
    used, capacity: the newest sample. full: it is already full, and all three times are `at_s`.
    growth_per_day: of the current trend, in the level's unit; None if there is no trend.
    since_s: the start of the part of the history that the trend is fitted to.
    recorded_since_s: the time of the first sample; None if there is none.
    bend: how much the growth itself increases in half a day; 0 if the trend is a line.
    cycle_s: length of the cycle found in the usage (a nightly prune: 86 400); None for none.
    cycles: how many whole rounds of it were seen.
    pruned_s: when the cycle last fell back to its lowest; None if it falls gradually, or there is no cycle.
    steps: completed changes within hours, which are not counted as growth.
    unusual: an unusual growth that the forecast does not include yet.
    stopped_s: when a growth of the first day stopped; then there is no date, and no rate.
    resting_since_s: since when a growth of the first day has gained nothing, for as long as in its longest pause: it
        may have stopped.
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
    recorded_since_s: float | None = None
    bend: float = 0.0
    cycle_s: float | None = None
    cycles: int = 0
    pruned_s: float | None = None
    steps: tuple[Step, ...] = ()
    line: Line | None = None
    spread: float = 0.0
    unusual: UnusualGrowth | None = None
    stopped_s: float | None = None
    resting_since_s: float | None = None

    @property
    def learning(self) -> bool:
        """Whether the record is in its first hour."""
        return self.recorded_since_s is not None and self.at_s - self.recorded_since_s < FIRST_S

    @property
    def early(self) -> bool:
        """Whether the growth is so short that its date is not shown: within its first day, shorter than the time left.

        So a process that has run for minutes has no date in days. From most of a day on it is rarely a job, and the
        90 % range says how uncertain the date is.
        """
        if self.likely_s is None or self.since_s is None or self.full:
            return False
        lasted_s = self.at_s - self.since_s
        return lasted_s < EARLY_S and lasted_s + min(GRACE_S, lasted_s) < EARLY_SHARE * (self.likely_s - self.at_s)
