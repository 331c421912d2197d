"""Which mapped device is which logical volume."""

import os
from collections.abc import Sequence
from pathlib import Path

from watchkeeper.probes.storage.lvm.tables import device_name


def mapped(sys: Path, names: Sequence[str]) -> dict[str, str]:
    """From a device's own name (dm-3) to the volume. names: of volumes, as GROUP/VOLUME. Blocks briefly."""
    by_mapper = {device_name(*each.split("/", 1)): each for each in names if "/" in each}
    found = {}
    for path in sys.glob("block/dm-*/dm/name"):
        try:
            called = path.read_text("utf-8", "surrogateescape").rstrip("\n")
        except OSError:
            continue  # It was removed just now.
        if called in by_mapper:
            found[path.parent.parent.name] = by_mapper[called]
    return found


def volume_at(devices: dict[str, str], path: str) -> str:
    """The volume of a device, given any of its paths; a name that is no volume's if it is none.

    devices: as `mapped` found them.
    """
    return devices.get(Path(os.path.realpath(path)).name) or path.removeprefix("/dev/")
