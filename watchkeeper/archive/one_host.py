"""The records of one host of several with the names that the host itself gives, as the page reads those of a store.

Not here: which hosts there are, and what they wrote last (common_store.py).
"""

from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import replace
from datetime import datetime
from typing import Protocol, TypeVar

from watchkeeper.archive.hosts_reader import Host, HostsReader
from watchkeeper.model.alert import Alert
from watchkeeper.model.change import Change, ChangeKind
from watchkeeper.model.finding import Finding
from watchkeeper.model.forecast_record import KeptForecast
from watchkeeper.model.history.availability import AnswerHistory
from watchkeeper.model.hosts import HostRecords
from watchkeeper.model.observation import SeriesKey
from watchkeeper.model.operator.decision import Decision
from watchkeeper.model.operator.maintenance import Maintenance
from watchkeeper.model.records import Bucket, Delivery, EventLine, Sample, Seen, Series
from watchkeeper.store.rows.timestamps import to_us

T = TypeVar("T")


class Asked(Protocol):
    """What asks the reader of hosts."""

    @property
    def version(self) -> int:
        """A number that changes with every change."""
        ...

    async def ask(self, work: Callable[[HostsReader], Sequence[T]]) -> Sequence[T]:
        """The answer; nothing while the archive cannot be read."""
        ...


class OneHost:
    """The records of a host."""

    def __init__(self, asked: Asked, host: Host, records: HostRecords) -> None:
        """records: as the host itself names it, with ids among those of all hosts."""
        self._asked, self._number, self._records = asked, host.number, records

    @property
    def version(self) -> int:
        """A number that changes with every change."""
        return self._asked.version

    async def series(self) -> Sequence[Series]:
        """Every series."""
        return self._records.series

    async def latest(self) -> Sequence[Seen]:
        """The newest observation of every series."""
        return self._records.latest

    async def findings(self) -> Sequence[Finding]:
        """The newest finding of every concern."""
        return self._records.findings

    async def alerts(self) -> Sequence[Alert]:
        """Every alert that is not in its initial state."""
        return self._records.alerts

    async def samples(self, key: SeriesKey, since: datetime, until: datetime) -> Sequence[Sample]:
        """A series' samples, oldest first, both ends included."""
        return await self._asked.ask(lambda reader: reader.samples(self._number, key, since, until))

    async def samples_thinned(self, key: SeriesKey, since: datetime, until: datetime, points: int) -> Sequence[Bucket]:
        """A series' samples in about this many equal time spans, oldest first; empty spans are left out."""
        return await self._asked.ask(lambda reader: reader.samples_thinned(self._number, key, since, until, points))

    async def answers(self, series: Series, since: datetime, until: datetime) -> AnswerHistory:
        """When a service answered between two times and when it did not, oldest first."""
        found = await self._asked.ask(
            lambda reader: [reader.answers(self._number, series.key, since, until, series.interval_s)]
        )
        return found[0] if found else AnswerHistory()

    async def forecasts(self, key: SeriesKey | None = None) -> Sequence[KeptForecast]:
        """The forecasts that were kept, of a series or of all, oldest first."""
        return await self._asked.ask(lambda reader: [each for _, each in reader.forecasts([self._number], key)])

    async def changes(
        self,
        since: datetime | None = None,
        until: datetime | None = None,
        *,
        kinds: Collection[ChangeKind] = (),
        limit: int = 1_000,
    ) -> Sequence[Change]:
        """What changed on the host, newest first."""
        return await self._asked.ask(
            lambda reader: [each for _, each in reader.changes([self._number], since, until, kinds, limit)]
        )

    async def events(
        self,
        *,
        key: SeriesKey | None = None,
        before_id: int | None = None,
        after_id: int | None = None,
        limit: int = 100,
    ) -> Sequence[EventLine]:
        """Event log lines, newest first; with after_id oldest first. An id is the time in microseconds."""

        def work(reader: HostsReader) -> list[EventLine]:
            found = reader.events([self._number], key=key, before_us=before_id, after_us=after_id, limit=limit)
            return [replace(each, id=to_us(each.at)) for _, each in found]

        return await self._asked.ask(work)

    async def deliveries(self, *, only_open: bool = True, limit: int = 100) -> Sequence[Delivery]:
        """Deliveries of every notifier, newest first."""
        return await self._asked.ask(
            lambda reader: [each for _, each in reader.deliveries([self._number], only_open=only_open, limit=limit)]
        )

    async def maintenance(self) -> Sequence[Maintenance]:
        """The host keeps what is planned to itself."""
        return ()

    async def decisions(self, subject: str, since: datetime) -> Sequence[Decision]:  # noqa: ARG002  of the protocol
        """The host keeps its decisions to itself."""
        return ()

    async def waiting_deliveries(self) -> Mapping[str, int]:
        """What waits is known to the host alone."""
        return {}
