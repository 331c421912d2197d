"""Which file systems should be mounted: what /etc/fstab and the enabled mount units name, and what was mounted before.

fstab(5), systemd.mount(5). Only files that every user may read; no file system is touched. Pure but for those reads.
Not here: what is mounted (mounts.py), and what is observed of it (filesystems.py).
"""

import os
import re
from collections.abc import Collection, Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from pydantic import AwareDatetime, BaseModel, ConfigDict, Field

from watchkeeper.probes.support.state import StateModel

FSTAB = "/etc/fstab"

BY_REQUEST = frozenset({"noauto", "x-systemd.automount"})
"""Options with which a file system is not mounted at boot, or when it is first used."""

LINES_LIMIT = 10_000
SIZE_LIMIT = 2**20
"""Bytes of one file: far more than any fstab, and the end of one that has none."""

_ESCAPE = re.compile(r"\\([0-7]{3})")
_SETTING = re.compile(r"^\s*(Where|What|Type)\s*=\s*(.*?)\s*$", re.MULTILINE)


@dataclass(frozen=True, slots=True)
class ExpectedMount:
    """A file system that should be mounted. named_by: the file that names it."""

    point: str
    source: str
    type: str
    named_by: str


class SeenMount(BaseModel):
    """A file system that was mounted. boot: the boot in which it was last seen. absent_since: None if it is there."""

    model_config = ConfigDict(frozen=True)

    boot: str
    source: str = ""
    type: str = ""
    absent_since: AwareDatetime | None = None


class MountsSeen(StateModel):
    """What the probe of file systems keeps: each mount point that was monitored, by its path."""

    seen: Mapping[str, SeenMount] = Field(default_factory=dict)


class ExpectedMounts:
    """What should be mounted after a boot. The files are read again only if one of them, or a folder, has changed."""

    def __init__(self, root: Path = Path("/")) -> None:
        self._fstab, self._units = root / "etc/fstab", root / "etc/systemd/system"
        self._read_from: Sequence[str] = ()
        self._times: Sequence[object] = ()
        self._named: Mapping[str, ExpectedMount] = {}

    def named(self) -> Mapping[str, ExpectedMount]:
        """By mount point. A file that cannot be read names nothing. Blocks."""
        if not self._times or self._times != [_stamp(each) for each in self._read_from]:
            folders = sorted({*self._units.glob("*.wants"), *self._units.glob("*.requires")})
            links = sorted(link for folder in folders for link in folder.glob("*.mount"))[:LINES_LIMIT]
            self._read_from = [str(each) for each in (self._fstab, self._units, *folders, *links)]
            self._times = [_stamp(each) for each in self._read_from]
            self._named = self._read(links)
        return self._named

    def _read(self, links: Sequence[Path]) -> Mapping[str, ExpectedMount]:
        found = {each.point: each for each in _of_units(links)}
        with suppress(OSError):
            found |= {each.point: each for each in parse_fstab(_text(self._fstab))}
        return found


def _text(path: Path) -> str:
    with path.open("rb") as file:
        return file.read(SIZE_LIMIT).decode("utf-8", "surrogateescape")


def _stamp(path: str) -> tuple[int, int, int] | None:
    """What differs after a file was written or replaced; None where it cannot be queried."""
    try:
        status = os.stat(path)  # noqa: PTH116  several of these a minute, and a Path costs more than the call
    except OSError:
        return None
    return status.st_mtime_ns, status.st_ino, status.st_size


def parse_fstab(text: str) -> Iterator[ExpectedMount]:
    """The file systems that are mounted at boot, except those that are mounted on request. Other lines are ignored."""
    for line in text.split("\n", LINES_LIMIT)[:LINES_LIMIT]:
        fields = line.split()
        if len(fields) < 3 or fields[0].startswith("#"):
            continue
        source, point, kind = (_ESCAPE.sub(lambda found: chr(int(found.group(1), 8)), each) for each in fields[:3])
        options = fields[3].split(",") if len(fields) > 3 else []
        if point.startswith("/") and kind != "swap" and not BY_REQUEST & set(options):
            yield ExpectedMount(_plain(point), source, kind, FSTAB)


def _of_units(links: Sequence[Path]) -> Iterator[ExpectedMount]:
    """The mount units that a target or another unit starts: each has a link in a folder `*.wants` or `*.requires`."""
    for link in links:
        with suppress(OSError):
            settings = dict(_SETTING.findall(_text(link)))
            if (point := settings.get("Where", "")).startswith("/"):
                yield ExpectedMount(_plain(point), settings.get("What", ""), settings.get("Type", ""), link.name)


def _plain(point: str) -> str:
    return point if point == "/" else point.rstrip("/")


def holder(point: str, mounted: Collection[str]) -> str:
    """The mount point of the file system that gets what is written to a mount point while nothing is mounted there."""
    above = [each for each in mounted if each == "/" or point.startswith(f"{each}/")]
    return max(above, key=len, default="/")
