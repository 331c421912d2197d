"""The host at one moment, as planning sees it: stores, what is on them, snapshots, guests. Only what was seen.

What was not seen is None or named in `unseen`; nothing in here is guessed. Bytes are as the store's own tool counts.
"""

from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum

from watchkeeper.model.observation import SeriesKey


class StoreKind(StrEnum):
    """The kind of store; the value is the word that begins its subject."""

    ZFS = "pool"
    THIN = "thin pool"
    BTRFS = "btrfs"
    FILES = "file system"


@dataclass(frozen=True, slots=True)
class Volume:
    """What is on a store and may take more of it: a ZFS volume or dataset, a thin volume, a subvolume, an image.

    name: as its own tool calls it: `skerry/hide-hub`, `vg0/hide-hub`, `/srv/images/hide-hub.qcow2`.
    promised_bytes: the most that it may hold (size, quota, virtual size); None if only the store limits it.
    own_bytes: what it holds now without its snapshots. set_aside_bytes: what the store keeps free for it alone, beyond
        what it holds (a reservation): the store counts that as used already.
    """

    name: str
    promised_bytes: int | None = None
    own_bytes: int | None = None
    set_aside_bytes: int = 0


@dataclass(frozen=True, slots=True)
class Snapshot:
    """A snapshot, on the store of its volume: no backup. alone_bytes: what only it holds; None if not known."""

    volume: str
    name: str
    made_at: datetime
    alone_bytes: int | None = None


@dataclass(frozen=True, slots=True)
class StoreNow:
    """A store: its monitored level, and what is on it. used_bytes and capacity_bytes are those of that level."""

    key: SeriesKey
    kind: StoreKind
    used_bytes: int
    capacity_bytes: int
    volumes: tuple[Volume, ...] = ()
    snapshots: tuple[Snapshot, ...] = ()


@dataclass(frozen=True, slots=True)
class Disk:
    """A guest's disk. path: as given to the guest. store, volume: where that is; None if it was not found."""

    path: str
    size_bytes: int | None = None
    store: SeriesKey | None = None
    volume: str | None = None


@dataclass(frozen=True, slots=True)
class GuestNow:
    """A guest. running: as its monitor says; None if no monitor could be asked. None means not known."""

    name: str
    running: bool | None = None
    memory_bytes: int | None = None
    vcpus: int | None = None
    disks: tuple[Disk, ...] = ()


@dataclass(frozen=True, slots=True)
class HostNow:
    """The whole host. unseen: each thing that could not be seen, with the reason and the remedy, in words.

    volumes: what containers keep data in (`volume hide-hub-data`, `folder /srv/tides`), each with its folder as a disk.
    """

    at: datetime
    memory_bytes: int
    available_bytes: int
    cpus: int
    stores: tuple[StoreNow, ...] = ()
    guests: tuple[GuestNow, ...] = ()
    unseen: tuple[str, ...] = ()
    volumes: tuple[GuestNow, ...] = ()
