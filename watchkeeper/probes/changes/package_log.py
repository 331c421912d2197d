"""Reads what dpkg logs: packages installed, upgraded and removed, from a kept place on, across rotation.

The format: dpkg(1), "--log": `YYYY-MM-DD HH:MM:SS ACTION PACKAGE INSTALLED-VERSION AVAILABLE-VERSION`, in local time.
logrotate renames the file and begins a new one (/etc/logrotate.d/dpkg in Debian), so what was not read of the old one
is found under the name that it gets. Pure but for reading these two files.
"""

import hashlib
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import BinaryIO

from pydantic import BaseModel, ConfigDict

from watchkeeper.model.change import Change, ChangeKind
from watchkeeper.probes.support.sanitize import clip

LOG = "var/log/dpkg.log"
"""--log of dpkg(1), as Debian sets it in /etc/dpkg/dpkg.cfg."""

AT_ONCE = 2**20
"""Bytes read in one run; the rest follows in the next one. An upgrade of a whole distribution logs about 2 MB."""

FIRST_BYTES = 256 * 1024
FIRST_SPAN = timedelta(days=7)
"""How much of the log a first run takes."""

END_BYTES = 256
"""How much before the place is compared. A line has about 70 bytes and begins with its time to a second."""

_NONE = "<none>"


class LogPlace(BaseModel):
    """How far the log was read: which file, and how many bytes of it. inode is 0 before the first run.

    end: digest of the bytes before the offset, because a file system gives a removed file's inode to the next one. It
    is empty in a place that an older version kept, and at the beginning of a file.
    """

    model_config = ConfigDict(frozen=True)

    inode: int = 0
    offset: int = 0
    end: str = ""


@dataclass(frozen=True, slots=True)
class LogRead:
    """What one run read. lost: part of the log is gone unread."""

    changes: tuple[Change, ...]
    place: LogPlace
    lost: bool = False


def read(root: Path, place: LogPlace, now: datetime) -> LogRead:
    """What was logged since then. Raises OSError if the log is there and cannot be read. Blocks."""
    log = root / LOG
    try:
        found = log.stat()
    except FileNotFoundError:
        return LogRead((), place)  # another package manager, or just rotated
    if not place.inode:
        start = max(0, found.st_size - FIRST_BYTES)
        text, place = _part(log, LogPlace(inode=found.st_ino, offset=start))
        lines = text.split("\n")[1 if start else 0 :]
        return LogRead(tuple(each for each in _changes(lines) if now - each.at <= FIRST_SPAN), place)
    if _is_in(log, place):
        text, place = _part(log, place)
        return LogRead(tuple(_changes(text.split("\n"))), place)
    return _after_rotation(log, place, found.st_ino)


def _after_rotation(log: Path, place: LogPlace, inode: int) -> LogRead:
    """The rest of the file that was rotated away, and then the new one from its beginning."""
    old = log.with_name(f"{log.name}.1")
    try:
        size = old.stat().st_size
        kept = _is_in(old, place)
        text, after = _part(old, place) if kept else ("", place)
    except OSError:
        kept, text, after = False, "", place
    if kept and after.offset < size:
        return LogRead(tuple(_changes(text.split("\n"))), after)
    new, place = _part(log, LogPlace(inode=inode))
    return LogRead(tuple(_changes((text + new).split("\n"))), place, lost=not kept)


def _is_in(file: Path, place: LogPlace) -> bool:
    """Whether this is the file that was read up to the place."""
    found = file.stat()
    if found.st_ino != place.inode or found.st_size < place.offset:
        return False
    with file.open("rb") as opened:
        return place.end in ("", _end(opened, place.offset))


def _end(opened: BinaryIO, offset: int) -> str:
    """The digest of the bytes before an offset; empty at the beginning."""
    first = max(0, offset - END_BYTES)
    opened.seek(first)
    before = opened.read(offset - first)
    return hashlib.sha256(before).hexdigest() if before else ""


def _part(file: Path, place: LogPlace) -> tuple[str, LogPlace]:
    """The whole lines after a place, and the place behind them."""
    with file.open("rb") as opened:
        opened.seek(place.offset)
        raw = opened.read(AT_ONCE)
        size = raw.rfind(b"\n") + 1
        if not size and len(raw) == AT_ONCE:
            size = len(raw)  # no line of dpkg is that long: skip it
        offset = place.offset + size
        place = LogPlace(inode=place.inode, offset=offset, end=_end(opened, offset))
    return raw[:size].decode("utf-8", "replace"), place


def _changes(lines: list[str]) -> Iterator[Change]:
    for line in lines:
        change = _change(line)
        if change is not None:
            yield change


def _change(line: str) -> Change | None:
    """One line's change; None for steps in between, and for what is not in this format."""
    fields = line.split(" ")
    if len(fields) != 6 or fields[2] not in ("install", "upgrade", "remove", "purge"):
        return None
    day, clock, action, package, before, after = (clip(each, 80) for each in fields)
    try:
        at = datetime.fromisoformat(f"{day} {clock}").astimezone()
    except (ValueError, OverflowError):
        return None
    return Change(at, ChangeKind.PACKAGE, package.partition(":")[0], *_words(action, before, after))


def _words(action: str, before: str, after: str) -> tuple[str, str]:
    if action == "upgrade":
        if before == after:
            return "installed again", before
        return "upgraded", f"from {before} to {after}"
    if action == "install":
        return "installed", "" if after == _NONE else after
    return ("removed" if action == "remove" else "purged"), "" if before == _NONE else before
