"""Snapshots that are files (backups, exported images): their size in blocks.

These are the files of the `snapshots` tables in the configuration. A file that has names other than the chosen ones
frees nothing. On a file system that lets files share blocks, the size of a file is only the maximum that it frees.
"""

import os
import posixpath
from collections.abc import Collection, Iterable, Mapping, Sequence
from datetime import UTC, datetime
from functools import partial

from watchkeeper.inventory.reclaim.stores import StoreContext
from watchkeeper.model.observation import SeriesKey
from watchkeeper.planning.reclaim.bounds import Named, of_files
from watchkeeper.planning.reclaim.snapshots import Candidate, Freed, SetLimit
from watchkeeper.probes.base import Listed
from watchkeeper.probes.filesystems import mounts
from watchkeeper.probes.filesystems.mounts import Mount
from watchkeeper.probes.storage.snapshot_files import SnapshotsSettings, list_files
from watchkeeper.probes.support.sanitize import printable

SHARING = frozenset({"bcachefs", "btrfs", "nfs4", "ocfs2", "overlay", "xfs", "zfs"})
"""File systems in which files may share blocks (ioctl_ficlone(2)), or whose own snapshots may hold a file's blocks."""

BLOCK_BYTES = 512
"""The unit of st_blocks, whatever the block size of the file system: stat(2), inode(7)."""

MAY_SHARE = (
    "files on this file system may share blocks with each other or with its snapshots: they free at most their size"
)
LINKED = "a file with several names frees nothing until the last name is deleted"


class FilesHolding:
    """The files on one file system."""

    def __init__(self, mount: Mount, found: Mapping[str, tuple[str, Listed, Named]], place: StoreContext) -> None:
        self.key = SeriesKey(f"file system {printable(mount.point)}", "space")
        self._named = {name: named for name, (_, _, named) in found.items()}
        self.candidates = [
            Candidate(self.key, name, of, name, datetime.fromtimestamp(max(listed.written_s, 0), UTC),
                      of_files([named]))
            for name, (of, listed, named) in found.items()
        ]  # fmt: skip
        self.limits = limits(place)

    async def freed(self, chosen: Collection[Candidate]) -> Freed:
        """What deleting these frees, once no program has them open."""
        files = [self._named[each.name] for each in chosen]
        bounds = of_files(files)
        why = () if bounds.exact else (MAY_SHARE,)
        return Freed(bounds, (*why, LINKED) if any(each.links > 1 for each in files) else why)


def limits(place: StoreContext) -> list[SetLimit]:
    """The configuration's limits on sets of files: each probe is a set of its own, with all its files."""
    return [SetLimit(each.name, (each.name,), ("*",), (), each.max_age) for each in _sets(place)]


def _sets(place: StoreContext) -> list[SnapshotsSettings]:
    return [each for each in place.settings.probes if isinstance(each, SnapshotsSettings)]


async def look(place: StoreContext) -> list[FilesHolding]:
    """Every file system with such files. Raises ProbeError if a folder cannot be read."""
    mounted = mounts.parse(os.fsdecode(place.mountinfo.read_bytes()))
    found: dict[Mount, dict[str, tuple[str, Listed, Named]]] = {}
    for settings in _sets(place):
        work = partial(_list, settings, mounted)
        for mount, listed, named in await place.bench.workers.call(
            f"snapshots of {settings.name}", work, settings.timeout
        ):
            found.setdefault(mount, {}).setdefault(named.name, (settings.name, listed, named))
    return [FilesHolding(mount, files, place) for mount, files in found.items()]


def _list(settings: SnapshotsSettings, mounted: Sequence[Mount]) -> list[tuple[Mount, Listed, Named]]:
    found = []
    for each in list_files(settings.files, settings.ignore):
        if each.size_bytes < (settings.min_size or 0):
            continue  # It is too small to count as a snapshot, so it must not be taken for the newest.
        mount = _mount_of(posixpath.normpath(each.path), mounted)
        named = _named(each.path, mount)
        if mount is not None and named is not None:
            found.append((mount, each, named))
    return found


def _named(path: str, mount: Mount | None) -> Named | None:
    try:
        status = os.lstat(path)
    except OSError:
        return None  # It was removed in the meantime.
    may_share = mount is None or mount.type in SHARING
    return Named(path, (status.st_dev, status.st_ino), status.st_blocks * BLOCK_BYTES, status.st_nlink, may_share)


def _mount_of(path: str, mounted: Iterable[Mount]) -> Mount | None:
    """The mount whose point is the longest prefix of a path."""
    above = [each for each in mounted if mounts.below(path, (each.point,))]
    return max(above, key=lambda each: len(each.point), default=None)
