"""What the page asks of the daemon when the operator acts. The daemon implements it; the page knows no pipeline.

A method returns text for the operator if there is something to report beyond "done".
"""

from collections.abc import Sequence
from datetime import datetime
from typing import Protocol

from watchkeeper.model.alert import Concern, Priority
from watchkeeper.model.observation import SeriesKey


class Actions(Protocol):
    """Acts for the operator. Nothing here raises for an allowed action at a bad moment; the result says so instead."""

    @property
    def probes(self) -> Sequence[str]:
        """The labels of the probes that can be run."""
        ...

    @property
    def notifiers(self) -> Sequence[str]:
        """The labels of the notifiers that can be tested."""
        ...

    async def acknowledge(self, key: SeriesKey, concern: Concern) -> bool:
        """Acknowledge an alert. False if there was nothing to acknowledge."""
        ...

    async def shelve(self, key: SeriesKey, concern: Concern, until: datetime | None) -> bool:
        """Shelve an alert until a time, or (None) until it next ends. False if there is no such alert."""
        ...

    async def unshelve(self, key: SeriesKey, concern: Concern) -> bool:
        """End a shelving. False if the alert is not shelved."""
        ...

    async def note(self, text: str, key: SeriesKey | None) -> None:
        """Write the operator's note into the event log, about a series if one is given."""
        ...

    async def simulate(self, subject: str, priority: Priority, lasts_s: float) -> bool:
        """Raise a simulated alert, which ends by itself. False if nothing with that subject is monitored."""
        ...

    async def maintain(self, subject: str, until: datetime, reason: str) -> bool:
        """Begin the maintenance of a subject. False if nothing with that subject is monitored."""
        ...

    async def end_maintenance(self, subject: str) -> bool:
        """End the maintenance of a subject. False if there is none."""
        ...

    async def run_now(self, label: str) -> str:
        """Run a probe now; return the result as text. Raises KeyError if there is no such probe."""
        ...

    async def send_test(self, notifier: str) -> str:
        """Send a test message; return the result as text. Raises KeyError if there is no such notifier."""
        ...
