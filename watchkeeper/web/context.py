"""What every handler works with: the store, the clock, the daemon's own state, and the page's names."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, tzinfo
from typing import Protocol

from aiohttp import web

from watchkeeper.clock import Clock
from watchkeeper.forecast.scoring import summary
from watchkeeper.messages.reports.sheet import HouseFacts
from watchkeeper.model.alert import Concern
from watchkeeper.model.forecast_record import RecordSummary
from watchkeeper.model.history.availability import AnswerHistory
from watchkeeper.model.hosts import HostRecords, KnownHost, apart
from watchkeeper.model.observation import SeriesKey
from watchkeeper.model.ports import ReadStore
from watchkeeper.model.records import Bucket, Series
from watchkeeper.web.dashboard.cause_tree import DependentsOf
from watchkeeper.web.dashboard.dashboard import Dashboard, build_dashboard, no_dependents
from watchkeeper.web.dashboard.health import HealthSource
from watchkeeper.web.dashboard.hosts.summary import Summaries, whole
from watchkeeper.web.http.problem_details import not_found


class PageStore(ReadStore, Protocol):
    """The store as the page reads it."""

    @property
    def version(self) -> int:
        """A number that changes with every change: what was read is still valid while it stays the same."""
        ...

    async def samples_thinned(self, key: SeriesKey, since: datetime, until: datetime, points: int) -> Sequence[Bucket]:
        """A series' samples in about this many equal time spans, oldest first; empty spans are left out."""
        ...

    async def answers(self, series: Series, since: datetime, until: datetime) -> AnswerHistory:
        """When a service answered between two times and when it did not, oldest first."""
        ...

    async def waiting_deliveries(self) -> Mapping[str, int]:
        """How many deliveries wait, by notifier; without those of which none waits."""
        ...


class Hosts(Protocol):
    """The hosts of a page over several."""

    @property
    def own(self) -> PageStore:
        """The records of this station itself."""
        ...

    def known_hosts(self) -> Sequence[KnownHost]:
        """Every host, by name."""
        ...

    def one_host(self, name: str) -> PageStore | None:
        """The records of a host with its own names; None if there is no such host."""
        ...

    def beside(self, key: SeriesKey) -> PageStore:
        """The records of the machine that a series belongs to."""
        ...

    async def request_acknowledgement(self, key: SeriesKey, concern: Concern, station: str) -> bool:
        """Ask the host of an alert to acknowledge it; False if no such alert waits for it. Raises ArchiveError."""
        ...


Resting = DependentsOf

RECORD_AGE_S = 60.0
"""The record of all forecasts is read again after this time: a few change in a day, and reading many takes 0.1 s."""


class HostRecord:
    """What became of the forecasts of all levels; read again once it has aged."""

    def __init__(self) -> None:
        self._kept: tuple[float, RecordSummary] | None = None

    async def read(self, store: ReadStore, monotonic_s: float) -> RecordSummary:
        """The record as it was at most RECORD_AGE_S ago."""
        if self._kept is None or monotonic_s - self._kept[0] >= RECORD_AGE_S:
            self._kept = monotonic_s, summary(await store.forecasts())
        return self._kept[1]


@dataclass(frozen=True, slots=True)
class Context:
    """The context of all handlers.

    host: the monitored host's name. zone: its time zone. prefix: of links, behind a reverse proxy. resting: the
    subjects that depend on a subject. facts: what the configuration says of the house; None: nothing is known.
    hosts: of a page over several.
    """

    store: PageStore
    clock: Clock
    vitals: HealthSource
    host: str
    zone: tzinfo
    prefix: str
    resting: Resting = no_dependents
    record: HostRecord = field(default_factory=HostRecord)
    facts: Callable[[], HouseFacts] | None = None
    hosts: Hosts | None = None
    summaries: Summaries = field(default_factory=Summaries)

    async def dashboard(self) -> Dashboard:
        """The status page's content as it is now. The clock is read last: no sample is then newer than the page."""
        if self.hosts is not None:
            own = await records(self.hosts.own)
            return whole(own, self.summaries.of(self.hosts.known_hosts()), self.clock.now(), self.resting)
        found = await records(self.store)
        return build_dashboard(found.series, found.latest, found.findings, found.alerts, self.clock.now(), self.resting)

    def beside(self, key: SeriesKey) -> PageStore:
        """The records of the machine that a series belongs to."""
        return self.store if self.hosts is None else self.hosts.beside(key)

    def own_key(self, key: SeriesKey) -> SeriesKey:
        """The key that a series has on its own machine."""
        found = self._apart(key)
        return key if found is None else found[1]

    def host_of(self, key: SeriesKey) -> str | None:
        """The name of the host that a series belongs to; None if that is this machine."""
        found = self._apart(key)
        return None if found is None else found[0]

    def _apart(self, key: SeriesKey) -> tuple[str, SeriesKey] | None:
        return None if self.hosts is None else apart(key, {each.name for each in self.hosts.known_hosts()})

    async def forecast_record(self) -> RecordSummary:
        """What became of the forecasts of all levels."""
        return await self.record.read(self.store, self.clock.monotonic_s())

    async def one(self, series_id: int) -> Series:
        """The series with an id. Raises Refusal (404) if there is none."""
        for each in await self.store.series():
            if each.id == series_id:
                return each
        raise not_found(f"There is no quantity with the id {series_id}.")


async def records(store: ReadStore) -> HostRecords:
    """Everything that a status page is made of."""
    return HostRecords(await store.series(), await store.latest(), await store.findings(), await store.alerts())


CONTEXT = web.AppKey("context", Context)


def of(request: web.Request) -> Context:
    """The context of a request."""
    return request.app[CONTEXT]
