"""The data of an answer to a capacity question: facts with their units, and nothing about layout.

The sentences are in text.py, the arithmetic in space.py (stores) and machine.py (memory, CPU).
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from enum import StrEnum

from watchkeeper.model.observation import SeriesKey
from watchkeeper.planning.capacity.futures import TimeToFull
from watchkeeper.planning.capacity.growth_pattern import Growth
from watchkeeper.planning.capacity.question import Question
from watchkeeper.planning.host_state import StoreKind

DAYS = (0, 30, 90, 365)
"""The days that the answer covers: now, a month, a season, a year."""
DECIDES_D = 90
"""Now and one season ahead decide whether it fits: within a season an operator can buy a disk, and in the dark half of
the year will not do so. Our own choice, without a source."""


class Fit(StrEnum):
    """Does it fit?"""

    YES = "yes"
    NO = "no"
    UNKNOWN = "not known"

    @staticmethod
    def of_all(fits: "list[Fit]") -> "Fit":
        """One NO makes the whole NO; otherwise one UNKNOWN makes it UNKNOWN."""
        return Fit.NO if Fit.NO in fits else Fit.UNKNOWN if Fit.UNKNOWN in fits else Fit.YES


class Lack(StrEnum):
    """Why it does not fit, or why that is not known."""

    NOW = "no space now"
    SOON = "full too soon"
    METADATA_SOON = "metadata full too soon"
    PROMISED = "allocation above the limit"
    RECORD = "history too short"
    MEMORY_PROMISED = "more memory allocated than there is"
    MEMORY_IN_USE = "memory was in use"
    GUESTS_UNKNOWN = "guests' memory not known"
    CPUS = "more CPUs than the host has"


@dataclass(frozen=True, slots=True)
class Reason:
    """short: by how much, in bytes (CPUS: in CPUs). within_d: the days within which it may be full.

    limit_share: the limit that is exceeded, as a share of the capacity. recorded_d: how long the history is.
    """

    lack: Lack
    short: float = 0.0
    within_d: float = 0.0
    limit_share: float = 0.0
    recorded_d: float = 0.0


@dataclass(frozen=True, slots=True)
class LevelNow:
    """A store after some days. level_bytes: likely; high_bytes: exceeded in one future of twenty. None: not known.

    short_bytes: how much is missing if the level is above the capacity; otherwise 0.
    """

    day: int
    fit: Fit
    level_bytes: float | None
    high_bytes: float | None
    short_bytes: float = 0.0


@dataclass(frozen=True, slots=True)
class StoreAnswer:
    """A store with the requested change. before, after: when it is full without and with it; None: history too short.

    added_now_bytes: what is taken at once; added_bytes: what it may take in all. outstanding_bytes: what the existing
    volumes are allocated and have not taken yet. unbounded: how many volumes only the store limits.
    growing: with the present growth; written: with every disk fully written, or the present growth if that is more.
    largest_bytes: the largest disk that, fully written at once, leaves the store not full within DECIDES_D days in 19
    of 20 futures; None: not known. largest_kept_bytes: the largest one that leaves all allocations covered.
    """

    key: SeriesKey
    kind: StoreKind
    fit: Fit
    reasons: tuple[Reason, ...]
    used_bytes: int
    capacity_before_bytes: int
    capacity_bytes: int
    added_now_bytes: int
    added_bytes: int
    reserved: bool
    promised_before_bytes: int
    promised_bytes: int
    outstanding_bytes: int
    unbounded: int
    held_by_snapshots: int
    recorded_d: float
    growth_bytes_per_day: float | None
    trend_d: float
    before: TimeToFull | None
    after: TimeToFull | None
    growing: tuple[LevelNow, ...]
    written: tuple[LevelNow, ...]
    largest_bytes: int | None
    largest_kept_bytes: int

    @property
    def free_bytes(self) -> int:
        """What is free now, including the capacity added to the host."""
        return max(self.capacity_bytes - self.used_bytes, 0)

    @property
    def overcommit_before_share(self) -> float:
        """What is allocated to volumes, as a share of the capacity, before."""
        return self.promised_before_bytes / max(self.capacity_before_bytes, 1)

    @property
    def overcommit_share(self) -> float:
        """The same, after."""
        return self.promised_bytes / max(self.capacity_bytes, 1)


@dataclass(frozen=True, slots=True)
class MemoryAnswer:
    """Memory in bytes. asked: does the question ask for memory?

    own_bytes: what the host needs for itself. peak_bytes: the most that was in use in recorded_d days (0: only the
    present value is known). limit_share: how much of the host's memory may be allocated to guests. unknown: guests
    whose memory is not known.
    """

    asked: bool
    fit: Fit
    reasons: tuple[Reason, ...]
    total_before_bytes: int
    total_bytes: int
    promised_before_bytes: int
    promised_bytes: int
    own_bytes: int
    peak_bytes: int
    recorded_d: float
    limit_share: float
    largest_bytes: int
    unknown: tuple[str, ...]

    @property
    def overcommit_before_share(self) -> float:
        """What is allocated to guests, as a share of the host's memory, before."""
        return self.promised_before_bytes / max(self.total_before_bytes, 1)

    @property
    def overcommit_share(self) -> float:
        """The same, after."""
        return self.promised_bytes / max(self.total_bytes, 1)


@dataclass(frozen=True, slots=True)
class CpuAnswer:
    """CPUs. unknown: guests whose vCPUs are not known."""

    asked: bool
    fit: Fit
    reasons: tuple[Reason, ...]
    cpus: int
    vcpus_before: int
    vcpus: int
    unknown: tuple[str, ...]

    @property
    def overcommit_before_share(self) -> float:
        """Guests' vCPUs for each CPU of the host, before."""
        return self.vcpus_before / max(self.cpus, 1)

    @property
    def overcommit_share(self) -> float:
        """The same, after."""
        return self.vcpus / max(self.cpus, 1)


@dataclass(frozen=True, slots=True)
class CapacityAnswer:
    """The whole answer. stores: those that were considered, the best first; empty if the question asks for no disk."""

    at: datetime
    question: Question
    fit: Fit
    stores: tuple[StoreAnswer, ...]
    memory: MemoryAnswer
    cpu: CpuAnswer
    unseen: tuple[str, ...] = ()


# What is recorded, passed in -----------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, eq=False)
class Metadata:
    """The metadata of a thin pool or a btrfs, which may be full before its data."""

    used_bytes: float
    capacity_bytes: float
    growth: Growth | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Recorded:
    """What the database records of a store. growth: None if the history is too short. recorded_d: its length."""

    growth: Growth | None = None
    recorded_d: float = 0.0
    metadata: Metadata | None = None


@dataclass(frozen=True, slots=True)
class Peak:
    """The most memory that was in use at any sample of the last recorded_d days."""

    in_use_bytes: float
    recorded_d: float


@dataclass(frozen=True, slots=True)
class Limits:
    """The operator's limits. promised_share: by kind of store, how much may be allocated, as a share of its capacity.

    memory_share: how much of the host's memory may be allocated to guests.
    """

    promised_share: Mapping[StoreKind, float] = field(default_factory=dict)
    memory_share: float = 1.0
