"""Parses `btrfs subvolume list` and `btrfs scrub status` into records. Pure. Not here: running the tools.

Neither has a machine-readable form (btrfs-progs 6.2 has JSON for other commands only): both print a name before each
value, and parsing goes by these names, with LC_ALL=C and times in UTC.
"""

import re
from dataclasses import dataclass, field
from datetime import UTC, datetime

from watchkeeper.probes.support.tools import read_ctime

_SUBVOLUME = re.compile(
    r"ID (?P<number>\d{1,20}) gen \d+ cgen \d+ top level \d+ "
    r"otime (?P<made>\d{4}-\d\d-\d\d \d\d:\d\d:\d\d|-) path (?P<path>.*)"
)


@dataclass(frozen=True, slots=True)
class Subvolume:
    """A snapshot: its path from the top of the file system, when it was made, and the number of its tree."""

    path: str
    made_at: datetime
    number: int = field(default=0, compare=False)


@dataclass(frozen=True, slots=True)
class ScrubStatus:
    """The last scrub: when it began (None: there was none), its state, and how many errors it could not repair."""

    began_at: datetime | None
    state: str
    uncorrectable: int


def read_subvolumes(text: str) -> list[Subvolume]:
    """The lines of `btrfs subvolume list -s`.

    A path may contain a line break; a line that is not in the tool's format belongs to the path before it. A user who
    may create subvolumes can still name one so that it looks like another line: the tool does not quote.
    """
    found: list[tuple[str, str, int]] = []
    for line in text.removesuffix("\n").split("\n"):
        begins = _SUBVOLUME.fullmatch(line)
        if begins:
            found.append((begins.group("path"), begins.group("made"), int(begins.group("number"))))
        elif found:
            path, made, number = found[-1]
            found[-1] = (f"{path}\n{line}", made, number)
    return [Subvolume(path, made_at, number) for path, made, number in found if (made_at := _made(made))]


def _made(text: str) -> datetime | None:
    """The time in UTC, the time zone that the tool ran with; None if it was made before the kernel recorded this."""
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
    # A scrub that was resumed after a break has its own line for that; the resumed part is not a complete scrub.
    began_at = read_ctime(values.get("Scrub started", ""))
    count = values.get("uncorrectable_errors", "")
    return ScrubStatus(began_at, values.get("Status", ""), int(count) if count.isdecimal() else 0)
