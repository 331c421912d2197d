"""Directories that take most of a file system, from a walk at night, so that a message can name what grew.

The walk is done by the helper of root, some seconds at a time (privileged/tree_walk.py). Each directory shown is a
level that is part of the one above it, and the topmost are parts of the file system: recorded, never judged. Shown are
the largest, those that grew most since the walk before, and those that were shown before. Not here: how growth is
counted (alerting/top_growers.py).
"""

import json
import os
from collections.abc import Iterator, Mapping, Sequence
from datetime import UTC, datetime
from typing import Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from watchkeeper.config.types import Duration
from watchkeeper.errors import ProbeError
from watchkeeper.model.observation import DIRECTORY, Facts, Level, Observed, SeriesKey, Unseen, file_system_space
from watchkeeper.probes.base import BaseProbe, ProbeContext
from watchkeeper.probes.support.sanitize import clip, printable
from watchkeeper.probes.support.state import ProbeState, StateModel
from watchkeeper.probes.support.tools import RootsideSettings, ask_root, text_of

LARGEST, GREW = 25, 15
"""Directories that are shown of one file system: so many for their size, and so many for their growth."""

SHOWN_MOST = 80
"""Together with those that were shown before."""

COMPARED = 150
"""Directories whose size is kept until the next walk, to see which grew."""


class DirectoriesSettings(RootsideSettings):
    """Directories that take most of each local file system, from a walk once a day. Needs the helper of root."""

    kind: Literal["directories"] = "directories"
    every: Duration = Field(300.0, description="time from one step of the walk to the next; a step takes 20 s at most")
    timeout: Duration = Field(90.0, description="time after which a step is abandoned")
    hour: int = Field(3, ge=0, le=23, description="the hour of the day in which the walk begins")


class Deleted(BaseModel):
    """Files that are deleted and still open. whole: every process could be looked at."""

    model_config = ConfigDict(frozen=True)

    bytes: int = 0
    files: int = 0
    holders: tuple[tuple[str, int], ...] = ()
    whole: bool = True


class Walked(BaseModel):
    """What one walk found. sizes: bytes of each directory with all below it; "" is the mount point."""

    model_config = ConfigDict(frozen=True)

    ended_s: float = 0.0
    took_s: float = 0.0
    files: int = 0
    unread: int = 0
    links_exceeded: bool = False
    sizes: Mapping[str, int] = Field(default_factory=dict)
    deleted: Deleted = Deleted()
    error: str = ""


class Trees(BaseModel):
    """What the helper prints. waiting: mount points that are still to be walked."""

    model_config = ConfigDict(frozen=True)

    results: Mapping[str, Walked]
    waiting: tuple[str, ...]
    stored: bool


class LastWalk(BaseModel):
    """A walk that was reported. sizes: of the largest directories. shown: those that are levels."""

    model_config = ConfigDict(frozen=True)

    ended_s: float = 0.0
    sizes: Mapping[str, int] = Field(default_factory=dict)
    shown: tuple[str, ...] = ()

    def size(self, name: str) -> int:
        """The size of a directory; at most what the smallest of those kept had, if it is not among them."""
        return self.sizes.get(name, min(self.sizes.values()) if len(self.sizes) >= COMPARED else 0)


class DirectoriesSeen(StateModel):
    """The last walk of each file system, by its mount point. begun: the day on which the last walk was begun."""

    last: Mapping[str, LastWalk] = Field(default_factory=dict)
    begun: str = ""


class DirectoriesProbe(BaseProbe):
    """Advances the walk, and reports what a finished one found."""

    def __init__(self, settings: DirectoriesSettings, bench: ProbeContext) -> None:
        self._settings, self._bench = settings, bench
        self._state = ProbeState(bench.probe_states, settings.label, DirectoriesSeen())

    async def observe(self) -> Sequence[Observed]:
        """One step. Raises PrivilegeMissing without the helper, and ProbeError if its answer makes no sense."""
        settings, before = self._settings, await self._state.read()
        now = self._bench.clock.now().astimezone()
        today = f"{now:%Y-%m-%d}"
        begin = now.hour == settings.hour and before.begun != today
        name = "trees-new" if begin or not before.last else "trees"
        results = await ask_root(self._bench, name, settings.helper, settings.timeout)
        trees = understand([text_of(each.ran, "the walk", settings.timeout) for each in results])
        new = {
            point: walked
            for point, walked in trees.results.items()
            if walked.error or walked.ended_s != before.last.get(point, LastWalk()).ended_s
        }
        seen, last = list[Observed](), dict(before.last)
        for point, walked in new.items():
            if walked.error:
                seen.append(Unseen(f"directories of file system {printable(point)}", clip(walked.error)))
                continue
            old = before.last.get(point, LastWalk())
            shown = chosen(walked.sizes, old)
            seen += levels(point, walked, shown)
            kept = dict(sorted(walked.sizes.items(), key=lambda each: -each[1])[:COMPARED])
            last[point] = LastWalk(ended_s=walked.ended_s, sizes=kept, shown=tuple(shown))
        gone = last.keys() - trees.results.keys() - set(trees.waiting)
        kept_last = {point: each for point, each in last.items() if point not in gone}
        await self._state.write(DirectoriesSeen(last=kept_last, begun=today if begin else before.begun))
        if not trees.stored:
            why = "the helper cannot keep its place in /var/lib/watchkeeper-helper, so each step begins again"
            seen.append(Unseen("directories of large file systems", why))
        return seen


def understand(printed: Sequence[str]) -> Trees:
    """What the helper printed. Raises ProbeError if it makes no sense."""
    try:
        (text,) = printed
        return Trees.model_validate(json.loads(text))
    except (ValueError, ValidationError, RecursionError) as error:
        raise ProbeError("what the walk printed makes no sense; install the same version of both") from error


def chosen(sizes: Mapping[str, int], old: LastWalk) -> list[str]:
    """The directories to show, with each one above them: the largest, those that grew most, those shown before."""
    below = {name: size for name, size in sizes.items() if name}
    largest = sorted(below, key=lambda name: (-below[name], name))[:LARGEST]
    growth = {name: size - old.size(name) for name, size in below.items()} if old.sizes else {}
    grew = sorted((name for name in growth if growth[name] > 0), key=lambda name: (-growth[name], name))[:GREW]
    found = dict[str, None]()
    for name in (*largest, *grew, *old.shown):
        if name in below and len(found) < SHOWN_MOST:
            parts = name.split("/")
            found |= dict.fromkeys("/".join(parts[:depth]) for depth in range(1, len(parts) + 1))
    return sorted(found)


def levels(point: str, walked: Walked, shown: Sequence[str]) -> Iterator[Level | Unseen]:
    """The directories as levels, what lies in no directory that is shown, and what no directory holds."""
    whole = file_system_space(printable(point))
    subject = whole.subject
    try:
        figures = os.statvfs(point)
    except OSError:
        return  # unmounted since
    capacity, used = figures.f_blocks * figures.f_frsize, (figures.f_blocks - figures.f_bfree) * figures.f_frsize
    at = datetime.fromtimestamp(walked.ended_s, UTC)
    facts: Facts = (("walked", f"{at:%Y-%m-%d %H:%M} UTC, {walked.files} files in {walked.took_s:.0f} s"),)

    def level(name: str, size: int, above: SeriesKey, more: Facts = ()) -> Level:
        return Level(SeriesKey(name, "size"), max(size, 0), max(capacity, 1), facts=(*facts, *more), part_of=above)

    for name in shown:
        parent = name.rpartition("/")[0]
        above = SeriesKey(directory(point, parent), "size") if parent else whole
        yield level(directory(point, name), walked.sizes[name], above)
    top = sum(walked.sizes[name] for name in shown if "/" not in name)
    yield level(f"other files of {subject}", walked.sizes.get("", 0) - top, whole)
    held = walked.deleted
    holders = tuple((f"held by {clip(name, 40)}", f"{size} bytes") for name, size in held.holders if size)
    yield level(f"deleted files of {subject} that are still open", held.bytes, whole, holders)
    rest = used - walked.sizes.get("", 0) - held.bytes
    yield level(f"no file of {subject}: its own records, snapshots", rest, whole)
    if walked.unread:
        yield Unseen(f"directories of {subject}", f"{walked.unread} could not be read, or not to their end")
    if not held.whole:
        yield Unseen(f"deleted files of {subject}", "not every process could be looked at")
    if walked.links_exceeded:
        yield Unseen(f"directories of {subject}", "too many files have several links; some are counted more than once")


def directory(point: str, name: str) -> str:
    """The subject of a directory: its path."""
    return clip(f"{DIRECTORY}{printable(point.rstrip('/'))}/{printable(name)}", 300)
