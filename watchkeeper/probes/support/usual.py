"""What is usual of a duration, learned from a fortnight of hours: for disks, and for answers of services. Pure.

Of each hour the largest value is kept. Usual is what stayed below in 95 of 100 hours, so a backup of two hours a night
belongs to it. A value above the limit is not learned: what is faulty must not become usual.
"""

from pydantic import BaseModel, ConfigDict

HOURS_KEPT = 336
"""A fortnight: two of each day of the week, with their backups and scrubs."""

HOURS_LEAST = 72
"""Fewer hours with values do not show what is usual."""

IN_A_ROW = 3
"""So many values in a row must be above the limit: the first minutes of a backup are not a fault."""

HOUR_S = 3600.0


class Usual(BaseModel):
    """hours: the largest value of each hour that had one, oldest first. hour: the number of the last one since 1970.

    above: how many values in a row were above the limit.
    """

    model_config = ConfigDict(frozen=True)

    hours: tuple[float, ...] = ()
    hour: int = 0
    above: int = 0

    @property
    def usual(self) -> float | None:
        """What it stayed below in 95 of 100 hours; None if too few are known."""
        if len(self.hours) < HOURS_LEAST:
            return None
        return sorted(self.hours)[int(len(self.hours) * 0.95)]

    @property
    def lasting(self) -> bool:
        """Whether so many values in a row were above the limit that it counts."""
        return self.above >= IN_A_ROW

    def with_value(self, value: float, limit: float, at_s: float) -> "Usual":
        """The history with another value. limit: above it the value counts as a fault, and is not learned."""
        if value > limit:
            return self.model_copy(update={"above": self.above + 1})
        hour, value = int(at_s // HOUR_S), float(f"{value:.4g}")
        if hour == self.hour and self.hours:
            return Usual(hours=(*self.hours[:-1], max(self.hours[-1], value)), hour=hour)
        return Usual(hours=(*self.hours, value)[-HOURS_KEPT:], hour=hour)
