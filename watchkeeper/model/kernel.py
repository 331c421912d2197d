"""The installed kernels of a host, and what they lack. Pure. Not here: reading /boot (probes/software/kernels.py)."""

import re
from collections.abc import Sequence
from dataclasses import dataclass

_NUMBERS = re.compile(r"(\d+)")
_LEADING = re.compile(r"\d+(?:[.-]\d+)*")


@dataclass(frozen=True, slots=True)
class Kernel:
    """An installed kernel. zfs: whether its ZFS module is there; None if this host does not use ZFS."""

    release: str
    initramfs: bool
    zfs: bool | None = None


def order(release: str) -> list[tuple[int, str]]:
    """A sort key: a release in the order of its numbers."""
    return [(int(each), "") if each.isdecimal() else (-1, each) for each in _NUMBERS.split(release)]


def missing_parts(kernels: Sequence[Kernel], running: str) -> list[str]:
    """What the newest kernel lacks to boot. kernels: oldest first, at least one. running: the release that runs.

    A host that runs without an initramfs does not need one.
    """
    newest, missing = kernels[-1], []
    used = next((each for each in kernels if each.release == running), None)
    if not newest.initramfs and (used is None or used.initramfs):
        missing.append("its initramfs is missing in /boot")
    if newest.zfs is False:
        missing.append("it has no ZFS module: pools would not be imported")
    return missing


def newer(kernels: Sequence[Kernel], running: str) -> str:
    """The newest installed release of the running one's flavour, if it is newer than the running one; else empty.

    Flavours are not compared with each other: 6.1.0-18-rt-amd64 is not newer than 6.1.0-18-amd64.
    """
    alike = [each.release for each in kernels if _flavour(each.release) == _flavour(running)]
    newest = max(alike, key=_version, default=running)
    return newest if _version(newest) > _version(running) else ""


def _version(release: str) -> list[int]:
    """The numbers that a release begins with."""
    found = _LEADING.match(release)
    return [int(each) for each in re.findall(r"\d+", found.group())] if found else []


def _flavour(release: str) -> list[str]:
    """The parts of a release that do not begin with a digit: `amd64`, `rt amd64`."""
    return [each for each in release.split("-") if not each[:1].isdecimal()]
