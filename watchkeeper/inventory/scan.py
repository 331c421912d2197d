"""The present state of the host for planning: stores, what is on them, snapshots, guests. Reads once, changes nothing.

It reads with the modules of the probes, so that planning and monitoring count alike. What cannot be seen is listed in
the answer with its remedy. Not here: what was recorded (growth.py), what follows from it (planning/).
"""

import asyncio
import os
from collections.abc import Awaitable, Callable, Iterable, Mapping, Sequence
from dataclasses import replace
from itertools import chain
from pathlib import Path

from watchkeeper.errors import ProbeError, ToolMissing
from watchkeeper.inventory import container_volumes
from watchkeeper.inventory import guests as look_guests
from watchkeeper.inventory.scan_context import TIMEOUT_S, Part, Placing, ScanContext, StorageBelow
from watchkeeper.inventory.storage import files as look_files
from watchkeeper.inventory.storage import lvm as look_lvm
from watchkeeper.inventory.storage import zfs as look_zfs
from watchkeeper.model.observation import SeriesKey
from watchkeeper.planning.host_state import Disk, GuestNow, HostNow, StoreNow, Volume
from watchkeeper.privileged.commands import MOUNTS
from watchkeeper.probes.base import ProbeContext
from watchkeeper.probes.filesystems import mounts
from watchkeeper.probes.host import memory
from watchkeeper.probes.support.tools import SOCKET, RootsideSettings
from watchkeeper.settings import Settings

ARCSTATS = "spl/kstat/zfs/arcstats"


async def look(settings: Settings, bench: ProbeContext, root: Path = Path("/")) -> HostNow:
    """Read everything concurrently. root: of the kernel's trees; another folder for tests."""
    scene = await _scene(settings, bench, root)
    named: tuple[tuple[str, Callable[[ScanContext], Awaitable[Part]]], ...] = (
        ("guests", look_guests.see),
        ("containers", container_volumes.see),
        ("ZFS", look_zfs.see),
        ("LVM", look_lvm.see),
        ("btrfs", look_files.see_btrfs),
    )
    guests, containers, *stores = await asyncio.gather(*(_seen(name, see, scene) for name, see in named))
    disks = _disks(guests.guests)
    held = [disk.path for disk in (*disks, *_disks(containers.volumes))]
    stores.append(await look_files.see_plain(scene, held))
    images = {disk.path: disk.size_bytes for disk in disks if _is_image(disk.path)}
    volumes, lost = await look_files.images_of(scene, images)
    placing = list(chain.from_iterable(part.placing for part in stores))
    seen = list(chain.from_iterable(part.stores for part in stores))
    keys = {each.key.subject: each.key for each in seen}
    grounds = await _grounds(bench, held, placing)
    placed = tuple(_placed(guest, grounds, keys) for guest in guests.guests)
    found = measured(scene.proc)
    return HostNow(
        at=bench.clock.now(),
        memory_bytes=found.total_bytes,
        available_bytes=found.available_bytes,
        cpus=os.cpu_count() or 1,
        stores=tuple(_with_images(each, placed, volumes) for each in seen),
        guests=placed,
        unseen=(*chain.from_iterable(part.unseen for part in (guests, containers, *stores)), *lost, *_homeless(placed)),
        volumes=tuple(_placed(each, grounds, keys) for each in containers.volumes),
    )


def _disks(guests: Iterable[GuestNow]) -> list[Disk]:
    return [disk for guest in guests for disk in guest.disks]


def _is_image(path: str) -> bool:
    """Is it a file, and not a device?"""
    return path.startswith("/") and not path.startswith("/dev/")


def helper_of(settings: Settings) -> Path:
    """The socket of the helper of root that the probes use."""
    return next((each.helper for each in settings.probes if isinstance(each, RootsideSettings)), SOCKET)


async def _scene(settings: Settings, bench: ProbeContext, root: Path) -> ScanContext:
    helper = helper_of(settings)
    mountinfo = root / MOUNTS.relative_to("/")
    text = await bench.workers.call("list of mounts", mountinfo.read_bytes, 10.0)
    mounted = mounts.parse(os.fsdecode(text))
    return ScanContext(settings, bench, helper, mounted, mountinfo, root / "proc", root / "sys", root / "dev")


async def _seen(name: str, see: Callable[[ScanContext], Awaitable[Part]], scene: ScanContext) -> Part:
    """One kind of thing. A tool that is not installed has nothing to show, and then nothing is missing."""
    try:
        return await see(scene)
    except ToolMissing:
        return Part()
    except ProbeError as error:
        return Part(unseen=(f"{name}: {error}",))


def measured(proc: Path) -> memory.Memory:
    """The host's memory, with the reclaimable ZFS cache counted as available. Raises OSError."""
    arcstats = proc / ARCSTATS
    cache = memory.read_table(arcstats.read_text("ascii", "replace")) if arcstats.exists() else {}
    return memory.measure(memory.read_table((proc / "meminfo").read_text("ascii", "replace")), cache)


async def _grounds(bench: ProbeContext, paths: Sequence[str], placing: Sequence[Placing]) -> dict[str, StorageBelow]:
    """What holds each disk. Links are resolved in a worker, because a dead store can block; none is known then."""

    def place() -> dict[str, StorageBelow]:
        return {path: ground for path in paths if (ground := ground_of(path, placing))}

    try:
        return await bench.workers.call("the guests' disks", place, TIMEOUT_S)
    except ProbeError:
        return {}


def ground_of(path: str, placing: Iterable[Placing]) -> StorageBelow | None:
    """What holds a disk; by its own path first, then by its resolved path."""
    for way in dict.fromkeys((path, os.path.realpath(path))):
        for place in placing:
            if ground := place(way):
                return ground
    return None


def _placed(guest: GuestNow, grounds: Mapping[str, StorageBelow], keys: Mapping[str, SeriesKey]) -> GuestNow:
    """The guest, with each disk's store and volume."""
    disks = []
    for disk in guest.disks:
        ground = grounds.get(disk.path)
        known = ground is not None and ground.subject in keys
        disks.append(replace(disk, store=keys[ground.subject], volume=ground.volume) if known and ground else disk)
    return replace(guest, disks=tuple(disks))


def _with_images(store: StoreNow, guests: Iterable[GuestNow], volumes: dict[str, Volume]) -> StoreNow:
    """The store, with the disk images on it as volumes of their own."""
    paths = {disk.path for guest in guests for disk in guest.disks if disk.store == store.key and disk.path in volumes}
    return replace(store, volumes=(*store.volumes, *(volumes[path] for path in sorted(paths))))


def _homeless(guests: Iterable[GuestNow]) -> tuple[str, ...]:
    """Disks whose store was not found."""
    return tuple(
        f"guest {guest.name}: its disk {_short(disk)} is on no store that is visible here"
        for guest in guests
        for disk in guest.disks
        if disk.store is None
    )


def _short(disk: Disk) -> str:
    return disk.path if len(disk.path) <= 120 else f"{disk.path[:120]}..."
