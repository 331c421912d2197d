"""What container engines take of the file system that holds their data, as parts of its space."""

import os
from collections.abc import Iterator, Sequence
from contextlib import suppress
from pathlib import Path

from watchkeeper.model.observation import Level, SeriesKey
from watchkeeper.probes.containers.engine import Container, EngineSpace
from watchkeeper.probes.filesystems import mounts
from watchkeeper.probes.support.sanitize import printable

SPACE = "space"
"""The quantity of a file system that the `filesystems` probe names."""


def measure(spaces: Sequence[EngineSpace], containers: Sequence[Container], proc: Path) -> list[Level]:
    """Everything that engines and their containers take. Blocks."""
    return [*levels(spaces), *logs(containers, proc)]


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


def logs(containers: Sequence[Container], proc: Path) -> Iterator[Level]:
    """The log of each container, as a part of the file system that holds it. Blocks.

    Found by the kernel's list of mounts: this user may not enter the folders of an engine.
    """
    points = mounts.points_by_length(proc)
    for each in containers:
        path = each.log_path or ""
        point = next((point for point in points if mounts.below(path, (point,))), None)
        if not each.log_bytes or point is None or not path.startswith("/"):
            continue
        with suppress(OSError):
            found = os.statvfs(point)
            key, most = SeriesKey(f"container {each.label}: log", "size"), max(found.f_blocks * found.f_frsize, 1)
            yield Level(key, each.log_bytes, most, part_of=SeriesKey(f"file system {printable(point)}", SPACE))


def mount_point(path: str) -> str:
    """The mount point that holds a path. Raises OSError."""
    where = Path(path).resolve(strict=True)
    while not os.path.ismount(where) and where != where.parent:
        where = where.parent
    return str(where)
