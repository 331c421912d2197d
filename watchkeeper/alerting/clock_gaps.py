"""Gaps in the watch and steps of the clock, read off three clocks. Pure.

A host that slept has a boot-time clock that ran on while the monotonic one stood still; a process that was stopped,
or a machine that was held up, has both run on with nobody looking; a clock that was set has the wall clock run apart
from both. Not here: what is done about it (runtime/pipeline.py), and reading the clocks.
"""

from dataclasses import dataclass
from datetime import datetime, timedelta

STEP_S = 5.0
"""Clocks that run apart by this much between two looks were set, or the host slept. A leap second is less, and so is
what a time service corrects by slewing."""

STALL_S = 60.0
"""With nothing looked at for so long, though it is done every 15 s, the process was stopped or the machine held up."""


@dataclass(frozen=True, slots=True)
class Clocks:
    """One look at the three clocks: the wall clock, and seconds of the monotonic and of the boot-time clock."""

    wall: datetime
    monotonic_s: float
    boottime_s: float


@dataclass(frozen=True, slots=True)
class Gap:
    """What lies between two looks that do not follow on each other.

    since, until: by the wall clock. away_s: how long nobody looked. set_by_s: by how much the wall clock was set.
    slept: the host was suspended.
    """

    since: datetime
    until: datetime
    away_s: float = 0.0
    set_by_s: float = 0.0
    slept: bool = False

    @property
    def looks_anew(self) -> bool:
        """Must probes look again before anything is judged? A few seconds more or less do not matter."""
        return self.away_s > 0 or abs(self.set_by_s) >= STALL_S

    @property
    def length(self) -> timedelta:
        """By how much the wall clock moved without the watch."""
        return timedelta(seconds=self.away_s + self.set_by_s)


def between(before: Clocks, after: Clocks) -> Gap | None:
    """The gap between two looks; None where they follow on each other."""
    ran_s = after.monotonic_s - before.monotonic_s
    slept_s = max(_beyond(after.boottime_s - before.boottime_s - ran_s, least=STEP_S), 0.0)
    set_by_s = _beyond((after.wall - before.wall).total_seconds() - ran_s - slept_s, least=STEP_S)
    away_s = slept_s + (ran_s if ran_s > STALL_S else 0.0)
    if not away_s and not set_by_s:
        return None
    return Gap(before.wall, after.wall, away_s, set_by_s, slept=slept_s > 0)


def _beyond(seconds: float, *, least: float) -> float:
    return seconds if abs(seconds) > least else 0.0
