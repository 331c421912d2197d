"""What the outbox and the page need of a store, so that neither knows which store it is."""

from collections.abc import Collection, Sequence
from datetime import datetime
from typing import Protocol

from watchkeeper.model.alert import Alert
from watchkeeper.model.finding import Finding
from watchkeeper.model.observation import SeriesKey
from watchkeeper.model.records import Commit, Delivery, JournalLine, Sample, Seen, Series


class OutboxStore(Protocol):
    """Keeps parcels until they are delivered."""

    async def next_parcel(self, notifier: str, passing: Collection[int] = ()) -> Delivery | None:
        """The waiting parcel of a notifier that is due first; within one thread never a later one before an earlier.

        passing: ids of parcels that count as done: delivered, though the store had no room yet to write it down.
        """
        ...

    async def parcel_done(self, parcel: Delivery, journal: JournalLine | None = None) -> None:
        """Write a parcel's new state, tries, due_at, trouble and done_at, with its journal line, in one transaction."""
        ...


class ReadStore(Protocol):
    """Answers what the page, the API and the commands ask."""

    async def series(self) -> Sequence[Series]:
        """Every series, in the order in which they were first seen."""
        ...

    async def latest(self) -> Sequence[Seen]:
        """The newest observation of every series."""
        ...

    async def samples(self, key: SeriesKey, since: datetime, until: datetime) -> Sequence[Sample]:
        """A series' samples, oldest first, both ends included."""
        ...

    async def findings(self) -> Sequence[Finding]:
        """The newest finding of every concern."""
        ...

    async def alerts(self) -> Sequence[Alert]:
        """Every alert that is not in its first normal state."""
        ...

    async def journal(
        self,
        *,
        key: SeriesKey | None = None,
        before_id: int | None = None,
        after_id: int | None = None,
        limit: int = 100,
    ) -> Sequence[JournalLine]:
        """Journal lines, newest first; with after_id oldest first (for following)."""
        ...

    async def parcels(self, *, only_open: bool = True, limit: int = 100) -> Sequence[Delivery]:
        """Parcels of every notifier, newest first; only_open leaves out what was delivered."""
        ...


class WriteStore(Protocol):
    """Takes what the pipeline writes."""

    async def commit(self, commit: Commit) -> None:
        """Write a whole turn in one transaction. Raises StoreFull where there is no room; nothing of it is in then."""
        ...
