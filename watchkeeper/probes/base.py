"""The probe interface: settings in, observations out."""

from collections.abc import Awaitable, Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Generic, Protocol, TypeVar

from watchkeeper.clock import Clock
from watchkeeper.config.types import ProbeSettings
from watchkeeper.model.change import ChangeLog, MemoryChangeLog
from watchkeeper.model.observation import Observed
from watchkeeper.model.probe_state import JobReports, MemoryJobReports, MemoryStateStore, StateStore
from watchkeeper.model.records import Quarantined
from watchkeeper.probes.guest_addresses import GuestAddresses

T = TypeVar("T")
S = TypeVar("S", bound=ProbeSettings)


class Workers(Protocol):
    """Runs blocking calls in threads that can be abandoned (probes/support/workers.py)."""

    async def call(self, thing: str, work: Callable[[], T], timeout_s: float) -> T:
        """Run `work` in its own thread. Raises ProbeTimeout if it does not return in time (it is then abandoned), and
        StillHanging immediately if an earlier call for the same `thing` has not returned yet.
        """
        ...


@dataclass(frozen=True, slots=True)
class OwnDatabase:
    """The daemon's own database. most_bytes: its maximum size.

    set_aside: lists the damaged databases that were moved aside next to it; may block.
    quarantined: lists the stored rows that could not be read and were moved away between two points in time, newest
        first; None if that cannot be queried.
    """

    path: Path
    most_bytes: int
    set_aside: Callable[[], Sequence[Path]]
    quarantined: Callable[[datetime, datetime], Awaitable[Sequence[Quarantined]]] | None = None


@dataclass(frozen=True, slots=True)
class Uncovered:
    """Something on this host that no probe covers. kinds: the kinds of probe that would. why: with the remedy."""

    kinds: tuple[str, ...]
    what: str
    why: str


class Coverage(Protocol):
    """Compares what there is on this host with the configuration in use (discovery/coverage.py)."""

    async def uncovered(
        self, context: "ProbeContext", owner: str, look_every_s: float, timeout_s: float
    ) -> Sequence[Uncovered]:
        """List what no probe covers. The host is examined if that was not done for `look_every_s`; what was found is
        kept in the context's probe_states under this owner. Raises ProbeTimeout, StillHanging and ProbeError.
        """
        ...


class Backups(Protocol):
    """Compares the guests of this host with the backups of the configuration in use (inventory/host_backups.py)."""

    async def conditions(self, context: "ProbeContext", exclude: Sequence[str]) -> Sequence[Observed]:
        """Whether every guest has a backup, and where. exclude: guests that need none; globs. Raises ProbeError."""
        ...


@dataclass(frozen=True, slots=True)
class BackupSet:
    """A set of files that are backups. label: of its probe. guests: what they are backups of; globs.

    max_age_s: how long from one file to the next.
    """

    label: str
    name: str
    max_age_s: float
    guests: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Listed:
    """A file that was found; times in seconds since 1970."""

    path: str
    written_s: float
    changed_s: float
    size_bytes: int


class Verification(Protocol):
    """Reads the newest files of sets whole, to see whether they are damaged (probes/verification/verifier.py)."""

    async def look(self, context: "ProbeContext", backups: BackupSet, files: Sequence[Listed]) -> Sequence[Observed]:
        """What is known of the set's newest files. Reads on meanwhile, and does not wait for it."""
        ...

    async def release(self, context: "ProbeContext", label: str) -> None:
        """Nothing of this set is read any more."""
        ...


@dataclass(frozen=True, slots=True)
class ProbeContext:
    """What probes work with: the clock and the workers. Passed to every probe when it is created.

    probe_states: what probes keep across restarts. job_reports: the latest reports of every job. Without a store, both
    last as long as this context. database: the daemon's own database, if there is one. coverage, backups: None where
    nothing can compare the host with a configuration. changes: where a probe records what changed on the host.
    disk_names: what the operator calls disks, as configured. verification: None where no backups are read.
    guest_addresses: where services in guests are.
    """

    clock: Clock
    workers: Workers
    probe_states: StateStore = field(default_factory=MemoryStateStore)
    job_reports: JobReports = field(default_factory=MemoryJobReports)
    database: OwnDatabase | None = None
    coverage: Coverage | None = None
    backups: Backups | None = None
    changes: ChangeLog = field(default_factory=MemoryChangeLog)
    disk_names: Mapping[str, str] = field(default_factory=dict)
    verification: Verification | None = None
    guest_addresses: GuestAddresses = field(default_factory=GuestAddresses)


class Probe(Protocol):
    """Observes; never judges. One instance lives as long as the daemon, and its runs never overlap."""

    async def observe(self) -> Sequence[Observed]:
        """Run once. Raises ProbeError if nothing could be observed: the pipeline turns that into an observation of the
        probe itself. If only a part could not be observed, the rest is still returned, with an Unseen for that part.
        """
        ...

    async def close(self) -> None:
        """Release what the probe holds (a session, a file)."""
        ...


class BaseProbe:
    """Base of most probes: they hold nothing from one run to the next."""

    async def close(self) -> None:
        """Do nothing. A probe that holds a session or a file releases it here."""


@dataclass(frozen=True, slots=True)
class ProbeKind(Generic[S]):
    """One kind of probe: the model of its settings, and the function that creates a probe from them."""

    settings: type[S]
    make: Callable[[S, ProbeContext], Probe]
