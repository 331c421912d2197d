"""What the page needs to know of the daemon itself: whether the watch is being kept. The daemon implements it.

The words pass, warn and fail are those of draft-inadarei-api-health-check-06.
"""

from dataclasses import dataclass
from datetime import datetime
from enum import Enum
from typing import Protocol


class HealthReport(Enum):
    """How well a part of the daemon does."""

    PASS = "pass"  # noqa: S105  the draft's word for "well"
    WARN = "warn"  # works, with a trouble that the keeper should know
    FAIL = "fail"  # does not do its work

    @property
    def rank(self) -> int:
        """0 for pass, 2 for fail."""
        return list(HealthReport).index(self)


@dataclass(frozen=True, slots=True)
class Check:
    """One part of the daemon.

    component and measurement: what was measured on what, such as `store` and `room`. output: the trouble in words,
    empty where there is none. observed with its unit, where there is a figure.
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
    """The daemon's own state at one moment."""

    started_at: datetime
    checks: tuple[Check, ...] = ()

    @property
    def fitness(self) -> HealthReport:
        """That of the part that does worst."""
        return max((c.fitness for c in self.checks), key=lambda f: f.rank, default=HealthReport.PASS)

    @property
    def troubles(self) -> tuple[str, ...]:
        """What is wrong, in words; empty where all is well."""
        return tuple(
            c.output or f"{c.component}: {c.measurement}" for c in self.checks if c.fitness is not HealthReport.PASS
        )


class HealthSource(Protocol):
    """Answers how the daemon is; cheap, never blocks."""

    def read(self) -> Measurements:
        """The state right now."""
        ...
