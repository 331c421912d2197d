"""btrfs: its snapshots, and what a set of them frees, as far as the kernel counts it in quota groups.

The counts are read from /sys/fs/btrfs/UUID/qgroups (Linux 5.9), which any user may read; only the list of snapshots
needs the privileged helper. Without quotas nothing counts what only one snapshot holds. Querying the extents of all its
files would show it (`btrfs filesystem du`), but takes minutes to hours: that is not done.
"""

import os
from collections.abc import Collection, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from functools import partial
from pathlib import Path

from watchkeeper.inventory.reclaim.stores import StoreContext
from watchkeeper.model.observation import SeriesKey
from watchkeeper.planning.reclaim.bounds import of_quota_groups
from watchkeeper.planning.reclaim.snapshots import NOTHING, UNKNOWN, Bounds, Candidate, Freed, SetLimit
from watchkeeper.privileged.commands import Result
from watchkeeper.probes.filesystems import mounts
from watchkeeper.probes.storage.btrfs.snapshots import BtrfsSnapshotsSettings
from watchkeeper.probes.storage.btrfs.sysfs import tables_of
from watchkeeper.probes.storage.btrfs.tables import Subvolume, read_subvolumes
from watchkeeper.probes.support.sanitize import printable
from watchkeeper.probes.support.tools import ask_root, text_of

NO_QUOTAS = "btrfs counts the size of a snapshot only with quotas on (btrfs quota enable; this costs some speed)"
SIMPLE = "btrfs uses simple quotas, which do not count what snapshots share"
INCONSISTENT = "btrfs reports that its quota counts are inconsistent; btrfs quota rescan repairs them"
SHARED = "btrfs counts what each snapshot holds alone, not what two or more of them share"


@dataclass(frozen=True, slots=True)
class Quotas:
    """The kernel's counts by subvolume: (referenced, exclusive) in bytes by its id. why: why there are none.

    mixed: data and metadata are in chunks of one kind, and form one level.
    """

    groups: Mapping[int, tuple[int, int]]
    why: str = ""
    mixed: bool = False


def read_quotas(sysfs: Path, source: str) -> Quotas:
    """The quota groups of the mounted btrfs that has this device. Raises OSError if its tables cannot be read."""
    folder = tables_of(sysfs, source)
    if folder is None:
        return Quotas({}, NO_QUOTAS)
    mixed = (folder / "allocation" / "mixed").is_dir()
    table = folder / "qgroups"
    if not table.is_dir() or _word(table / "enabled") == "0":
        return Quotas({}, NO_QUOTAS, mixed)
    if _word(table / "mode") == "squota":
        return Quotas({}, SIMPLE, mixed)
    if _word(table / "inconsistent") == "1":
        return Quotas({}, INCONSISTENT, mixed)
    return Quotas(dict(_group(each) for each in table.glob("0_*") if each.name[2:].isdecimal()), "", mixed)


def _word(path: Path) -> str:
    """Empty if the kernel has no such file: `enabled` and `inconsistent` came with 6.1, `mode` with 6.7."""
    with suppress(FileNotFoundError):
        return path.read_text("ascii").strip()
    return ""


def _group(folder: Path) -> tuple[int, tuple[int, int]]:
    return int(folder.name[2:]), (int(_word(folder / "referenced") or 0), int(_word(folder / "exclusive") or 0))


class BtrfsHolding:
    """The snapshots of one btrfs."""

    def __init__(self, point: str, snapshots: Sequence[Subvolume], quotas: Quotas, place: StoreContext) -> None:
        self.key = SeriesKey(f"btrfs {printable(point)}", "space" if quotas.mixed else "data")
        self._quotas = quotas
        self._numbers = {_name(point, each): each.number for each in snapshots}
        self.candidates = [
            Candidate(self.key, name, point, each.path, each.made_at, self._bounds([name]))
            for each in snapshots
            for name in [_name(point, each)]
        ]
        self.limits = limits(place)

    async def freed(self, chosen: Collection[Candidate]) -> Freed:
        """What deleting these frees, data and metadata together; btrfs releases it in the background."""
        bounds = self._bounds([each.name for each in chosen])
        if bounds.exact:
            return Freed(bounds)
        return Freed(bounds, (self._quotas.why or SHARED,))

    def _bounds(self, names: Collection[str]) -> Bounds:
        if not names:
            return NOTHING
        counted = [self._quotas.groups.get(self._numbers[name]) for name in names]
        known = [each for each in counted if each is not None]
        if len(known) < len(counted):
            # Even if one has no count, the sum of what the others hold alone is certainly freed.
            return Bounds(sum(exclusive for _, exclusive in known), UNKNOWN.most)
        return of_quota_groups(known)


def _name(point: str, snapshot: Subvolume) -> str:
    """Its path from the top of the file system, appended to the mount point: as the probe names it."""
    return f"{point.rstrip('/')}/{snapshot.path}"


def limits(place: StoreContext) -> list[SetLimit]:
    """The configuration's limits on sets of btrfs snapshots."""
    return [
        SetLimit(each.name, each.origins, each.name_pattern, each.exclude, each.max_age)
        for each in place.settings.probes
        if isinstance(each, BtrfsSnapshotsSettings)
    ]


async def look(place: StoreContext) -> list[BtrfsHolding]:
    """Every mounted btrfs with snapshots. Raises ProbeError if they cannot be listed."""
    mounted = mounts.parse(os.fsdecode(place.mountinfo.read_bytes()))
    sources = {each.point: each.source for each in mounted if each.type == "btrfs"}
    if not sources:
        return []
    results = await ask_root(place.bench, "subvolumes", place.helper, place.timeout_s)
    found = [await _holding(each, sources.get(each.target, ""), place) for each in results]
    return [each for each in found if each.candidates]


async def _holding(result: Result, source: str, place: StoreContext) -> BtrfsHolding:
    snapshots = read_subvolumes(text_of(result.ran, "btrfs", place.timeout_s))
    work = partial(read_quotas, place.sysfs / "fs/btrfs", source)
    try:
        quotas = await place.bench.workers.call(f"quotas of {result.target}", work, place.timeout_s)
    except (OSError, ValueError) as error:
        quotas = Quotas({}, f"the kernel's quota counts cannot be read: {error}")
    return BtrfsHolding(result.target, snapshots, quotas, place)
