"""Reports that the file of the database was deleted, moved, replaced or changed by another program while it is in use.

A probe of the daemon's own, so that it is reported like anything else. Not here: how it is noticed, and what saves the
content (store/files/file_guard.py).
"""

from collections.abc import Sequence
from datetime import datetime
from typing import Protocol

from watchkeeper.alerting.rules import Rules
from watchkeeper.clock import Clock
from watchkeeper.errors import ProbeError, StoreError
from watchkeeper.model.observation import Condition, Observation
from watchkeeper.probes.base import BaseProbe
from watchkeeper.probes.own.self_check import LOCATION
from watchkeeper.runtime.scheduled_probe import ScheduledProbe
from watchkeeper.store.recovery.location import Location

LABEL = " database location"
"""Among the probes; no configured probe can have this name, because names are stripped."""

EVERY_S = 15.0


class LocatedStore(Protocol):
    """What this needs of the store."""

    async def look_at_file(self, now: datetime) -> Location:
        """Compare the file in use with what the database's path names now. Raises StoreError."""
        ...


class DatabaseLocation(BaseProbe):
    """Compares the file once each time."""

    def __init__(self, store: LocatedStore, clock: Clock) -> None:
        self._store, self._clock = store, clock

    async def observe(self) -> Sequence[Observation]:
        """Compare once. Raises ProbeError where that is not possible."""
        try:
            found = await self._store.look_at_file(self._clock.now())
        except (StoreError, OSError) as error:
            raise ProbeError(f"the file of the database cannot be checked: {error}") from error
        reason = reason_of(found)
        return [Condition(LOCATION, ok=not reason, reason=reason, grave=True)]

    def watched(self) -> ScheduledProbe:
        """The probe for the schedule."""
        return ScheduledProbe(LABEL, EVERY_S, self, Rules())


def reason_of(found: Location) -> str:
    """What happened, and what to do; empty where all is well."""
    if found.changed:
        return f"{found.changed}: only watchkeeper may do that. Its rows and definitions were checked"
    if not found.lost:
        return ""
    if found.why_not:
        return (
            f"{found.lost}, and its content cannot be written to a new file ({found.why_not}). It is lost when "
            "watchkeeper stops: make it possible to write there, and do not restart before this alert has ended"
        )
    if found.written:
        return f"{found.lost}. Its content was written to {found.path}, where monitoring continues: find the cause"
    return f"{found.lost}. Monitoring continues in {found.path}: stop watchkeeper, move that file back, start it again"
