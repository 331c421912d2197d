"""Which disks are below a block device, and which file systems are on a disk, as the kernel shows it in /sys.

Documentation/ABI/stable/sysfs-block. No device is opened. ZFS is not in these tables: a pool's members look unused.
"""

import os
from collections.abc import Iterable, Iterator
from pathlib import Path

from watchkeeper.probes.filesystems.mounts import Mount

DEPTH = 10
"""A file system on LUKS on LVM on RAID on partitions has four layers."""


class BlockDevices:
    """The tables of one moment. sysfs: /sys, for tests."""

    def __init__(self, sysfs: Path = Path("/sys")) -> None:
        self._sysfs = sysfs

    def disks_below(self, name: str, depth: int = DEPTH) -> frozenset[str]:
        """The whole disks below a device with a kernel name such as dm-0, md0, sda1 or sda; empty if there is none."""
        folder = self._sysfs / "class/block" / name
        if not folder.exists() or depth == 0:
            return frozenset()
        if (folder / "partition").exists():
            return self.disks_below(Path(os.path.realpath(folder)).parent.name, depth - 1)
        slaves = _names(folder / "slaves")
        return frozenset(each for slave in slaves for each in self.disks_below(slave, depth - 1)) or frozenset({name})

    def of_number(self, number: str) -> str:
        """The kernel name of the device with this `major:minor`; empty if there is none."""
        try:
            return os.path.basename(os.readlink(self._sysfs / "dev/block" / number))  # noqa: PTH115, PTH119  a link's end
        except OSError:
            return ""

    def behind(self, controller: str) -> list[str]:
        """The disks behind a port or a controller, such as ata3 or nvme0, ordered by name."""
        part = f"/{controller}/"
        return sorted(each for each in self.all_disks() if part in f"{os.path.realpath(self._sysfs / 'block' / each)}/")

    def all_disks(self) -> list[str]:
        """Every block device that is no partition."""
        return _names(self._sysfs / "block")

    def real_disks(self) -> list[str]:
        """The disks that a driver serves: not loop devices, memory, mapped devices, arrays or ZFS volumes."""
        return [each for each in self.all_disks() if (self._sysfs / "block" / each / "device").exists()]

    def identity(self, disk: str) -> str:
        """A disk's worldwide id or serial number, as its driver shows it; its name where there is none."""
        for name in ("wwid", "device/wwid", "device/serial", "serial"):
            try:
                text = (self._sysfs / "block" / disk / name).read_text("utf-8", "replace").strip()
            except OSError:
                continue
            if text and text.isprintable():
                return text[:200]
        return disk

    def rotates(self, disk: str) -> bool:
        """Whether a disk reports that it rotates."""
        try:
            return (self._sysfs / "block" / disk / "queue/rotational").read_text("ascii").strip() == "1"
        except (OSError, ValueError):
            return False

    def in_check(self) -> frozenset[str]:
        """The disks of md arrays that are checked, rebuilt or reshaped now: md(4), sync_action."""
        busy = [each for each in (self._sysfs / "block").glob("md*") if _action(each) not in ("", "idle", "frozen")]
        return frozenset(disk for each in busy for disk in self._below(_names(each / "slaves")))

    def mates(self, disks: Iterable[str]) -> dict[str, list[str]]:
        """For each disk, the others that are in the same md array or the same btrfs."""
        wanted = set(disks)
        groups = [[*self._below(_names(each / "slaves"))] for each in sorted((self._sysfs / "block").glob("md*"))]
        groups += [[*self._below(_names(each))] for each in sorted((self._sysfs / "fs/btrfs").glob("*-*/devices"))]
        found: dict[str, set[str]] = {}
        for group in groups:
            for each in wanted & set(group):
                found.setdefault(each, set()).update(wanted & set(group) - {each})
        return {name: sorted(others) for name, others in found.items() if others}

    def _below(self, names: Iterable[str]) -> frozenset[str]:
        return frozenset(disk for name in names for disk in self.disks_below(name))

    def mounted_on(self, disk: str, mounts: Iterable[Mount]) -> Iterator[str]:
        """The mount points of the file systems that are on a disk."""
        for mount in mounts:
            name = self.of_number(mount.device)
            if name and disk in self.disks_below(name):
                yield mount.point


def _action(array: Path) -> str:
    try:
        return (array / "md/sync_action").read_text("ascii", "replace").strip()
    except OSError:
        return ""


def _names(folder: Path) -> list[str]:
    try:
        return sorted(os.listdir(folder))  # noqa: PTH208  names are all that is wanted
    except OSError:
        return []
