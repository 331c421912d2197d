"""The names of things on this host, for patterns that should match some of them. Read without root and without a look
inside: a disk that sleeps is not woken, a guest is not asked. Nothing where a kind cannot be listed that way.
"""

import contextlib
import json
import os
import re
from collections.abc import Callable, Collection, Iterator
from functools import cache, partial
from pathlib import Path

from watchkeeper.discovery.finders.guests import qemu
from watchkeeper.errors import ProbeError
from watchkeeper.privileged.commands import ENGINES
from watchkeeper.privileged.process import PATH
from watchkeeper.privileged.process import run as run_program
from watchkeeper.probes.containers import cgroups
from watchkeeper.probes.filesystems import mounts
from watchkeeper.probes.hardware.fans import read_fans
from watchkeeper.probes.host.temperatures import sensor_names
from watchkeeper.probes.storage.zfs.tables import LIST_NAMES

PROGRAM_S = 5.0
"""A program that does not list its things within this time is not asked again."""

Names = Callable[[], Collection[str]]
"""What there is on this host; empty if it cannot be listed."""

_HYPHEN = re.compile(r"(?<!-)-(?!-)")
"""What separates a group from its volume in the names of dm devices: hyphens within a name are doubled (lvm(8))."""


def of_folder(path: str) -> Names:
    """The names in a folder."""

    def names() -> Collection[str]:
        with contextlib.suppress(OSError):
            return os.listdir(path)  # noqa: PTH208  names are wanted, not paths
        return ()

    return names


@cache
def units() -> frozenset[str]:
    """Every unit that systemd has loaded or could load."""
    return frozenset(_listed("list-units", "unit")) | frozenset(_listed("list-unit-files", "unit_file"))


def _listed(verb: str, field: str) -> Iterator[str]:
    done = run_program(("systemctl", verb, "--all", "--output=json"), PROGRAM_S)
    if done.status == 0:
        with contextlib.suppress(ValueError, KeyError, TypeError):
            yield from (str(each[field]) for each in json.loads(done.stdout))


@cache
def datasets(path: str = PATH) -> frozenset[str]:
    """The datasets of ZFS; those without a slash are pools. path: where its program is looked for."""
    done = run_program(LIST_NAMES, PROGRAM_S, path=path)
    return frozenset(done.stdout.decode("utf-8", "replace").split("\n")) - {""} if done.status == 0 else frozenset()


def volumes(root: Path = Path("/")) -> frozenset[str]:
    """Volume groups and their active volumes: `vg0`, `vg0/tide-log`."""
    found = set[str]()
    for device in root.glob("sys/block/dm-*/dm"):
        with contextlib.suppress(OSError):
            if (device / "uuid").read_text("utf-8").startswith("LVM-"):
                found |= _group_and_volume((device / "name").read_text("utf-8").strip())
    return frozenset(found)


def _group_and_volume(name: str) -> set[str]:
    group, *rest = (each.replace("--", "-") for each in _HYPHEN.split(name, maxsplit=1))
    return {group, *(f"{group}/{each}" for each in rest)}


def pools(root: Path = Path("/")) -> frozenset[str]:
    """Pools of ZFS, and volumes of LVM, some of which are thin pools."""
    return frozenset(each for each in datasets() if "/" not in each) | volumes(root)


def sensors(root: Path = Path("/")) -> Collection[str]:
    """Temperature sensors."""
    return sensor_names(root / "sys/class/hwmon")


def fans(root: Path = Path("/")) -> Collection[str]:
    """Fans and voltages; none of them is read."""
    found: list[str] = []

    def wanted(name: str) -> bool:
        found.append(name)
        return False

    with contextlib.suppress(ProbeError):
        read_fans(root / "sys/class/hwmon", wanted)
    return found


def disks(root: Path = Path("/")) -> frozenset[str]:
    """Disks by device, model and serial number, as udev and the kernel name them."""
    names = {f"/dev/{each}" for each in of_folder(str(root / "sys/block"))()}
    for link in of_folder(str(root / "dev/disk/by-id"))():
        _, _, known = link.partition("-")
        names |= {known, *known.split("_"), known.replace("_", " "), known.rpartition("_")[0].replace("_", " ")}
    for file in root.glob("sys/block/*/device/[ms][oe]*"):
        if file.name in {"model", "serial"}:
            with contextlib.suppress(OSError, ValueError):
                names.add(file.read_text("utf-8").strip())
    return frozenset(names)


def btrfs_points(root: Path = Path("/")) -> Collection[str]:
    """Mount points of btrfs."""
    with contextlib.suppress(OSError):
        found = mounts.parse((root / "proc/self/mountinfo").read_text("utf-8", "surrogateescape"))
        return [each.point for each in found if each.type == "btrfs"]
    return ()


def guests(root: Path = Path("/")) -> Collection[str]:
    """Guests whose QEMU runs."""
    return [each.name for each in qemu.running(root / "proc") if each.name]


def containers(root: Path = Path("/")) -> Collection[str]:
    """Containers and slices; nothing if there is an engine, which only its helper may ask."""
    if any((root / each.lstrip("/")).exists() for each in ENGINES):
        return ()
    return [each.subject.partition(" ")[2] for each in cgroups.find(root / "sys/fs/cgroup")]


def either(*some: Names) -> Names:
    """What there is of several kinds."""
    return partial(_all_of, some)


def _all_of(some: Collection[Names]) -> Collection[str]:
    return frozenset(name for names in some for name in names())
