"""Reads the kernel's files for a btrfs, /sys/fs/btrfs/UUID, and its devices' sizes. May hang: call it in a worker.

Nothing here needs a privilege. Not here: what the figures mean (space.py, filesystems.py).
"""

import fcntl
import os
import struct
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from watchkeeper.probes.storage.btrfs.space import PROFILES, Profile, Space

SYSFS = Path("/sys/fs/btrfs")

DEV_INFO = 0xD000941E
"""BTRFS_IOC_DEV_INFO, _IOWR(0x94, 30, 4096 bytes): linux/btrfs.h. Any user who can open the folder may call it."""

_DEV_INFO_BYTES = 4096
_DEV_INFO_HEAD = struct.Struct("=Q16sQQ")  # devid, uuid, bytes_used, total_bytes
_SECTOR_BYTES = 512

ERRORS = ("write_errs", "read_errs", "flush_errs", "corruption_errs", "generation_errs")
"""The lines of devinfo/N/error_stats, since Linux 5.14."""


@dataclass(frozen=True, slots=True)
class BtrfsDevice:
    """One device: its number, whether it is missing, and the errors counted since the last reset."""

    number: int
    missing: bool
    errors: tuple[tuple[str, int], ...] = ()


@dataclass(frozen=True, slots=True)
class Btrfs:
    """One file system. spaces: by kind (data, metadata, or mixed if a small file system has only one).

    bare: by kind, the bytes in chunks that survive no lost device, beside chunks of the same kind that do.
    unallocated: bytes of each device that are in no chunk. exact: False if the devices could not be queried, and the
    total is assumed to be spread evenly.
    """

    uuid: str
    label: str
    spaces: dict[str, Space]
    unallocated: tuple[int, ...]
    exact: bool
    reserve_bytes: int
    node_bytes: int
    devices: tuple[BtrfsDevice, ...]
    bare: tuple[tuple[str, int], ...] = ()


def tables_of(sysfs: Path, source: str) -> Path | None:
    """The sysfs folder that lists the mounted device; None if there is none.

    source: the device as in the kernel's mountinfo; in /dev it may be a link to the name that sysfs uses.
    """
    name = os.path.basename(os.path.realpath(source))  # noqa: PTH119  not a path that this program chose
    return next((each.parent for each in sorted(sysfs.glob("*/devices")) if os.path.lexists(each / name)), None)


def read(folder: Path, mount_point: str) -> Btrfs:
    """Read one mounted btrfs. Raises OSError if its files cannot be read, ValueError if their content is invalid."""
    allocation = folder / "allocation"
    kinds = [kind for kind in ("data", "metadata", "mixed") if (allocation / kind).is_dir()]
    devices = tuple(_devices(folder))
    unallocated = _ask_devices(mount_point, devices)
    return Btrfs(
        uuid=folder.name,
        label=_text(folder / "label"),
        spaces={kind: _space(allocation / kind) for kind in kinds},
        unallocated=unallocated or _spread(folder, devices),
        exact=bool(unallocated),
        reserve_bytes=_number(allocation / "global_rsv_size"),
        node_bytes=_number(folder / "nodesize"),
        devices=devices,
        bare=tuple((kind, size) for kind in kinds if (size := _bare(allocation / kind))),
    )


def _text(path: Path) -> str:
    with path.open("rb") as file:
        return file.read(4096).decode("utf-8", "surrogateescape").strip()


def _number(path: Path) -> int:
    return int(_text(path))


def _space(folder: Path) -> Space:
    return Space(_number(folder / "bytes_used"), _number(folder / "total_bytes"), _profile(folder))


def _profile(folder: Path) -> Profile:
    """The profile with the most bytes in chunks: while a balance converts them, there are two."""
    sizes = {name: _number(folder / name / "total_bytes") for name in PROFILES if (folder / name).is_dir()}
    return PROFILES[max(sizes, key=lambda name: sizes[name])] if sizes else Profile()


def _bare(folder: Path) -> int:
    """Bytes in chunks without a copy on another device, where chunks of this kind with one exist as well."""
    sizes = {name: _number(folder / name / "total_bytes") for name in PROFILES if (folder / name).is_dir()}
    survive = {
        name for name, profile in PROFILES.items() if profile.parity or (profile.copies > 1 and profile.least > 1)
    }
    safe = sum(size for name, size in sizes.items() if name in survive)
    return sum(size for name, size in sizes.items() if name not in survive) if safe else 0


def _devices(folder: Path) -> Iterator[BtrfsDevice]:
    for path in sorted((folder / "devinfo").iterdir(), key=lambda path: path.name):
        if path.name.isdecimal():
            yield BtrfsDevice(int(path.name), _text(path / "missing") == "1", _errors(path / "error_stats"))


def _errors(path: Path) -> tuple[tuple[str, int], ...]:
    """The error counts; empty if the kernel has no such file, or if the device is missing: then it says `invalid`."""
    found: dict[str, int] = {}
    with suppress(FileNotFoundError):
        for line in _text(path).split("\n"):
            name, _, count = line.partition(" ")
            if name in ERRORS and count.isdecimal():
                found[name] = int(count)
    return tuple(found.items())


def _ask_devices(mount_point: str, devices: tuple[BtrfsDevice, ...]) -> tuple[int, ...]:
    """Unallocated bytes of each device that is present; empty if they cannot be queried."""
    try:
        fd = os.open(mount_point, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    except OSError:
        return ()
    try:
        return tuple(_ask_device(fd, device.number) for device in devices if not device.missing)
    except OSError:
        return ()
    finally:
        os.close(fd)


def _ask_device(fd: int, number: int) -> int:
    asked = bytearray(_DEV_INFO_BYTES)
    _DEV_INFO_HEAD.pack_into(asked, 0, number, b"", 0, 0)
    fcntl.ioctl(fd, DEV_INFO, asked)
    _, _, used, total = _DEV_INFO_HEAD.unpack_from(asked)
    return int(max(total - used, 0))


def _spread(folder: Path, devices: tuple[BtrfsDevice, ...]) -> tuple[int, ...]:
    """The total unallocated bytes, spread evenly: exact for one device, and the best estimate for several."""
    there = [device for device in devices if not device.missing]
    total = sum(_number(path / "size") * _SECTOR_BYTES for path in (folder / "devices").iterdir())
    taken = sum(_number(path / "disk_total") for path in (folder / "allocation").iterdir() if path.is_dir())
    return (max(total - taken, 0) // max(len(there), 1),) * len(there)
