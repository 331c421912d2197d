"""The records of all hosts beside those of this station, as the page reads them: one more level before the subject.

The archive is read by one thread. What the status page shows of every host is kept in memory, and read again only of
hosts that have written since; while the archive cannot be read, it stays as it was. Not here: queries (reader.py), and
what it means that a host no longer writes (daemon/station.py).
"""

import asyncio
import logging
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from operator import attrgetter
from typing import TypeVar

from watchkeeper.archive.host_names import delivery_of, forecast_of, line_of, records_of, series_of
from watchkeeper.archive.hosts_reader import Host, HostsReader
from watchkeeper.archive.one_host import OneHost
from watchkeeper.clock import Clock
from watchkeeper.errors import ArchiveError, DeliveryDeferred
from watchkeeper.logs.fields import Event, about
from watchkeeper.model.alert import OPEN, Alert, Concern
from watchkeeper.model.change import Change, ChangeKind
from watchkeeper.model.finding import Finding
from watchkeeper.model.forecast_record import KeptForecast
from watchkeeper.model.history.availability import AnswerHistory
from watchkeeper.model.hosts import BETWEEN, HostRecords, KnownHost, apart
from watchkeeper.model.message import Message
from watchkeeper.model.observation import SeriesKey
from watchkeeper.model.operator.decision import Decision
from watchkeeper.model.operator.maintenance import Maintenance
from watchkeeper.model.records import Bucket, Delivery, Entry, EventLine, Sample, Seen, Series
from watchkeeper.store.rows.timestamps import to_us
from watchkeeper.store.store import Store

log = logging.getLogger(__name__)

T = TypeVar("T")

OWN_LINES = 1_000
"""The station's own newest event log lines that are listed with those of the hosts."""

UNDECIDED_S = 90.0
"""How long a station that does not send keeps a message: if the one that sends ends before it has, this one sends."""

AGAIN_S = 30.0


class CommonStore:
    """Reads all hosts and this station's own store. `version` changes when anything that is shown may have changed."""

    def __init__(self, own: Store, opened: Callable[[], HostsReader], clock: Clock) -> None:
        """opened: what reads the hosts, with a connection that is new. Raises ArchiveError."""
        self._own, self._opened, self._clock = own, opened, clock
        self._thread = ThreadPoolExecutor(1, thread_name_prefix="archive-reader")
        self._reader: HostsReader | None = None
        self._hosts: dict[str, Host] = {}
        self._looked_at = clock.now()
        self._own_names: dict[str, HostRecords] = {}
        """By host: its records with the names of the host itself."""
        self._states: dict[str, HostRecords] = {}
        self._changes = 0
        self.sends = False
        """Whether this station is the one that sends messages."""

    @property
    def version(self) -> int:
        """A number that changes with every change."""
        return self._own.version + self._changes

    async def close(self) -> None:
        """End the connection, and with it the right to send."""
        await self._in_thread(self._forget)
        self._thread.shutdown()

    async def look(self) -> Sequence[Host]:
        """Read again what the hosts have written since. Raises ArchiveError; what was read before stays then."""
        try:
            found = await self._in_thread(lambda: self._asked(self._look))
        except ArchiveError:
            self.sends = False
            raise
        self.sends = found.sends
        if found.own_names or found.hosts.keys() != self._hosts.keys():
            self._changes += 1
        self._own_names = {**self._own_names, **found.own_names}
        self._states = {**self._states, **found.states}
        self._hosts, self._looked_at = found.hosts, self._clock.now()
        return list(found.hosts.values())

    def _look(self, reader: HostsReader) -> "_Look":
        """Runs in the reader's thread: one question about all hosts that have written since."""
        sends = reader.sends()
        hosts = {each.name: each for each in reader.hosts()}
        known = {name: each.generation for name, each in self._hosts.items() if name in self._states}
        changed = [each for each in hosts.values() if known.get(each.name) != each.generation]
        read = reader.states([each.number for each in changed]) if changed else {}
        own_names = {}
        for each in changed:
            state = read[each.number]
            own_names[each.name] = replace(state, series=[series_of(each.number, one) for one in state.series])
        return _Look(hosts, sends, own_names, {name: records_of(name, own) for name, own in own_names.items()})

    @property
    def own(self) -> Store:
        """The records of this station itself."""
        return self._own

    def known_hosts(self) -> Sequence[KnownHost]:
        """Every host, by name, as it was read last."""
        return [
            KnownHost(
                name,
                None if host.silent_s is None else self._looked_at - timedelta(seconds=host.silent_s),
                self._states.get(name, HostRecords()),
            )
            for name, host in self._hosts.items()
        ]

    def one_host(self, name: str) -> OneHost | None:
        """The records of one host with the names of the host itself; None if there is no such host."""
        host = self._hosts.get(name)
        return None if host is None else OneHost(self, host, self._own_names.get(name, HostRecords()))

    def beside(self, key: SeriesKey) -> OneHost | Store:
        """The records of the host that a series belongs to; this station's own, if it belongs to none."""
        of = self._of(key)
        return self._own if of is None else OneHost(self, of[0], self._own_names.get(of[0].name, HostRecords()))

    def state_of(self, host: str) -> HostRecords:
        """What is known of a host, with its name before each subject."""
        return self._states.get(host, HostRecords())

    async def was_stopped(self, host: Host) -> bool:
        """Whether the last thing that is known of a host is that watchkeeper was stopped there."""
        lines = await self.ask(lambda reader: [line for _, line in reader.events([host.number], limit=1)])
        return bool(lines) and lines[0].entry is Entry.STOP

    def left_to_others(self, message: Message) -> bool:
        """Whether another station sends this message. Raises DeliveryDeferred as long as that is not certain."""
        if self.sends:
            return False
        if self._clock.now() - message.at < timedelta(seconds=UNDECIDED_S):
            raise DeliveryDeferred("another station sends messages now", retry_after_s=AGAIN_S)
        return True

    async def request_acknowledgement(self, key: SeriesKey, concern: Concern, station: str) -> bool:
        """Ask the host of an alert to acknowledge it; False if no such alert waits for it. Raises ArchiveError.

        station: the name of this one, which the host writes into its event log.
        """
        of = self._of(key)
        if of is None:
            return False
        host, own = of[0], of[1]
        alerts = self._own_names.get(host.name, HostRecords()).alerts
        alert = next((each for each in alerts if (each.key, each.concern) == (own, concern)), None)
        if alert is None or alert.state not in OPEN:
            return False
        episode = alert.episode
        await self._in_thread(
            lambda: self._asked(
                lambda reader: reader.request_acknowledgement(host.number, station, own, concern, episode)
            )
        )
        return True

    # The page's questions ---------------------------------------------------------------------------------------------

    async def series(self) -> Sequence[Series]:
        """Every series: this station's own, then those of each host."""
        return [*await self._own.series(), *self._every(attrgetter("series"))]

    async def latest(self) -> Sequence[Seen]:
        """The newest observation of every series."""
        return [*await self._own.latest(), *self._every(attrgetter("latest"))]

    async def findings(self) -> Sequence[Finding]:
        """The newest finding of every concern."""
        return [*await self._own.findings(), *self._every(attrgetter("findings"))]

    async def alerts(self) -> Sequence[Alert]:
        """Every alert that is not in its initial state."""
        return [*await self._own.alerts(), *self._every(attrgetter("alerts"))]

    def _every(self, part: Callable[[HostRecords], Sequence[T]]) -> Iterable[T]:
        return (each for name in sorted(self._states) for each in part(self._states[name]))

    async def samples(self, key: SeriesKey, since: datetime, until: datetime) -> Sequence[Sample]:
        """A series' samples, oldest first, both ends included."""
        if (of := self._of(key)) is None:
            return await self._own.samples(key, since, until)
        return await self.ask(lambda reader: reader.samples(of[0].number, of[1], since, until))

    async def samples_thinned(self, key: SeriesKey, since: datetime, until: datetime, points: int) -> Sequence[Bucket]:
        """A series' samples in about this many equal time spans, oldest first; empty spans are left out."""
        if (of := self._of(key)) is None:
            return await self._own.samples_thinned(key, since, until, points)
        return await self.ask(lambda reader: reader.samples_thinned(of[0].number, of[1], since, until, points))

    async def answers(self, series: Series, since: datetime, until: datetime) -> AnswerHistory:
        """When a service answered between two times and when it did not, oldest first."""
        if (of := self._of(series.key)) is None:
            return await self._own.answers(series, since, until)
        interval_s = series.interval_s
        found = await self.ask(lambda reader: [reader.answers(of[0].number, of[1], since, until, interval_s)])
        return found[0] if found else AnswerHistory()

    async def forecasts(self, key: SeriesKey | None = None) -> Sequence[KeptForecast]:
        """The forecasts that were kept, of a series or of all, oldest first."""
        of = None if key is None else self._of(key)
        if key is not None and of is None:
            return await self._own.forecasts(key)
        names = self._names() if of is None else {of[0].number: of[0].name}
        asked = None if of is None else of[1]
        found = await self.ask(
            lambda reader: [forecast_of(names[n], each) for n, each in reader.forecasts(list(names), asked)]
        )
        return found if of is not None else [*await self._own.forecasts(), *found]

    async def changes(
        self,
        since: datetime | None = None,
        until: datetime | None = None,
        *,
        kinds: Collection[ChangeKind] = (),
        limit: int = 1_000,
    ) -> Sequence[Change]:
        """What changed on all hosts, newest first; each names its host."""
        names = self._names()

        def work(reader: HostsReader) -> list[Change]:
            found = reader.changes(list(names), since, until, kinds, limit)
            return [replace(each, what=f"{names[number]}{BETWEEN}{each.what}") for number, each in found]

        own = await self._own.changes(since, until, kinds=kinds, limit=limit)
        return _newest([*own, *await self.ask(work)], "at", limit)

    async def events(
        self,
        *,
        key: SeriesKey | None = None,
        before_id: int | None = None,
        after_id: int | None = None,
        entry: Entry | None = None,
        since: datetime | None = None,
        limit: int = 100,
    ) -> Sequence[EventLine]:
        """Event log lines of all hosts, newest first; with after_id oldest first. An id is the time in microseconds."""
        of = None if key is None else self._of(key)
        names = self._names() if key is None else {of[0].number: of[0].name} if of is not None else {}
        asked = None if of is None else of[1]

        def work(reader: HostsReader) -> list[EventLine]:
            found = reader.events(
                list(names),
                key=asked,
                before_us=before_id,
                after_us=after_id,
                entry=entry,
                since=since,
                limit=limit,
            )
            return [line_of(names[number], each) for number, each in found]

        own = [] if of is not None else await self._own.events(key=key, entry=entry, since=since, limit=OWN_LINES)
        found = [replace(each, id=to_us(each.at)) for each in [*own, *await self.ask(work)]]
        found = [e for e in found if (before_id is None or e.id < before_id) and (after_id is None or e.id > after_id)]
        return sorted(found, key=attrgetter("id"), reverse=after_id is None)[:limit]

    async def deliveries(self, *, only_open: bool = True, limit: int = 100) -> Sequence[Delivery]:
        """Deliveries of every notifier of every host, newest first."""
        names = self._names()

        def work(reader: HostsReader) -> list[Delivery]:
            found = reader.deliveries(list(names), only_open=only_open, limit=limit)
            return [delivery_of(names[number], each) for number, each in found]

        own = await self._own.deliveries(only_open=only_open, limit=limit)
        return _newest([*own, *await self.ask(work)], "made_at", limit)

    async def maintenance(self) -> Sequence[Maintenance]:
        """What maintenance is planned here; hosts keep theirs to themselves."""
        return await self._own.maintenance()

    async def decisions(self, subject: str, since: datetime) -> Sequence[Decision]:
        """Why this station sent something or not; hosts keep theirs to themselves."""
        return await self._own.decisions(subject, since)

    async def waiting_deliveries(self) -> Mapping[str, int]:
        """How many deliveries of this station wait, by notifier."""
        return await self._own.waiting_deliveries()

    def _names(self) -> dict[int, str]:
        """The names of all hosts, by their numbers."""
        return {each.number: each.name for each in self._hosts.values()}

    def _of(self, key: SeriesKey) -> tuple[Host, SeriesKey] | None:
        found = apart(key, self._hosts)
        return None if found is None else (self._hosts[found[0]], found[1])

    async def ask(self, work: Callable[[HostsReader], Sequence[T]]) -> Sequence[T]:
        """The answer; nothing while the archive cannot be read, which the station reports as its own alert."""
        try:
            return await self._in_thread(lambda: self._asked(work))
        except ArchiveError as error:
            log.warning("the archive cannot be read: %s", error, extra=about(Event.ARCHIVE))
            return []

    def _asked(self, work: Callable[[HostsReader], T]) -> T:
        """Runs in the reader's thread. After an error the next question begins with a new connection."""
        if self._reader is None:
            self._reader = self._opened()
        try:
            return work(self._reader)
        except BaseException:
            self._forget()
            raise

    def _forget(self) -> None:
        reader, self._reader = self._reader, None
        if reader is not None:
            reader.close()

    def _in_thread(self, work: Callable[[], T]) -> "asyncio.Future[T]":
        return asyncio.get_running_loop().run_in_executor(self._thread, work)


@dataclass(frozen=True, slots=True)
class _Look:
    """What was read of hosts. own_names, states: of those that have written since; see CommonStore."""

    hosts: dict[str, Host]
    sends: bool
    own_names: dict[str, HostRecords]
    states: dict[str, HostRecords]


def _newest(found: list[T], by: str, limit: int) -> list[T]:
    return sorted(found, key=attrgetter(by), reverse=True)[:limit]
