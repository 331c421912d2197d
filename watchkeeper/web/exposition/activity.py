"""What the exposition needs to know of the daemon's own work. The daemon implements it."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Protocol


@dataclass(frozen=True, slots=True)
class ProbeActivity:
    """What one probe has done since the start. took_s, ended_at: of its last run; None before the first one ended."""

    label: str
    runs: int = 0
    failures: int = 0
    took_s: float | None = None
    ended_at: datetime | None = None


@dataclass(frozen=True, slots=True)
class Activity:
    """The work since the start. attempts: attempts to deliver, by notifier and result."""

    probes: Sequence[ProbeActivity] = ()
    attempts: Mapping[tuple[str, str], int] = field(default_factory=dict)


class ActivitySource(Protocol):
    """Reports the daemon's own work; cheap, never blocks."""

    def activity(self) -> Activity:
        """The work so far."""
        ...
