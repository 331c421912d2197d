"""File systems: space and inodes available to an unprivileged writer, whether each answers, whether it takes writes.

Which mounts there are, and which can fill, is decided in mounts.py. Each is queried in its own call that can be
abandoned, so that one that hangs does not delay the others.
"""

import asyncio
import errno
import os
from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Annotated, Literal

from pydantic import AfterValidator, Field

from watchkeeper.config.types import Duration, ProbeSettings
from watchkeeper.errors import ProbeError, ProbeTimeout, StillHanging
from watchkeeper.model.observation import Condition, Facts, Level, Observation, SeriesKey, Unit
from watchkeeper.model.units import format_duration
from watchkeeper.os_errors import exhausted, explained
from watchkeeper.probes.base import BaseProbe, ProbeContext
from watchkeeper.probes.host import mounts
from watchkeeper.probes.host.mounts import Mount
from watchkeeper.probes.support.sanitize import printable

GONE = frozenset({errno.ENOENT, errno.ENOTDIR, errno.ENODEV})
"""The errors for a mount point whose mount disappeared after the list of mounts was read."""


def _mount_point(value: str) -> str:
    if not value.startswith(("/", "*")):
        raise ValueError(
            f"{value!r} is not a mount point: it begins with / (or with *, for any), such as /srv or /mnt/*"
        )
    return value if value == "/" else value.rstrip("/")


MountPoint = Annotated[str, AfterValidator(_mount_point)]
"""A mount point, or a glob of mount points (`*` also matches a slash)."""


class FilesystemsSettings(ProbeSettings):
    """File systems that can fill: space, inodes, whether they answer."""

    kind: Literal["filesystems"] = "filesystems"
    every: Duration = Field(60.0, description="time from one sample to the next")
    timeout: Duration = Field(10.0, description="time after which a file system counts as hanging")
    only: tuple[MountPoint, ...] = Field(
        (), description="watch these mount points instead of what is found; globs; may name network file systems too"
    )
    also: tuple[MountPoint, ...] = Field(
        (), description="watch these mount points besides what is found; globs; may name network file systems too"
    )
    exclude: tuple[MountPoint, ...] = Field((), description="do not watch these mount points; globs")


@dataclass(frozen=True, slots=True)
class Figures:
    """The result of statvfs(3), in bytes and in inodes; counted as `df` does: used / (used + available to any user)."""

    used_bytes: int
    available_bytes: int
    used_inodes: int
    available_inodes: int

    @classmethod
    def of(cls, found: os.statvfs_result) -> "Figures":
        """Exclude the reserve for root (free, but not available) from the capacity.

        A file system served by a program may report anything, so no figure may be below 0 or above the total.
        """
        used = max(found.f_blocks - found.f_bfree, 0)
        used_inodes = max(found.f_files - found.f_ffree, 0)
        return cls(
            used_bytes=used * found.f_frsize,
            available_bytes=min(found.f_bavail, found.f_blocks - used) * found.f_frsize,
            used_inodes=used_inodes,
            available_inodes=min(found.f_favail, found.f_files - used_inodes),
        )


def look(point: str, mount_id: int) -> Figures | None:
    """Query the file system at a mount point for its figures; None if another mount is there by now.

    Without the check of the mount's id, a file system that was just unmounted would get its parent's figures.
    """
    fd = os.open(point, os.O_PATH | os.O_CLOEXEC)
    try:
        with Path(f"/proc/self/fdinfo/{fd}").open("rb") as info:
            if b"mnt_id:\t%d\n" % mount_id not in info.read():
                return None
        return Figures.of(os.fstatvfs(fd))
    finally:
        os.close(fd)


class FilesystemsProbe(BaseProbe):
    """Monitors every file system of this machine that can fill."""

    def __init__(self, settings: FilesystemsSettings, bench: ProbeContext) -> None:
        self._settings = settings
        self._workers = bench.workers
        self._list = b""
        self._chosen: list[Mount] = []
        self._missed: dict[str, Mount] = {}

    async def observe(self) -> Sequence[Observation]:
        """Query all file systems at once and wait no longer than for one of them."""
        self._choose()
        asked = await asyncio.gather(*(self._ask(mount) for mount in self._chosen))
        return [*(seen for part in asked for seen in part), *self._absent()]

    def _choose(self) -> None:
        with Path("/proc/self/mountinfo").open("rb") as file:
            text = file.read()
        if text == self._list:
            return  # Mounts change rarely: parsing them each time would cost more than everything else.
        before = self._chosen
        self._chosen = choose(mounts.parse(os.fsdecode(text)), self._settings, {mount.point for mount in before})
        self._list = text
        self._remember(before)

    def _remember(self, before: Sequence[Mount]) -> None:
        """Remember what was monitored and is no longer mounted, except tmpfs, whose content is gone."""
        now = {mount.point for mount in self._chosen}
        self._missed |= {mount.point: mount for mount in before if mount.type != "tmpfs"}
        self._missed = {point: mount for point, mount in self._missed.items() if point not in now}

    def _absent(self) -> list[Observation]:
        """Report what should be mounted and is not: what the configuration names, and what was seen before."""
        there = {mount.point for mount in self._chosen}
        named = [*self._settings.only, *self._settings.also]
        never = [p for p in named if is_literal(p) and p not in there and p not in self._missed]
        return [
            *(_answers(point, "no file system is mounted there that can fill", ()) for point in never),
            *(_answers(point, "it is no longer mounted", _facts(mount)) for point, mount in self._missed.items()),
        ]

    async def _ask(self, mount: Mount) -> list[Observation]:
        thing = f"file system {printable(mount.point)}"
        try:
            figures = await self._workers.call(thing, partial(look, mount.point, mount.id), self._settings.timeout)
        except ProbeTimeout:
            limit = format_duration(self._settings.timeout)
            return [_answers(mount.point, f"it hangs: no answer within {limit}", _facts(mount))]
        except StillHanging:
            return [_answers(mount.point, "it still hangs: the last call to it has not come back", _facts(mount))]
        except ProbeError as error:
            return [_answers(mount.point, str(error), _facts(mount))]
        except OSError as error:
            if exhausted(error):
                raise ProbeError(explained(error)) from error
            return [] if error.errno in GONE else [_answers(mount.point, _trouble(error), _facts(mount))]
        return _healthy(mount, figures) if figures else []


def choose(found: Sequence[Mount], settings: FilesystemsSettings, kept: set[str]) -> list[Mount]:
    """The mounts to monitor, ordered by path: what can fill, and what is named."""
    nameable = [mount for mount in found if mounts.nameable(mount)]
    named = settings.only or settings.also
    asked = [mount for mount in nameable if mounts.matches(mount.point, named)]
    exact = {mount.point: mount for mount in asked if mount.point in named}
    devices = {mount.device for mount in exact.values()}
    default = [] if settings.only else _fillable(nameable, kept)
    rest = [m for m in mounts.one_for_each_device([*default, *asked], kept) if m.device not in devices]
    chosen = {mount.point: mount for mount in [*rest, *exact.values()]}
    return [chosen[point] for point in sorted(chosen) if not mounts.matches(point, settings.exclude)]


def _fillable(nameable: Sequence[Mount], kept: set[str]) -> list[Mount]:
    # One for each device first, then what can fill: a bind mount of a folder in /run is still the system's own tmpfs.
    return [mount for mount in mounts.one_for_each_device(nameable, kept) if mounts.can_fill(mount)]


def is_literal(glob: str) -> bool:
    """Whether this names one mount point, rather than all that match."""
    return not any(c in glob for c in "*?[")


def _healthy(mount: Mount, figures: Figures) -> list[Observation]:
    subject, facts = f"file system {printable(mount.point)}", _facts(mount)
    seen: list[Observation] = []
    space = figures.used_bytes + figures.available_bytes
    if space > 0:
        seen.append(Level(SeriesKey(subject, "space"), figures.used_bytes, space, Unit.BYTES, facts))
    # No inodes at all means that there is no limit (btrfs, FAT), not that they are used up.
    inodes = figures.used_inodes + figures.available_inodes
    if inodes > 0:
        # ZFS creates inodes from free space: they run out when that does, and reporting that once is enough.
        part_of = SeriesKey(subject, "space") if mount.type == "zfs" else None
        seen.append(Level(SeriesKey(subject, "inodes"), figures.used_inodes, inodes, Unit.COUNT, facts, part_of))
    seen.append(_answers(mount.point, "", facts))
    if mount.on_device:
        why = "the kernel has made it read-only, as it does after an error" if mount.fell_read_only else ""
        seen.append(Condition(SeriesKey(subject, "writable"), not why, why, grave=bool(why), facts=facts))
    return seen


def _answers(point: str, trouble: str, facts: Facts) -> Condition:
    return Condition(SeriesKey(f"file system {printable(point)}", "answers"), not trouble, trouble, facts=facts)


def _facts(mount: Mount) -> Facts:
    return (("device", printable(mount.source)), ("type", printable(mount.type)))


def _trouble(error: OSError) -> str:
    if error.errno in (errno.EACCES, errno.EPERM):
        return "this user may not look at it; let it pass through the folders above, or name it under exclude"
    return f"it cannot be looked at: {error.strerror}"
