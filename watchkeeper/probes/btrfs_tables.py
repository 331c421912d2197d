"""What `btrfs subvolume list` and `btrfs scrub status` say, as records. Pure: nothing is run in here.

Neither has a machine form (btrfs-progs 6.2 has JSON for other commands only): both print a name before each value, and
the names are what is read, with LC_ALL=C and times in UTC.
"""

import re
from dataclasses import dataclass
from datetime import UTC, datetime

from watchkeeper.probes.tools import read_ctime

_SUBVOLUME = re.compile(
    r"ID \d+ gen \d+ cgen \d+ top level \d+ otime (?P<made>\d{4}-\d\d-\d\d \d\d:\d\d:\d\d|-) path (?P<path>.*)"
)


@dataclass(frozen=True, slots=True)
class Subvolume:
    """A snapshot: its path from the top of the file system, and when it was made."""

    path: str
    made_at: datetime


@dataclass(frozen=True, slots=True)
class ScrubStatus:
    """The last scrub: when it began (None: there was none), how it stands, and what it could not mend."""

    began_at: datetime | None
    state: str
    uncorrectable: int


def read_subvolumes(text: str) -> list[Subvolume]:
    """The lines of `btrfs subvolume list -s`.

    A path may hold a line break; what does not begin a line of the tool's belongs to the path before. A user of the
    machine who may make subvolumes can still name one so that it looks like another line: the tool does not quote.
    """
    found: list[tuple[str, str]] = []
    for line in text.removesuffix("\n").split("\n"):
        begins = _SUBVOLUME.fullmatch(line)
        if begins:
            found.append((begins.group("path"), begins.group("made")))
        elif found:
            found[-1] = (f"{found[-1][0]}\n{line}", found[-1][1])
    return [Subvolume(path, made_at) for path, made in found if (made_at := _made(made))]


def _made(text: str) -> datetime | None:
    """In UTC, the time zone that the tool was given; None for what was made before the kernel noted it."""
    try:
        return datetime.fromisoformat(text).replace(tzinfo=UTC)
    except ValueError:
        return None


def read_scrub(text: str) -> ScrubStatus:
    """The lines of `btrfs scrub status -R`."""
    values = {}
    for line in text.split("\n"):
        name, _, value = line.partition(":")
        values[name.strip()] = value.strip()
    # A scrub that was begun again after a break has a line of its own for that; the break is not a scrub of all.
    began_at = read_ctime(values.get("Scrub started", ""))
    count = values.get("uncorrectable_errors", "")
    return ScrubStatus(began_at, values.get("Status", ""), int(count) if count.isdecimal() else 0)
