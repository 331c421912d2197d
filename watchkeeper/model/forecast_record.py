"""A forecast that was shown, and what became of it."""

from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum

from watchkeeper.model.observation import SeriesKey


class Outcome(StrEnum):
    """How a forecast was decided."""

    FILLED = "filled"
    PASSED = "passed"  # the end of the range passed, and the level was not full
    CLEARED = "cleared"  # room was made
    ENLARGED = "enlarged"  # the capacity changed


@dataclass(frozen=True, slots=True)
class KeptForecast:
    """One forecast of a level. Times `_s` are seconds since 1970.

    at: when it was made; there is one of a series at an instant. earliest_s, likely_s, latest_s: as shown; latest_s is
        None if the range had no upper end. used, capacity, swing: of the level then; swing: of its cycle, 0 for none.
    since_s: since when it grew. warned: whether a warning or an alarm was active.
    outcome, decided_at: how and when it was decided; None while it is open.
    held: whether the range held the truth; None if that is not known, because room was made or the capacity changed.
    error: by how much the likely time left was off, as a share of the true time left; None if that is not known.
    miss: the probability that the range missed the truth: 0 or 1 if it is known, else by the forecast's own law.
    """

    key: SeriesKey
    at: datetime
    earliest_s: float
    likely_s: float
    latest_s: float | None
    used: float
    capacity: float
    swing: float = 0.0
    since_s: float | None = None
    warned: bool = False
    outcome: Outcome | None = None
    decided_at: datetime | None = None
    held: bool | None = None
    error: float | None = None
    miss: float | None = None


@dataclass(frozen=True, slots=True)
class RecordSummary:
    """What a record of forecasts comes to.

    count: forecasts whose time has come; held: of those, how many ranges held the truth.
    cut_short: forecasts that ended before, because room was made or the capacity changed.
    median_error: of the likely time left, as a share of the true one; None if most of them passed without filling.
    fills: how often a level with forecasts filled; warned: of those, how often a warning came early enough.
    """

    count: int
    held: int
    cut_short: int
    median_error: float | None
    fills: int
    warned: int
