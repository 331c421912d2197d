"""What container engines take of the file system that holds their data, as parts of its space."""

import os
from collections.abc import Iterator, Sequence
from pathlib import Path

from watchkeeper.model.observation import Level, SeriesKey
from watchkeeper.probes.containers.engine import EngineSpace
from watchkeeper.probes.support.sanitize import printable

SPACE = "space"
"""The quantity of a file system that the `filesystems` probe names."""


def levels(spaces: Sequence[EngineSpace]) -> Iterator[Level]:
    """Images, build cache, volumes and what containers have written, of every engine. Blocks."""
    for each in spaces:
        try:
            point = mount_point(each.root)
            found = os.statvfs(point)
        except OSError:
            continue  # It may not be visible to this user; the file system's own level still is.
        whole = SeriesKey(f"file system {printable(point)}", SPACE)
        for name, size in each.taken.items():
            key = SeriesKey(f"containers in {printable(each.root)}", name)
            yield Level(key, size, max(found.f_blocks * found.f_frsize, 1), part_of=whole)


def mount_point(path: str) -> str:
    """The mount point that holds a path. Raises OSError."""
    where = Path(path).resolve(strict=True)
    while not os.path.ismount(where) and where != where.parent:
        where = where.parent
    return str(where)
