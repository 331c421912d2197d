"""How much a writer can still get of a btrfs: of data and of metadata, each with the space that is given to neither.

Pure. The figures come from the kernel's tables under /sys/fs/btrfs, one value a file, which anybody may read; the
arithmetic follows the kernel's allocator (fs/btrfs/volumes.c, space-info.c), and what remains is measured: see below.
"""

from collections.abc import Sequence
from dataclasses import dataclass

DEVICE_RESERVED_BYTES = 2**20
"""The first MiB of each device is never given out (BTRFS_DEVICE_RANGE_RESERVED): with a full file system, 1 MiB of it
stays unallocated for ever."""

TREE_LEVELS = 8
"""BTRFS_MAX_LEVEL: a change may rewrite a whole path, and sets twice as much aside, for a split at each level."""

ITEMS_FOR_A_FILE = 15
"""Items for which making a file sets metadata aside. Measured, with nodes of 16 KiB: the last file failed while 2.5 MiB
(Linux 6.1) and 3.7 MiB (Linux 6.18) beyond the global reserve were free, which is 10 and 15 times 16 KiB * 8 * 2."""


@dataclass(frozen=True, slots=True)
class Profile:
    """How chunks lie on devices: fs/btrfs/volumes.c, btrfs_raid_array.

    copies: of each byte. parity: devices of a stripe that hold none of the data. striped: over as many as there are.
    least: devices that a chunk needs.
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
"""By the name of their folder below /sys/fs/btrfs/UUID/allocation/KIND. raid10 counts like raid1: each chunk takes an
even number of devices, which comes to the same but for devices of very unequal size."""


@dataclass(frozen=True, slots=True)
class Space:
    """One kind of space: bytes used of the bytes that are in its chunks, and how new chunks of it lie."""

    used_bytes: int
    size_bytes: int
    profile: Profile


def allocatable(unallocated: Sequence[int], profile: Profile) -> int:
    """Bytes for data that chunks of a profile could still take from devices with so many bytes unallocated each."""
    left = sorted((max(each - DEVICE_RESERVED_BYTES, 0) for each in unallocated), reverse=True)
    if profile.same_device or (profile.copies == 1 and not profile.striped):
        return sum(left) // profile.copies
    if profile.striped:
        return _striped(left, profile)
    return _mirrored(left, profile.copies)


def _striped(left: list[int], profile: Profile) -> int:
    """Chunks as wide as there are devices with room; when the smallest is full they get narrower."""
    total, left = 0, [each for each in left if each]
    while len(left) >= profile.least:
        smallest = left[-1]
        total += smallest * (len(left) - profile.parity)
        left = [each - smallest for each in left if each > smallest]
    return total


def _mirrored(left: list[int], copies: int) -> int:
    """Each copy on another device: the most that can be had is the largest n with sum(min(each, n)) >= copies * n."""
    low, high = 0, sum(left) // copies
    while low < high:
        middle = (low + high + 1) // 2
        if sum(min(each, middle) for each in left) >= copies * middle:
            low = middle
        else:
            high = middle - 1
    return low


def data_capacity(space: Space, unallocated: Sequence[int]) -> int:
    """Bytes of data that there could be: those in chunks, and those that new chunks would hold."""
    return space.size_bytes + allocatable(unallocated, space.profile)


def metadata_capacity(space: Space, unallocated: Sequence[int], reserve_bytes: int, node_bytes: int) -> int:
    """Bytes of metadata that a writer could fill.

    reserve_bytes: the global reserve, which is kept for deleting; a writer gets "no space" before it is touched.
    """
    set_aside = ITEMS_FOR_A_FILE * node_bytes * TREE_LEVELS * 2
    return space.size_bytes + allocatable(unallocated, space.profile) - reserve_bytes - set_aside
