"""What a backup and a guest's disks are stored on: the store, and the pool or volume group below the device.

A file system on a ZFS volume is lost with its pool, and one on a logical volume with its group, whatever its name. What
is below a device is read from the kernel: the devices that it was made of, as sysfs lists them.
"""

import glob
import os
import re
from collections.abc import Iterator, Sequence
from pathlib import Path

from watchkeeper.inventory.storage import zfs as look_zfs
from watchkeeper.planning.host_state import Disk, StoreKind
from watchkeeper.probes.filesystems import mounts
from watchkeeper.probes.filesystems.mounts import Mount
from watchkeeper.probes.storage.zfs import devices as zfs_devices
from watchkeeper.probes.support.sanitize import printable

DEPTH = 8
"""Maximum layers below a device that are followed: a file system on LUKS on LVM on md has four."""


def of_files(pattern: str, mounted: Sequence[Mount], root: Path = Path("/")) -> set[str]:
    """What the files of a pattern are stored on; empty if it is nothing of this host. Blocks briefly."""
    mount = look_zfs.mount_of(mounted, os.path.realpath(fixed_part(pattern)))
    return set() if mount is None else _of_mount(mount, mounted, root)


def of_disk(disk: Disk, kind: StoreKind | None, mounted: Sequence[Mount], root: Path = Path("/")) -> set[str]:
    """What a guest's disk is stored on. kind: of its store; None if that was not found. Blocks briefly."""
    if disk.store is None or kind is None:
        return set()
    if kind is StoreKind.THIN:
        return {disk.store.subject, _group(disk.store.subject.removeprefix(f"{kind.value} ").partition("/")[0])}
    mount = look_zfs.mount_of(mounted, os.path.realpath(disk.path))
    found = _of_mount(mount, mounted, root) if mount else set()
    return found if disk.store.subject in found else {disk.store.subject}


def devices(path: str, mounted: Sequence[Mount], root: Path = Path("/")) -> set[str]:
    """The disks that a file, folder or block device is stored on at last, such as `sda`; empty if not known.

    Not known are those of a ZFS pool and of another machine: sysfs does not list them. Blocks briefly.
    """
    if path.startswith("/dev/"):
        return _last(os.path.realpath(root / path.removeprefix("/")), root)
    mount = look_zfs.mount_of(mounted, os.path.realpath(path))
    if mount is None or not mount.on_device:
        return set()
    node = os.path.realpath(root / mount.source.removeprefix("/"))
    members = _btrfs_members(node, root) if mount.type == "btrfs" else {node}
    return set().union(*(_last(each, root) for each in members))


def fixed_part(pattern: str) -> str:
    """The folder above the first wildcard of a pattern; without one the pattern itself."""
    plain, magic, _ = re.split(r"([*?[])", pattern, maxsplit=1) if glob.has_magic(pattern) else (pattern, "", "")
    return (os.path.dirname(plain) if magic else plain) or "/"  # noqa: PTH120  a name may hold any bytes


def _btrfs_members(node: str, root: Path) -> set[str]:
    """All devices of the btrfs that has this one (Linux: /sys/fs/btrfs/UUID/devices); itself if none is listed."""
    name = os.path.basename(node)  # noqa: PTH119  a name may hold any bytes
    for each in root.glob("sys/fs/btrfs/*/devices"):
        if (each / name).exists():
            return {str(root / "dev" / one.name) for one in each.iterdir()}
    return {node}


def _last(node: str, root: Path) -> set[str]:
    """The devices below which there is none. A partition counts as its disk; a ZFS volume is not a disk."""
    level = {(root / "sys/class/block" / os.path.basename(node)).resolve()}  # noqa: PTH119  a name may hold any bytes
    found: set[str] = set()
    for _ in range(DEPTH):
        for each in level:
            if each.exists() and not any(each.glob("slaves/*")):
                found.add(each.parent.name if (each / "partition").exists() else each.name)
        level = {one.resolve() for each in level for one in each.glob("slaves/*")}
    return {each for each in found if not each.startswith("zd")}


def _of_mount(mount: Mount, mounted: Sequence[Mount], root: Path) -> set[str]:
    if mount.type == "zfs":
        return {look_zfs.subject(mount.source.partition("/")[0])}
    if mount.type == "btrfs":
        chosen = mounts.one_for_each_device([each for each in mounted if each.type == "btrfs"])
        point = next((each.point for each in chosen if each.device == mount.device), mount.point)
        return {f"btrfs {printable(point)}", *_beneath(mount, root)}
    return {f"file system {printable(mount.point)}", *_beneath(mount, root)}


def _beneath(mount: Mount, root: Path) -> Iterator[str]:
    """The pools and volume groups that hold a file system's device, directly or through the layers between."""
    if not mount.on_device:
        return
    volumes = zfs_devices.links(root / "dev/zvol")
    device = os.path.realpath(root / mount.source.removeprefix("/"))
    found = [(root / "sys/class/block" / os.path.basename(device)).resolve()]  # noqa: PTH119  a name may hold any bytes
    for _ in range(DEPTH):
        for each in found:
            if name := volumes.get(str(root / "dev" / each.name)):
                yield look_zfs.subject(name.partition("/")[0])
            if _read(each / "dm/uuid").startswith("LVM-"):
                # Group and volume joined by a hyphen; a hyphen within a name is doubled.
                group = _read(each / "dm/name").replace("--", "\0").partition("-")[0].replace("\0", "-")
                yield _group(group)
        found = [Path(os.path.realpath(one)) for each in found for one in sorted(each.glob("slaves/*"))]


def _group(name: str) -> str:
    return f"volume group {printable(name)}"


def _read(path: Path) -> str:
    try:
        return path.read_text("utf-8", "surrogateescape").strip()
    except OSError:
        return ""  # Not a device of the mapper, or just removed.
