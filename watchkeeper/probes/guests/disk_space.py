"""What the disks of guests take on the host, and what each guest has written to them.

Not here: whether they work (disks.py), and what is used of them inside (agents/).
"""

from collections.abc import Iterator, Sequence

from watchkeeper.model.observation import Level, SeriesKey, file_system_space
from watchkeeper.probes.filesystems import mounts
from watchkeeper.probes.guests.qmp import Guest
from watchkeeper.probes.support.sanitize import clip, printable


def written(name: str, guest: Guest) -> Iterator[Level]:
    """What a guest has written since its start. It is recorded and not judged.

    A block that is written twice counts twice.
    """
    counted = [disk for disk in guest.disks if disk.written_bytes is not None and disk.size_bytes]
    if counted:
        total, sizes = sum(d.written_bytes or 0 for d in counted), sum(d.size_bytes or 0 for d in counted)
        yield Level(SeriesKey(f"guest {name}", "written"), total, sizes, not_judged=True)


def images(name: str, guest: Guest, points: Sequence[str]) -> Iterator[Level]:
    """What each image of a guest takes, as a part of the file system that it lies on. points: the longest first."""
    for disk in guest.disks:
        point = next((each for each in points if mounts.below(disk.file, [each])), None)
        if not disk.allocated_bytes or point is None or disk.file.startswith("/dev/"):
            continue
        key, most = SeriesKey(clip(f"guest {name}: image {disk.file}", 300), "size"), max(disk.size_bytes or 0, 1)
        yield Level(key, disk.allocated_bytes, most, part_of=file_system_space(printable(point)))
