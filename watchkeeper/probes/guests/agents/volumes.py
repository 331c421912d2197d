"""What thin volumes of LVM and ZFS volumes hold of their pools, for guests whose disks they are.

QEMU reports what a file takes, and nothing about a device. LVM is asked through the helper, so rarely. A volume whose
whole size is reserved is left out: a trim gives nothing back to its pool.
"""

import re
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path

from watchkeeper.errors import ProbeError
from watchkeeper.probes.base import ProbeContext
from watchkeeper.probes.guests.qmp import Guest
from watchkeeper.probes.storage.lvm import devices as lvm_devices
from watchkeeper.probes.storage.lvm import tables as lvm_tables
from watchkeeper.probes.storage.zfs import devices as zfs_devices
from watchkeeper.probes.support.tools import ask_root, result_of, run_tool

FIELDS = ("name", "referenced", "logicalreferenced", "refreservation", "usedbysnapshots")
LIST_VOLUMES = ("zfs", "list", "-Hp", "-t", "volume", "-o", ",".join(FIELDS))
"""zfsprops(7). `referenced` is less than the data if it is compressed, and more on a raidz with small blocks; the
smaller of both is what a trim can free at least."""

LOOK_EVERY_S = 900.0
"""`lvs` takes half a second; what a volume holds changes slowly."""

TIMEOUT_S = 60.0

_ZVOL = re.compile(r"/dev/(zvol/.+|zd[0-9]+)")
_DISK = re.compile(r"/dev/([svh]d[a-z]+|nvme|mmcblk|loop|nbd|ram|sr)[^/]*|/dev/(disk|zvol)/.+")
"""Devices that are no logical volumes by their names."""


@dataclass(frozen=True, slots=True)
class Held:
    """What a volume holds of its pool, in bytes. snapshots: it has some, which hold a part of that too."""

    bytes: int
    snapshots: bool = False


class Volumes:
    """Looks at the volumes that are guests' disks. root: the folder of /dev and /sys, for tests."""

    def __init__(self, context: ProbeContext, helper: Path, root: Path = Path("/")) -> None:
        self._context, self._helper, self._root = context, helper, root
        self._looked_s: float | None = None
        self._files = frozenset[str]()
        self._held: dict[str, Held] = {}
        self._why: dict[str, str] = {}

    async def look(self, files: Collection[str]) -> None:
        """Look at the devices among these files again, if that was long ago or there are others now."""
        devices = frozenset(each for each in files if each.startswith("/dev/"))
        now_s = self._context.clock.monotonic_s()
        if devices == self._files and self._looked_s is not None and now_s - self._looked_s < LOOK_EVERY_S:
            return
        self._files, self._looked_s, self._held, self._why = devices, now_s, {}, {}
        zvols = [each for each in devices if _ZVOL.fullmatch(each)]
        mapped = [each for each in devices if not _ZVOL.fullmatch(each) and not _DISK.fullmatch(each)]
        for paths, read in ((zvols, self._zfs), (mapped, self._lvm)):
            try:
                self._held |= await read(paths) if paths else {}
            except ProbeError as error:
                self._why |= dict.fromkeys(paths, str(error))

    def why_not(self, guest: Guest) -> str:
        """Why nothing is known of what a guest's disks hold; empty if it is known, or if they are not such volumes."""
        return next((self._why[each.file] for each in guest.disks if each.file in self._why), "")

    def with_held(self, guest: Guest) -> Guest:
        """The guest, with what its volumes hold as what its disks take."""
        held = self._held
        disks = (replace(d, allocated_bytes=held[d.file].bytes) if d.file in held else d for d in guest.disks)
        return replace(guest, disks=tuple(disks))

    def snapshots(self, guest: Guest) -> bool:
        """Whether snapshots of its volumes hold a part of what a trim would free."""
        return any(self._held[each.file].snapshots for each in guest.disks if each.file in self._held)

    async def _zfs(self, paths: Sequence[str]) -> Mapping[str, Held]:
        text = await run_tool(self._context, LIST_VOLUMES, TIMEOUT_S)
        links = partial(zfs_devices.links, self._root / "dev/zvol")
        devices = await self._context.workers.call("links of /dev/zvol", links, TIMEOUT_S)
        volumes = read_volumes(text)
        named = {path: zfs_devices.volume_at(devices, path) for path in paths}
        return {path: volumes[name] for path, name in named.items() if name in volumes}

    async def _lvm(self, paths: Sequence[str]) -> Mapping[str, Held]:
        results = await ask_root(self._context, "volumes", self._helper, TIMEOUT_S)
        volumes = lvm_tables.read_volumes(result_of(results, "lvs", TIMEOUT_S))
        thin = {each.full_name: each for each in volumes if each.kind == "V" and each.data_share is not None}
        origins = {f"{each.group}/{each.origin}" for each in volumes if each.origin}
        find = partial(lvm_devices.mapped, self._root / "sys", list(thin))
        devices = await self._context.workers.call("mapped devices", find, TIMEOUT_S)
        named = {path: lvm_devices.volume_at(devices, path) for path in paths}
        return {
            path: Held(round(thin[name].size_bytes * (thin[name].data_share or 0.0)), name in origins)
            for path, name in named.items()
            if name in thin
        }


def read_volumes(text: str) -> dict[str, Held]:
    """What LIST_VOLUMES prints. Volumes with a reservation, and lines that make no sense, are left out."""
    found = {}
    for line in text.split("\n"):
        name, *numbers = line.split("\t")
        if len(numbers) == len(FIELDS) - 1 and all(each.isdecimal() and len(each) < 20 for each in numbers):
            referenced, logical, reserved, snapshots = map(int, numbers)
            if not reserved:
                found[name] = Held(min(referenced, logical), snapshots > 0)
    return found
