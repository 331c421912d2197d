"""The host as a plan sees it at one moment: stores, what lives on them, snapshots, guests. Only what was seen.

What was not seen is None or named in `unseen`; nothing in here is guessed. Bytes are what the store's own tool counts.
"""

from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum

from watchkeeper.model.observation import SeriesKey


class StoreKind(StrEnum):
    """What kind of store, in the word that begins its subject."""

    ZFS = "pool"
    THIN = "thin pool"
    BTRFS = "btrfs"
    FILES = "file system"


@dataclass(frozen=True, slots=True)
class Volume:
    """What lives on a store and may take more of it: a ZFS volume or dataset, a thin volume, a subvolume, an image.

    name: as its own tool calls it: `skerry/hide-hub`, `vg0/hide-hub`, `/srv/images/hide-hub.qcow2`.
    promised_bytes: the most that it may hold (size, quota, virtual size); None where only the store is its limit.
    own_bytes: what it holds now without its snapshots. set_aside_bytes: what the store keeps free for it alone, beyond
        what it holds (a reservation): counted as used there already.
    """

    name: str
    promised_bytes: int | None = None
    own_bytes: int | None = None
    set_aside_bytes: int = 0


@dataclass(frozen=True, slots=True)
class Snapshot:
    """A snapshot on the store of its volume: no backup. alone_bytes: what only it holds; None where nobody knows."""

    volume: str
    name: str
    made_at: datetime
    alone_bytes: int | None = None


@dataclass(frozen=True, slots=True)
class StoreNow:
    """A store: the level that is watched of it, and what lives there. used_bytes and capacity_bytes as that level's."""

    key: SeriesKey
    kind: StoreKind
    used_bytes: int
    capacity_bytes: int
    volumes: tuple[Volume, ...] = ()
    snapshots: tuple[Snapshot, ...] = ()


@dataclass(frozen=True, slots=True)
class Disk:
    """A guest's disk. path: as the guest was given it. store, volume: where that lies; None where it was not found."""

    path: str
    size_bytes: int | None = None
    store: SeriesKey | None = None
    volume: str | None = None


@dataclass(frozen=True, slots=True)
class GuestNow:
    """A guest. running: as its monitor says; None where no monitor could be asked. What is None is not known."""

    name: str
    running: bool | None = None
    memory_bytes: int | None = None
    vcpus: int | None = None
    disks: tuple[Disk, ...] = ()


@dataclass(frozen=True, slots=True)
class HostNow:
    """Everything together. unseen: each thing that could not be seen, with the reason and the remedy, in words."""

    at: datetime
    memory_bytes: int
    available_bytes: int
    cpus: int
    stores: tuple[StoreNow, ...] = ()
    guests: tuple[GuestNow, ...] = ()
    unseen: tuple[str, ...] = ()
