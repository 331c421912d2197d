"""Whether the newest file of a series of backups is far smaller than those before it. Pure."""

import re
from collections.abc import Sequence
from dataclasses import dataclass

EARLIER_FILES = 5
"""So many earlier files of a set are needed before the size of a new one is judged."""
STUB_SHARE = 0.1
"""A stub has at most this share of the smallest earlier file, times how far the sizes of the set lie apart."""


@dataclass(frozen=True, slots=True)
class CopyFile:
    """A file of a set of backups. written_s: seconds since 1970."""

    name: str
    written_s: float
    size_bytes: int


def stub(files: Sequence[CopyFile]) -> tuple[CopyFile, CopyFile] | None:
    """The newest file of a series if it is far smaller than all before it, and the newest before it; None if none is.

    Files whose names differ in digits alone are one series, so full and incremental copies, and those of other disks,
    are compared with their own kind. Sizes that vary tenfold, as of incremental copies, lower the limit tenfold.
    """
    series: dict[str, list[CopyFile]] = {}
    for each in sorted(files, key=lambda each: each.written_s):
        series.setdefault(re.sub(r"\d+", "0", each.name), []).append(each)
    for *before, newest in series.values():
        sizes = [each.size_bytes for each in before]
        if len(sizes) >= EARLIER_FILES and newest.size_bytes * max(sizes) < STUB_SHARE * min(sizes) ** 2:
            return newest, before[-1]
    return None
