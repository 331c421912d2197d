"""What reads the records of several hosts: of an archive (reader.py), or of the hosts' own databases (the demo).

A host is asked for by its number. Every question names its hosts, and the answer to one about several names the host of
each record.
"""

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Protocol

from watchkeeper.model.alert import Concern
from watchkeeper.model.change import Change, ChangeKind
from watchkeeper.model.forecast_record import KeptForecast
from watchkeeper.model.history.availability import AnswerHistory
from watchkeeper.model.hosts import HostRecords
from watchkeeper.model.observation import SeriesKey
from watchkeeper.model.records import Bucket, Delivery, Entry, EventLine, Sample


@dataclass(frozen=True, slots=True)
class Host:
    """A host of the archive. silent_s: since it wrote last, by the server's clock and while the server ran; None if it
    never did. generation: changes with each copy.
    """

    number: int
    name: str
    silent_s: float | None
    version: str
    generation: int


class HostsReader(Protocol):
    """Belongs to one thread. Each method raises ArchiveError if the records cannot be read."""

    def close(self) -> None:
        """End it."""
        ...

    def sends(self) -> bool:
        """Whether this station is the one that sends."""
        ...

    def hosts(self) -> Sequence[Host]:
        """Every host, by name."""
        ...

    def states(self, hosts: Sequence[int]) -> Mapping[int, HostRecords]:
        """Series, newest observations, findings and alerts of hosts, by their numbers."""
        ...

    def samples(self, host: int, key: SeriesKey, since: datetime, until: datetime) -> Sequence[Sample]:
        """A series' samples, oldest first, both ends included."""
        ...

    def samples_thinned(
        self, host: int, key: SeriesKey, since: datetime, until: datetime, points: int
    ) -> Sequence[Bucket]:
        """A series' samples in about `points` equal stretches of time, oldest first; empty ones left out."""
        ...

    def answers(self, host: int, key: SeriesKey, since: datetime, until: datetime, interval_s: float) -> AnswerHistory:
        """When a service answered between two times and when it did not, and the outages of which samples are kept."""
        ...

    def forecasts(self, hosts: Sequence[int], key: SeriesKey | None) -> Iterable[tuple[int, KeptForecast]]:
        """The forecasts that were kept, of a series or of all, oldest first."""
        ...

    def changes(
        self,
        hosts: Sequence[int],
        since: datetime | None,
        until: datetime | None,
        kinds: Collection[ChangeKind],
        limit: int,
    ) -> Iterable[tuple[int, Change]]:
        """What changed between two times, newest first."""
        ...

    def events(
        self,
        hosts: Sequence[int],
        *,
        key: SeriesKey | None = None,
        before_us: int | None = None,
        after_us: int | None = None,
        entry: Entry | None = None,
        since: datetime | None = None,
        limit: int = 100,
    ) -> Iterable[tuple[int, EventLine]]:
        """Lines of event logs, newest first; with after_us oldest first."""
        ...

    def deliveries(self, hosts: Sequence[int], *, only_open: bool, limit: int) -> Iterable[tuple[int, Delivery]]:
        """Deliveries, newest first."""
        ...

    def request_acknowledgement(self, host: int, station: str, key: SeriesKey, concern: Concern, episode: int) -> None:
        """Ask a host to acknowledge an alert. key: as the host itself names it. station: who asks."""
        ...
