"""What the page asks of the daemon when the keeper acts. The daemon implements it; the page knows no pipeline.

Every method returns words for the keeper where there is something to say beyond "done".
"""

from collections.abc import Sequence
from datetime import datetime
from typing import Protocol

from watchkeeper.model.alert import Concern
from watchkeeper.model.observation import SeriesKey


class Actions(Protocol):
    """Acts for the keeper. Nothing here raises for what the keeper may do at a bad moment; it says so instead."""

    @property
    def probes(self) -> Sequence[str]:
        """The labels of the probes that can be run."""
        ...

    @property
    def notifiers(self) -> Sequence[str]:
        """The labels of the notifiers that can be tried."""
        ...

    async def acknowledge(self, key: SeriesKey, concern: Concern) -> bool:
        """The keeper knows of an alert. False where there was nothing to acknowledge."""
        ...

    async def shelve(self, key: SeriesKey, concern: Concern, until: datetime | None) -> bool:
        """Set an alert aside until an instant, or (None) until it next ends. False where there is no such alert."""
        ...

    async def unshelve(self, key: SeriesKey, concern: Concern) -> bool:
        """Take a shelving back. False where it is not shelved."""
        ...

    async def note(self, text: str, key: SeriesKey | None) -> None:
        """Write the keeper's own words into the journal, about a series where one is given."""
        ...

    async def run_now(self, label: str) -> str:
        """Run a probe at once; what came of it, in words. Raises KeyError where there is no such probe."""
        ...

    async def trial(self, notifier: str) -> str:
        """Send a test message; what became of it, in words. Raises KeyError where there is no such notifier."""
        ...
