"""The forms of the planning answers that capacity_json.py, preflight_json.py and reclaim_json.py make, for the API and
the commands. How they are used is in web/api/response_types.py.
"""

from typing_extensions import TypedDict

from watchkeeper.model.forecast import NoEnd
from watchkeeper.planning.capacity.answer import Fit, Lack
from watchkeeper.planning.host_state import StoreKind
from watchkeeper.planning.preflight.decide import Verdict
from watchkeeper.planning.preflight.matter import Matter
from watchkeeper.web.api.response_types import Instant


class Question(TypedDict):
    """The question of a capacity answer."""

    disk_bytes: int
    memory_bytes: int
    cpus: int
    written_bytes: int
    growth_bytes_per_day: float
    reserved: bool
    enlarged_guest: str | None
    store: str | None
    added_host_disk_bytes: int
    added_host_memory_bytes: int


class Reason(TypedDict):
    """Why there is not enough, or why that is not known."""

    reason: Lack
    text: str


class TimeToFull(TypedDict):
    """When a store is full."""

    earliest_days: float | None
    likely_days: float | None
    latest_days: float | None
    never_full_share: float
    linear_days: float | None


class LevelAt(TypedDict):
    """The level on a day to come."""

    day: int
    fits: Fit
    level_bytes: float | None
    high_bytes: float | None
    shortfall_bytes: float


class StoreCapacity(TypedDict):
    """Whether a store has enough."""

    subject: str
    quantity: str
    kind: StoreKind
    fits: Fit
    reasons: list[Reason]
    used_bytes: float
    capacity_before_bytes: float
    capacity_bytes: float
    added_now_bytes: float
    added_at_most_bytes: float
    allocated_before_bytes: float
    allocated_bytes: float
    allocated_unwritten_bytes: float
    allocated_before_share: float
    allocated_share: float
    history_days: float
    growth_bytes_per_day: float | None
    time_to_full_before: TimeToFull | None
    time_to_full_after: TimeToFull | None
    levels_at_current_growth: list[LevelAt]
    levels_fully_written: list[LevelAt]
    largest_disk_bytes: float | None
    largest_covered_disk_bytes: float


class MemoryCapacity(TypedDict):
    """Whether the host has enough memory."""

    asked: bool
    fits: Fit
    reasons: list[Reason]
    total_before_bytes: float
    total_bytes: float
    allocated_before_bytes: float
    allocated_bytes: float
    allocated_before_share: float
    allocated_share: float
    host_own_bytes: float
    peak_in_use_bytes: float
    history_days: float
    largest_guest_bytes: float
    guests_unknown: list[str]


class CpuCapacity(TypedDict):
    """Whether the host has enough processors."""

    asked: bool
    fits: Fit
    reasons: list[Reason]
    cpus: int
    vcpus_before: int
    vcpus: int
    vcpus_per_cpu_before: float
    vcpus_per_cpu: float
    guests_unknown: list[str]


class CapacityAnswer(TypedDict):
    """A capacity answer without the host's name."""

    at: Instant
    fits: Fit
    summary: str
    question: Question
    stores: list[StoreCapacity]
    memory: MemoryCapacity
    cpus: CpuCapacity
    cautions: list[str]
    not_seen: list[str]


class Capacity(CapacityAnswer):
    """Whether there is enough for what is asked."""

    host: str


class PreflightCheck(TypedDict):
    """One check before a change."""

    name: Matter
    verdict: Verdict
    about: str
    reason: str
    may_resolve: bool


class PreflightAnswer(TypedDict):
    """A preflight answer without the host's name."""

    subject: str
    at: Instant
    changed_at: Instant | None
    go: bool
    checks: list[PreflightCheck]
    not_seen: list[str]


class Preflight(PreflightAnswer):
    """Whether a change can begin."""

    host: str


class Bounds(TypedDict):
    """An amount that may not be known exactly."""

    min_bytes: int
    max_bytes: int | None
    exact: bool


class Freed(Bounds):
    """What deleting snapshots frees."""

    reasons: list[str]
    from_reservation: Bounds


class FreedByAll(Freed):
    """The same for all that can be deleted."""

    count: int


class Snapshot(TypedDict):
    """A snapshot."""

    name: str
    source: str
    created_at: Instant
    frees_alone: Bounds


class KeptSnapshot(Snapshot):
    """A snapshot that is not deleted, with the reason."""

    reason: str


class SnapshotSet(TypedDict):
    """Snapshots of one source with similar names."""

    store: str
    source: str
    name_pattern: str
    count: int
    cannot_be_deleted_count: int
    oldest_at: Instant
    newest_at: Instant
    frees: Freed


class FullTime(TypedDict):
    """When a store is full."""

    earliest_at: Instant | None
    likely_at: Instant | None
    latest_at: Instant | None
    no_date_reason: NoEnd | None


class StoreReclaim(TypedDict):
    """What deleting snapshots of a store frees."""

    store: str
    quantity: str
    snapshots: list[Snapshot]
    cannot_be_deleted: list[KeptSnapshot]
    frees: Freed
    sum_of_frees_alone: Bounds
    full_before: FullTime | None
    full_after: FullTime | None


class RemainingSet(TypedDict):
    """What is left of a source's snapshots."""

    source: str
    count_before: int
    count_after: int
    oldest_at: Instant | None


class Gain(TypedDict):
    """Which snapshots to delete so that a store is full later."""

    store: str
    asked_s: float
    enough: bool | None
    needed_bytes: int | None
    unknown_reason: str
    delete: list[Snapshot]
    frees: Freed
    all_deletable: FreedByAll
    kept: list[KeptSnapshot]
    remaining: list[RemainingSet]
    full_before: FullTime | None
    full_after: FullTime | None


class ReclaimAnswer(TypedDict):
    """A reclaim answer without the host's name. Only the command asks for gain, full_before and full_after."""

    at: Instant
    stores: list[StoreReclaim]
    sets: list[SnapshotSet]
    gain: Gain | None
    not_seen: list[str]


class Reclaim(ReclaimAnswer):
    """What deleting snapshots frees."""

    host: str


class BackupCopy(TypedDict):
    """A copy of a guest. shares: what it would be lost with. checked: what reading its newest files has found."""

    name: str
    last_at: Instant | None
    due_at: Instant | None
    on: list[str]
    shares: str | None
    fault: str | None
    without_disks: list[str]
    checked: list[str]
    restored_at: Instant | None


class GuestBackups(TypedDict):
    """A guest, volume or store with its copies. coverage: in words, such as `backup` or `cannot tell`."""

    name: str
    disks: list[str]
    coverage: str
    newest_at: Instant | None
    reasons: list[str]
    copies: list[BackupCopy]


class BackupsAnswer(TypedDict):
    """The backups of guests, volumes of containers and stores without the host's name.

    looked: where copies were looked for.
    """

    at: Instant
    good: bool
    guests: list[GuestBackups]
    volumes: list[GuestBackups]
    stores: list[GuestBackups]
    looked: list[str]
    not_seen: list[str]


class Backups(BackupsAnswer):
    """Which guest has a backup, how old it is, and when a restore last succeeded."""

    host: str


PLANS = (Capacity, Preflight, Reclaim, Backups)
"""What a path can answer with."""
