"""Reads file systems for planning: every btrfs, and of the others those that are monitored or hold a guest's image.

ZFS file systems are read in zfs.py.
"""

import asyncio
import os
import posixpath
from collections.abc import Iterable, Sequence
from dataclasses import replace
from functools import partial

from watchkeeper.errors import ProbeError, ToolMissing
from watchkeeper.inventory.scan_context import TIMEOUT_S, Part, ScanContext, StorageBelow
from watchkeeper.inventory.storage.zfs import mount_of
from watchkeeper.model.observation import SeriesKey
from watchkeeper.os_errors import explained
from watchkeeper.planning.host_state import Snapshot, StoreKind, StoreNow, Volume
from watchkeeper.probes.filesystems import filesystem_look, filesystems, mounts
from watchkeeper.probes.filesystems.filesystems import FilesystemsSettings
from watchkeeper.probes.filesystems.mounts import Mount
from watchkeeper.probes.storage.btrfs import space as btrfs_space
from watchkeeper.probes.storage.btrfs import sysfs
from watchkeeper.probes.storage.btrfs.tables import Subvolume, read_subvolumes
from watchkeeper.probes.support.sanitize import printable
from watchkeeper.probes.support.tools import ask_root, text_of

ROOT_TIMEOUT_S = 60.0
"""The same as the probe of btrfs snapshots waits for the privileged helper."""


async def see_btrfs(scene: ScanContext) -> Part:
    """Every mounted btrfs."""
    chosen = mounts.one_for_each_device([each for each in scene.mounted if each.type == "btrfs"])
    if not chosen:
        return Part()
    taken, why = await _taken(scene)
    looked = await asyncio.gather(*(_look(scene, each) for each in chosen))
    stores = [replace(each, snapshots=_of(each, chosen, taken)) for found, _ in looked for each in found]
    troubles = [trouble for _, trouble in looked if trouble] + ([why] if why else [])
    points = {each.device: each.point for each in chosen}
    return Part(tuple(stores), unseen=tuple(troubles), placing=(partial(_in_btrfs, scene.mounted, points),))


async def _look(scene: ScanContext, mount: Mount) -> tuple[list[StoreNow], str]:
    """One btrfs, with its level computed as in its probe; or why it cannot be read."""
    subject = f"btrfs {printable(mount.point)}"
    try:
        folder = sysfs.tables_of(scene.sys / "fs/btrfs", mount.source)
        if folder is None:
            where = scene.sys / "fs/btrfs"
            return [], f"{subject}: its space cannot be read: nothing under {where} lists {printable(mount.source)}"
        read = partial(sysfs.read, folder, mount.point)
        btrfs = await scene.bench.workers.call(subject, read, TIMEOUT_S)
    except ProbeError as error:
        return [], f"{subject}: {error}"
    except (OSError, ValueError) as error:
        return [], f"{subject}: its space cannot be read: {error}"
    kind = "data" if "data" in btrfs.spaces else "mixed"
    if kind not in btrfs.spaces:
        return [], f"{subject}: the kernel reports no space for it"
    space = btrfs.spaces[kind]
    capacity = btrfs_space.data_capacity(space, btrfs.unallocated)
    key = SeriesKey(subject, "space" if kind == "mixed" else kind)
    return [StoreNow(key, StoreKind.BTRFS, space.used_bytes, max(capacity, 1))], ""


async def _taken(scene: ScanContext) -> tuple[dict[str, list[Snapshot]], str]:
    """The snapshots by mount point; and why they cannot be read."""
    try:
        results = await ask_root(scene.bench, "subvolumes", scene.helper, ROOT_TIMEOUT_S)
        listed = {each.target: read_subvolumes(text_of(each.ran, "btrfs", ROOT_TIMEOUT_S)) for each in results}
    except ToolMissing:
        return {}, "snapshots of btrfs: btrfs is not installed; install it (in Debian: btrfs-progs)"
    except ProbeError as error:
        return {}, f"snapshots of btrfs: {error}"
    return {posixpath.normpath(point): _snapshots(point, found) for point, found in listed.items()}, ""


def _snapshots(point: str, found: Sequence[Subvolume]) -> list[Snapshot]:
    return [Snapshot(posixpath.normpath(point), each.path, each.made_at) for each in found]


def _of(store: StoreNow, chosen: Sequence[Mount], taken: dict[str, list[Snapshot]]) -> tuple[Snapshot, ...]:
    """Those of one btrfs; the privileged helper may name it by another of its mount points, of the same length."""
    point = next(each.point for each in chosen if store.key.subject == f"btrfs {printable(each.point)}")
    return tuple(taken.get(posixpath.normpath(point), ()))


def _in_btrfs(mounted: Sequence[Mount], points: dict[str, str], path: str) -> StorageBelow | None:
    """What holds a file on a btrfs. Snapshots are listed for all of it."""
    mount = mount_of(mounted, path)
    if mount is None or mount.type != "btrfs" or mount.device not in points:
        return None
    point = points[mount.device]
    return StorageBelow(f"btrfs {printable(point)}", posixpath.normpath(point))


async def see_plain(scene: ScanContext, images: Iterable[str]) -> Part:
    """The other file systems: those that a probe monitors, and those that hold one of the images."""
    watched: dict[str, Mount] = {}
    for each in scene.settings.probes:
        if isinstance(each, FilesystemsSettings):
            watched |= {mount.point: mount for mount in filesystems.choose(scene.mounted, each, set())}
    holding = [mount for path in images if (mount := mount_of(scene.mounted, path))]
    chosen = {mount.point: mount for mount in (*watched.values(), *holding) if mount.type not in ("zfs", "btrfs")}
    looked = await asyncio.gather(*(_figures(scene, each) for each in chosen.values()))
    stores = [each for found, _ in looked for each in found]
    placing = partial(_in_plain, scene.mounted, set(chosen))
    return Part(tuple(stores), unseen=tuple(why for _, why in looked if why), placing=(placing,))


async def _figures(scene: ScanContext, mount: Mount) -> tuple[list[StoreNow], str]:
    subject = f"file system {printable(mount.point)}"
    try:
        ask = partial(filesystem_look.figures, mount.point, mount.id)
        figures = await scene.bench.workers.call(subject, ask, TIMEOUT_S)
    except ProbeError as error:
        return [], f"{subject}: {error}"
    except OSError as error:
        return [], f"{subject}: cannot be read: {explained(error)}"
    if figures is None or figures.used_bytes + figures.available_bytes <= 0:
        return [], ""
    capacity = figures.used_bytes + figures.available_bytes
    return [StoreNow(SeriesKey(subject, "space"), StoreKind.FILES, figures.used_bytes, capacity)], ""


def _in_plain(mounted: Sequence[Mount], points: set[str], path: str) -> StorageBelow | None:
    """What holds a file on another file system: snapshots of it are copies of the file itself."""
    mount = mount_of(mounted, path)
    return StorageBelow(f"file system {printable(mount.point)}", path) if mount and mount.point in points else None


async def images_of(scene: ScanContext, paths: dict[str, int | None]) -> tuple[dict[str, Volume], tuple[str, ...]]:
    """Disk images as volumes, by their path; and why one cannot be read. paths: with the disks' virtual sizes."""
    found, troubles = {}, []
    for path, size in paths.items():
        try:
            status = await scene.bench.workers.call(f"image {path}", partial(os.stat, path), TIMEOUT_S)
        except ProbeError as error:
            troubles.append(f"image {printable(path)}: {error}")
        except OSError as error:
            troubles.append(f"image {printable(path)}: its size on disk cannot be read: {explained(error)}")
            found[path] = Volume(path, size)
        else:
            # Blocks of 512 bytes, whatever the block size of the file system: stat(2).
            found[path] = Volume(path, size, status.st_blocks * 512)
    return found, tuple(troubles)
