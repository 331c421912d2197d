"""The interface that the outbox and the page need of a store, so that neither depends on a specific store."""

from collections.abc import Collection, Sequence
from datetime import datetime
from typing import Protocol

from watchkeeper.model.alert import Alert
from watchkeeper.model.change import Change, ChangeKind
from watchkeeper.model.finding import Finding
from watchkeeper.model.forecast_record import KeptForecast
from watchkeeper.model.observation import SeriesKey
from watchkeeper.model.operator.decision import Decision
from watchkeeper.model.operator.maintenance import Maintenance
from watchkeeper.model.records import Commit, Delivery, EventLine, Sample, Seen, Series


class OutboxStore(Protocol):
    """Keeps deliveries until they are completed."""

    async def alerts(self) -> Sequence[Alert]:
        """Every alert that is not in its initial normal state."""
        ...

    async def next_delivery(self, notifier: str, passing: Collection[int] = ()) -> Delivery | None:
        """The waiting delivery of a notifier that is due first; within a thread, earlier messages always come first.

        passing: ids of deliveries that count as done: delivered, but the store has had no space to record it yet.
        """
        ...

    async def held_deliveries(self, notifier: str, now: datetime) -> Sequence[Delivery]:
        """The deliveries that were held for quiet hours, are due and not tried yet, in the order they were made."""
        ...

    async def put_together(self, one: Delivery, held: Sequence[tuple[Delivery, EventLine]]) -> None:
        """Add a delivery in place of others, which are done with it, with their event log lines, in one transaction."""
        ...

    async def delivery_done(self, delivery: Delivery, journal: EventLine | None = None) -> None:
        """Write a delivery's state, tries, due_at, trouble and done_at, with its event log line, in one transaction."""
        ...


class ReadStore(Protocol):
    """Answers the queries of the page, the API and the commands."""

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

    async def forecasts(self, key: SeriesKey | None = None) -> Sequence[KeptForecast]:
        """The forecasts that were kept, of a series or of all, oldest first; with their outcomes, as far as known."""
        ...

    async def maintenance(self) -> Sequence[Maintenance]:
        """What maintenance is planned; some of it may be over."""
        ...

    async def decisions(self, subject: str, since: datetime) -> Sequence[Decision]:
        """Why something was or was not sent about a subject since an instant, oldest first."""
        ...

    async def changes(
        self,
        since: datetime | None = None,
        until: datetime | None = None,
        *,
        kinds: Collection[ChangeKind] = (),
        limit: int = 1_000,
    ) -> Sequence[Change]:
        """What changed on the host from `since` to `until`, both included, newest first. kinds: only these, if any."""
        ...

    async def alerts(self) -> Sequence[Alert]:
        """Every alert that is not in its initial normal state."""
        ...

    async def events(
        self,
        *,
        key: SeriesKey | None = None,
        before_id: int | None = None,
        after_id: int | None = None,
        limit: int = 100,
    ) -> Sequence[EventLine]:
        """Event log lines, newest first; with after_id oldest first (for following)."""
        ...

    async def deliveries(self, *, only_open: bool = True, limit: int = 100) -> Sequence[Delivery]:
        """Deliveries of every notifier, newest first; only_open leaves out the completed ones."""
        ...


class WriteStore(Protocol):
    """Accepts what the pipeline writes."""

    async def commit(self, commit: Commit, *, with_kept: bool = False) -> None:
        """Write a unit of work in one transaction. Raises StoreFull if there is no space: nothing is stored.

        with_kept: it contains everything that was kept aside.
        """
        ...

    async def keep_aside(self, commit: Commit) -> bool:
        """Write outside the database what it cannot take now, in place of what was kept before; False if that fails."""
        ...
