"""What depends on what: a guest on the pool that holds its disks, a service on the guest that listens for it.

Written as comments: a thing that is faulty takes down what depends on it. Not here: finding the guests (guests.py).
"""

import os
from collections.abc import Iterable, Sequence
from pathlib import Path

from watchkeeper.probes.filesystems import mounts
from watchkeeper.probes.filesystems.mounts import Mount
from watchkeeper.probes.support.sanitize import printable

_ZVOL = "/dev/zvol/"


def mounted(root: Path) -> list[Mount]:
    """The mounts that can be reached; none if the kernel's list cannot be read."""
    try:
        return mounts.parse(os.fsdecode((root / "proc/self/mountinfo").read_bytes()))
    except OSError:
        return []


def subjects_below(paths: Iterable[str], found: Sequence[Mount]) -> list[str]:
    """What holds some files and devices, each once: `pool skerry`, `volume skerry/hide-hub`, `file system /srv`."""
    return list(dict.fromkeys(ground for path in paths if (ground := ground_of(path, found))))


def ground_of(path: str, found: Sequence[Mount]) -> str:
    """What holds one file or device; empty if its path does not show it."""
    if path.startswith(_ZVOL):
        return f"pool {printable(path.removeprefix(_ZVOL).partition('/')[0])}"
    if path.startswith("/dev/mapper/"):
        return f"volume {printable(_volume(path.removeprefix('/dev/mapper/')))}"
    if path.startswith("/dev/"):
        group, slash, volume = path.removeprefix("/dev/").partition("/")
        return (
            f"volume {printable(f'{group}/{volume}')}"
            if slash and group not in ("disk", "fd")
            else f"device {printable(path)}"
        )
    holds = [each for each in found if mounts.below(path, (each.point,)) and mounts.nameable(each)]
    return _mount(max(holds, key=lambda each: len(each.point))) if holds else ""


def _volume(mapped: str) -> str:
    """LVM's own name of what the device mapper names `skerry-hide--hub`: hyphens in a name are doubled."""
    group, _, volume = mapped.replace("--", "\0").partition("-")
    return f"{group}/{volume}".replace("\0", "-").rstrip("/")


def _mount(mount: Mount) -> str:
    if mount.type == "zfs":
        return f"pool {printable(mount.source.partition('/')[0])}"
    word = "btrfs" if mount.type == "btrfs" else "file system"
    return f"{word} {printable(mount.point)}"
