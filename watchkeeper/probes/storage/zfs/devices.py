"""Which device is which ZFS volume, by udev's links."""

import os
from pathlib import Path

DEVICES_LIMIT = 4_096
"""Maximum links under /dev/zvol that are read; a home server has a dozen volumes, with two partitions each."""


def links(folder: Path) -> dict[str, str]:
    """From a device's own path (/dev/zd16) to the volume that udev's links name. folder: /dev/zvol. Blocks briefly."""
    found: dict[str, str] = {}
    for at, _, names in os.walk(folder):
        for name in names:
            path = os.path.join(at, name)  # noqa: PTH118  a name may hold any bytes
            found[os.path.realpath(path)] = os.path.relpath(path, folder)
            if len(found) >= DEVICES_LIMIT:
                return found
    return found


def volume_at(devices: dict[str, str], path: str) -> str | None:
    """The volume of a device, given any of its paths; None if it is none. devices: as `links` found them."""
    name = devices.get(os.path.realpath(path))
    return path.removeprefix("/dev/zvol/") if name is None and path.startswith("/dev/zvol/") else name
