"""How much a writer can still get of a btrfs: data and metadata, each including the unallocated space.

Pure. The figures come from the kernel's files under /sys/fs/btrfs, one value per file, which any user may read; the
arithmetic follows the kernel's allocator (fs/btrfs/volumes.c, space-info.c), and the rest was measured: see below.
"""

from collections.abc import Sequence
from dataclasses import dataclass

DEVICE_RESERVED_BYTES = 2**20
"""The first MiB of each device is never allocated (BTRFS_DEVICE_RANGE_RESERVED): on a full file system, 1 MiB of each
stays unallocated permanently."""

TREE_LEVELS = 8
"""BTRFS_MAX_LEVEL: a change may rewrite a whole path, and reserves twice as much, for a split at each level."""

ITEMS_FOR_A_FILE = 15
"""Items for which creating a file reserves metadata. Measured with nodes of 16 KiB: the last file failed while 2.5 MiB
(Linux 6.1) and 3.7 MiB (Linux 6.18) beyond the global reserve were free, which is 10 and 15 times 16 KiB * 8 * 2."""


@dataclass(frozen=True, slots=True)
class Profile:
    """How chunks are placed on devices: fs/btrfs/volumes.c, btrfs_raid_array.

    copies: of each byte. parity: devices of a stripe that contain no data. striped: across all available devices.
    least: minimum number of devices for a chunk.
    """

    copies: int = 1
    parity: int = 0
    striped: bool = False
    least: int = 1
    same_device: bool = False


PROFILES = {
    "single": Profile(),
    "dup": Profile(copies=2, same_device=True),
    "raid0": Profile(striped=True),
    "raid1": Profile(copies=2, least=2),
    "raid1c3": Profile(copies=3, least=3),
    "raid1c4": Profile(copies=4, least=4),
    "raid10": Profile(copies=2, least=2),
    "raid5": Profile(parity=1, striped=True, least=2),
    "raid6": Profile(parity=2, striped=True, least=3),
}
"""By the name of their folder below /sys/fs/btrfs/UUID/allocation/KIND. raid10 counts like raid1: each chunk uses an
even number of devices, which has the same result except for devices of very unequal size."""


@dataclass(frozen=True, slots=True)
class Space:
    """One kind of space: bytes used, bytes in its chunks, and how its new chunks are placed."""

    used_bytes: int
    size_bytes: int
    profile: Profile


def allocatable(unallocated: Sequence[int], profile: Profile) -> int:
    """Usable bytes that new chunks of a profile can still get. unallocated: unallocated bytes of each device."""
    left = sorted((max(each - DEVICE_RESERVED_BYTES, 0) for each in unallocated), reverse=True)
    if profile.same_device or (profile.copies == 1 and not profile.striped):
        return sum(left) // profile.copies
    if profile.striped:
        return _striped(left, profile)
    return _mirrored(left, profile.copies)


def _striped(left: list[int], profile: Profile) -> int:
    """Stripe chunks across all devices with free space; when the smallest is full, chunks use fewer devices."""
    total, left = 0, [each for each in left if each]
    while len(left) >= profile.least:
        smallest = left[-1]
        total += smallest * (len(left) - profile.parity)
        left = [each - smallest for each in left if each > smallest]
    return total


def _mirrored(left: list[int], copies: int) -> int:
    """Each copy is on another device: the maximum is the largest n with sum(min(each, n)) >= copies * n."""
    low, high = 0, sum(left) // copies
    while low < high:
        middle = (low + high + 1) // 2
        if sum(min(each, middle) for each in left) >= copies * middle:
            low = middle
        else:
            high = middle - 1
    return low


def data_capacity(space: Space, unallocated: Sequence[int]) -> int:
    """Maximum bytes of data: those in chunks, and those that new chunks would contain."""
    return space.size_bytes + allocatable(unallocated, space.profile)


def metadata_capacity(space: Space, unallocated: Sequence[int], reserve_bytes: int, node_bytes: int) -> int:
    """Maximum bytes of metadata that a writer can fill.

    reserve_bytes: the global reserve, which is kept for deleting; a writer gets "no space" before it is used.
    """
    set_aside = ITEMS_FOR_A_FILE * node_bytes * TREE_LEVELS * 2
    return space.size_bytes + allocatable(unallocated, space.profile) - reserve_bytes - set_aside
