"""Which file systems should be mounted: what /etc/fstab and the enabled mount units name, and what was mounted before.

fstab(5), systemd.mount(5). Only files that every user may read; no file system is touched. Pure but for those reads.
Not here: what is mounted (mounts.py), and what is observed of it (filesystems.py).
"""

import re
from collections.abc import Collection, Iterator, Mapping
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from pydantic import AwareDatetime, BaseModel, ConfigDict, Field

from watchkeeper.probes.support.state import StateModel

FSTAB = "/etc/fstab"

BY_REQUEST = frozenset({"noauto", "x-systemd.automount"})
"""Options with which a file system is not mounted at boot, or when it is first used."""

LINES_LIMIT = 10_000

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


def named(root: Path = Path("/")) -> dict[str, ExpectedMount]:
    """What should be mounted after a boot, by mount point. A file that cannot be read names nothing."""
    found = {each.point: each for each in _units(root / "etc/systemd/system")}
    with suppress(OSError):
        text = (root / "etc/fstab").read_text("utf-8", "surrogateescape")
        found |= {each.point: each for each in parse_fstab(text)}
    return found


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


def _units(folder: Path) -> Iterator[ExpectedMount]:
    """The mount units that a target or another unit starts: each has a link in a folder `*.wants` or `*.requires`."""
    links = sorted({*folder.glob("*.wants/*.mount"), *folder.glob("*.requires/*.mount")})
    for link in links[:LINES_LIMIT]:
        with suppress(OSError):
            settings = dict(_SETTING.findall(link.read_text("utf-8", "surrogateescape")))
            if (point := settings.get("Where", "")).startswith("/"):
                yield ExpectedMount(_plain(point), settings.get("What", ""), settings.get("Type", ""), link.name)


def _plain(point: str) -> str:
    return point if point == "/" else point.rstrip("/")


def holder(point: str, mounted: Collection[str]) -> str:
    """The mount point of the file system that gets what is written to a mount point while nothing is mounted there."""
    above = [each for each in mounted if each == "/" or point.startswith(f"{each}/")]
    return max(above, key=len, default="/")
