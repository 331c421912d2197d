"""What the page needs to know of the daemon itself: whether monitoring works. The daemon implements it.

The words pass, warn and fail are those of draft-inadarei-api-health-check-06.
"""

from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from typing import Protocol


class HealthReport(StrEnum):
    """The health of a part of the daemon."""

    PASS = "pass"  # noqa: S105  the draft's word for "OK"
    WARN = "warn"  # works, with a problem that the operator should know of
    FAIL = "fail"  # does not work

    @property
    def rank(self) -> int:
        """0 for pass, 2 for fail."""
        return list(HealthReport).index(self)


@dataclass(frozen=True, slots=True)
class Check:
    """One part of the daemon.

    component and measurement: what was measured on what, such as `store` and `room`. output: the problem as text, empty
    if there is none. observed with its unit, if there is a value.
    """

    component: str
    measurement: str
    fitness: HealthReport
    output: str = ""
    observed: float | str | None = None
    unit: str = ""
    at: datetime | None = None


@dataclass(frozen=True, slots=True)
class Measurements:
    """The daemon's own state at one time."""

    started_at: datetime
    checks: tuple[Check, ...] = ()

    @property
    def fitness(self) -> HealthReport:
        """The health of the worst part."""
        return max((c.fitness for c in self.checks), key=lambda f: f.rank, default=HealthReport.PASS)

    @property
    def troubles(self) -> tuple[str, ...]:
        """What is wrong, as text; empty if all is OK."""
        return tuple(
            c.output or f"{c.component}: {c.measurement}" for c in self.checks if c.fitness is not HealthReport.PASS
        )


class HealthSource(Protocol):
    """Reports how the daemon is; cheap, never blocks."""

    def read(self) -> Measurements:
        """The current state."""
        ...
