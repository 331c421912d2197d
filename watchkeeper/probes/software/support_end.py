"""When the support of a distribution ends.

From os-release(5) if it has SUPPORT_END, else from the tables of the package distro-info-data: debian.csv, ubuntu.csv.
"""

import csv
from collections.abc import Mapping
from datetime import UTC, date, datetime, time
from enum import StrEnum
from pathlib import Path
from typing import NamedTuple

from watchkeeper.config.tables.rules import OverdueSettings, RulesSettings
from watchkeeper.model.observation import Deadline, Facts, SeriesKey, Unseen
from watchkeeper.model.units import DAY_S
from watchkeeper.os_errors import explained

TABLES = Path("usr/share/distro-info")

TABLE_LIMIT_BYTES = 256 * 1024
"""The largest table has 5 KiB."""


class Support(StrEnum):
    """Which end counts. LONG: by the long-term team, or for servers. EXTENDED: paid for."""

    REGULAR = "regular"
    LONG = "long"
    EXTENDED = "extended"


Ends = Mapping[Support, datetime]
"""The last moment of each kind of support, as far as it is known; at least one."""

SUPPORT_RULES = RulesSettings(
    overdue=OverdueSettings(ahead_caution=180 * DAY_S, ahead_warning=60 * DAY_S, ahead_alarm=7 * DAY_S)
)
"""An upgrade to the next release is planned months ahead."""

_COLUMNS = {
    Support.REGULAR: ("eol",),
    Support.LONG: ("eol-lts", "eol-server"),
    Support.EXTENDED: ("eol-elts", "eol-esm"),
}


class Release(NamedTuple):
    """ID, VERSION_ID and VERSION_CODENAME of os-release(5); empty if they are not there."""

    distribution: str
    version: str = ""
    codename: str = ""


def read_os_release(text: str) -> dict[str, str]:
    """The assignments of os-release(5)."""
    pairs = (line.partition("=") for line in text.split("\n") if "=" in line and not line.startswith("#"))
    return {name.strip(): value.strip().strip("\"'") for name, _, value in pairs}


def stated(system: Mapping[str, str]) -> Ends:
    """The end that the distribution itself states, SUPPORT_END of os-release(5); empty if it does not."""
    end = _end(system.get("SUPPORT_END", ""))
    return {Support.REGULAR: end} if end else {}


def find(root: Path, release: Release) -> Ends | str:
    """The ends of the support of a release, or why they are not known. Blocks."""
    table = root / TABLES / f"{release.distribution}.csv"
    if not release.distribution or "/" in release.distribution:
        return "its name is not known"
    try:
        with table.open("rb") as file:
            text = file.read(TABLE_LIMIT_BYTES).decode("utf-8", "replace")
    except FileNotFoundError:
        there = (root / TABLES).is_dir()
        return "no table has it" if there else "the tables are not here; install distro-info-data"
    except OSError as error:
        return f"{table} cannot be read: {explained(error)}"
    for row in csv.DictReader(text.splitlines()):
        if _is(row, release):
            return _ends(row) or "its end is not set yet"
    return f"{table} does not have this release; upgrade distro-info-data"


def _is(row: Mapping[str, str | None], release: Release) -> bool:
    number = (row.get("version") or "").split(" ")[0]
    if release.version:
        return number == release.version
    return bool(release.codename) and row.get("series") == release.codename


def _ends(row: Mapping[str, str | None]) -> Ends:
    found = {}
    for support, columns in _COLUMNS.items():
        for each in columns:
            if (end := _end(row.get(each) or "")) is not None:
                found[support] = end
    return found


def _end(day: str) -> datetime | None:
    """The last moment of a day; None if the text is no date."""
    try:
        return datetime.combine(date.fromisoformat(day), time(23, 59, 59), UTC)
    except ValueError:
        return None


def support_of(key: SeriesKey, name: str, ends: Ends | str, wanted: Support) -> Deadline | Unseen:
    """The end of support as a deadline. ends: or why they are not known."""
    if isinstance(ends, str):
        return Unseen(f"{key.subject}: support", f"{name}: {ends}")
    facts: Facts = (("release", name), *((f"{each} support", f"until {end:%Y-%m-%d}") for each, end in ends.items()))
    due_at = ends.get(wanted) or max(ends.values())
    return Deadline(key, due_at, facts=facts)
