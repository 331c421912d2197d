"""Finds mounted btrfs file systems and the snapshots on them; scrubs and snapshots need root."""

import os
import posixpath
from functools import partial
from pathlib import Path

from watchkeeper.discovery.finders.storage import snapshots
from watchkeeper.discovery.host import Host, unseen
from watchkeeper.discovery.proposal import Found, Key, Proposal, things
from watchkeeper.errors import ProbeError
from watchkeeper.model.units import format_size
from watchkeeper.probes.filesystems import mounts
from watchkeeper.probes.filesystems.mounts import Mount
from watchkeeper.probes.storage.btrfs import sysfs as btrfs_sysfs
from watchkeeper.probes.storage.btrfs.tables import read_subvolumes
from watchkeeper.probes.storage.snapshot_ages import Snapshot
from watchkeeper.probes.storage.snapshot_sets import Origin
from watchkeeper.probes.support.sanitize import printable
from watchkeeper.probes.support.tools import ask_root, text_of


async def find(host: Host) -> Found:
    """Every mounted btrfs."""
    try:
        text = os.fsdecode((host.root / "proc/self/mountinfo").read_bytes())
    except OSError as error:
        return unseen("btrfs", error)
    mounted = mounts.one_for_each_device([each for each in mounts.parse(text) if each.type == "btrfs"])
    if not mounted:
        return Found(absent=("btrfs",), looked=frozenset({"snapshots of btrfs"}))
    about = tuple([await _about(each, host) for each in mounted])
    why = "Run a scrub every month if none is scheduled: it finds damaged data while there is still a good copy."
    keys = (Key("scrub_limit", "40d", why, offered=True),)
    return Found((Proposal("btrfs", keys, about),)) + await _snapshots(host)


async def _about(mount: Mount, host: Host) -> str:
    said = f"btrfs {printable(mount.point)}"
    try:
        folder = _folder(mount, host.root / "sys/fs/btrfs")
        work = partial(btrfs_sysfs.read, folder, mount.point)
        found = await host.bench.workers.call(said, work, host.timeout_s)
    except (ProbeError, OSError, ValueError) as error:
        return f"{said}: it could not be examined ({printable(str(error))[:200]})."
    kinds = [f"{format_size(one.used_bytes)} of {kind}" for kind, one in found.spaces.items()]
    return f"{said}: {', '.join(kinds)}; {format_size(sum(found.unallocated))} unallocated."


def _folder(mount: Mount, sysfs: Path) -> Path:
    """The folder of tables that lists the mounted device. Raises OSError if there is none."""
    found = btrfs_sysfs.tables_of(sysfs, mount.source)
    if found is None:
        raise OSError(f"no table under /sys/fs/btrfs lists {printable(mount.source)}")
    return found


async def _snapshots(host: Host) -> Found:
    try:
        results = await ask_root(host.bench, "subvolumes", host.helper, host.timeout_s)
        origins = [
            Origin(
                posixpath.normpath(each.target) if each.target else "btrfs",
                [Snapshot(s.path, s.made_at) for s in read_subvolumes(text_of(each.ran, "btrfs", host.timeout_s))],
            )
            for each in results
        ]
    except ProbeError as error:
        return unseen("snapshots and scrubs of btrfs", error)
    proposals = snapshots.propose("btrfs-snapshots", origins, host.bench.clock.now())
    there = frozenset(things("snapshots of btrfs", (each.name for each in origins)))
    return Found(tuple(proposals), there=there, looked=frozenset({"snapshots of btrfs"}))
