"""Reads ZFS pools for planning: datasets and volumes with what they may hold, and their snapshots.

A guest's disk is in a pool as a volume (/dev/zvol) or as a file in one of its file systems.
"""

import asyncio
from collections.abc import Sequence
from functools import partial

from watchkeeper.inventory.scan_context import TIMEOUT_S, Part, ScanContext, StorageBelow
from watchkeeper.model.observation import SeriesKey
from watchkeeper.planning.host_state import Snapshot, StoreKind, StoreNow, Volume
from watchkeeper.probes.filesystems import mounts
from watchkeeper.probes.storage.zfs import tables as zfs_tables
from watchkeeper.probes.storage.zfs.devices import links, volume_at
from watchkeeper.probes.storage.zfs.tables import Dataset, ListedSnapshot
from watchkeeper.probes.support.sanitize import printable
from watchkeeper.probes.support.tools import run_tool


async def see(scene: ScanContext) -> Part:
    """Every imported pool. Raises ProbeError if ZFS cannot be queried."""
    datasets, snapshots = await asyncio.gather(
        run_tool(scene.bench, zfs_tables.LIST_DATASETS, TIMEOUT_S),
        run_tool(scene.bench, zfs_tables.LIST_SNAPSHOTS, TIMEOUT_S),
    )
    listed, taken = zfs_tables.read_datasets(datasets), zfs_tables.read_snapshots(snapshots)
    roots = [each for each in listed if each.is_root and each.used + each.available > 0]
    devices = await scene.bench.workers.call("links of /dev/zvol", partial(links, scene.dev / "zvol"), TIMEOUT_S)
    placing = (partial(of_device, devices), partial(of_file, scene))
    return Part(tuple(_pool(root, listed, taken) for root in roots), placing=placing)


def _pool(root: Dataset, listed: Sequence[Dataset], taken: Sequence[ListedSnapshot]) -> StoreNow:
    inside = [each for each in listed if each.pool == root.name]
    names = {each.name for each in inside}
    return StoreNow(
        SeriesKey(subject(root.name), "space"),
        StoreKind.ZFS,
        root.used,
        root.used + root.available,
        tuple(_volume(each) for each in inside),
        tuple(Snapshot(each.dataset, each.name, each.made_at, each.used) for each in taken if each.dataset in names),
    )


def _volume(dataset: Dataset) -> Volume:
    limits = [each for each in (dataset.volsize, dataset.quota, dataset.refquota) if each is not None]
    return Volume(dataset.name, min(limits, default=None), dataset.own, dataset.reserved)


def subject(pool: str) -> str:
    """The name that the probe of ZFS gives a pool."""
    return f"pool {printable(pool)}"


def of_device(devices: dict[str, str], path: str) -> StorageBelow | None:
    """What holds a volume's device, given any of its paths."""
    name = volume_at(devices, path)
    return None if name is None else StorageBelow(subject(name.partition("/")[0]), name)


def of_file(scene: ScanContext, path: str) -> StorageBelow | None:
    """What holds a file on a mounted dataset."""
    mount = mount_of(scene.mounted, path)
    if mount is None or mount.type != "zfs":
        return None
    return StorageBelow(subject(mount.source.partition("/")[0]), mount.source)


def mount_of(mounted: Sequence[mounts.Mount], path: str) -> mounts.Mount | None:
    """The mount that a path leads into; None for a device, which is in none."""
    if path.startswith("/dev/") or not path.startswith("/"):
        return None
    holds = [each for each in mounted if mounts.below(path, (each.point,)) and mounts.nameable(each)]
    return max(holds, key=lambda each: len(each.point), default=None)
