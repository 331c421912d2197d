"""Gaps in monitoring and clock changes, detected from three clocks. Pure.

If the host slept, the boot-time clock ran on while the monotonic one stopped. If the process was stopped, or the
machine stalled, both ran on while nothing was checked. If the clock was set, the wall clock differs from both. Not
here: how the daemon reacts (runtime/pipeline.py), and reading the clocks.
"""

from dataclasses import dataclass
from datetime import datetime, timedelta

STEP_S = 5.0
"""If clocks differ by this much between two readings, the clock was set or the host slept. A leap second is less, and
so is what a time service corrects by slewing."""

STALL_S = 60.0
"""If nothing was checked for so long, though it is done every 15 s, the process was stopped or the machine stalled."""


@dataclass(frozen=True, slots=True)
class Clocks:
    """One reading of the three clocks: the wall clock, and seconds of the monotonic and of the boot-time clock."""

    wall: datetime
    monotonic_s: float
    boottime_s: float


@dataclass(frozen=True, slots=True)
class Gap:
    """A gap between two readings of the clocks.

    since, until: by the wall clock. away_s: how long nothing was monitored. set_by_s: by how much the wall clock was
    set. slept: the host was suspended.
    """

    since: datetime
    until: datetime
    away_s: float = 0.0
    set_by_s: float = 0.0
    slept: bool = False

    @property
    def must_look_again(self) -> bool:
        """Return whether probes must run again before anything is evaluated. A few seconds do not matter."""
        return self.away_s > 0 or abs(self.set_by_s) >= STALL_S

    @property
    def length(self) -> timedelta:
        """How far the wall clock moved without monitoring."""
        return timedelta(seconds=self.away_s + self.set_by_s)


def between(before: Clocks, after: Clocks) -> Gap | None:
    """The gap between two readings; None if there is none."""
    ran_s = after.monotonic_s - before.monotonic_s
    slept_s = max(_beyond(after.boottime_s - before.boottime_s - ran_s, least=STEP_S), 0.0)
    set_by_s = _beyond((after.wall - before.wall).total_seconds() - ran_s - slept_s, least=STEP_S)
    away_s = slept_s + (ran_s if ran_s > STALL_S else 0.0)
    if not away_s and not set_by_s:
        return None
    return Gap(before.wall, after.wall, away_s, set_by_s, slept=slept_s > 0)


def _beyond(seconds: float, *, least: float) -> float:
    return seconds if abs(seconds) > least else 0.0
