"""File systems: space and inodes available to an unprivileged writer, whether each answers, whether it takes writes.

Which mounts there are, and which can fill, is decided in mounts.py. Each is queried in its own call that can be
abandoned, so that one that hangs does not delay the others.
"""

import asyncio
import errno
import os
from collections.abc import Collection, Iterator, Mapping, Sequence
from datetime import datetime, timedelta
from functools import partial
from pathlib import Path
from typing import Annotated, Literal

from pydantic import AfterValidator, Field

from watchkeeper.config.types import Duration, ProbeSettings
from watchkeeper.errors import ProbeError, ProbeTimeout, StillHanging
from watchkeeper.model.observation import Condition, Facts, Level, Observed, SeriesKey, Unit, Unseen
from watchkeeper.model.units import format_duration
from watchkeeper.os_errors import exhausted, explained
from watchkeeper.probes.base import BaseProbe, ProbeContext
from watchkeeper.probes.filesystems import mounts
from watchkeeper.probes.filesystems.expected_mounts import ExpectedMount, ExpectedMounts, MountsSeen, SeenMount, holder
from watchkeeper.probes.filesystems.filesystem_look import DENIED, Look, RecordedErrors, look
from watchkeeper.probes.filesystems.mounts import Mount
from watchkeeper.probes.support.boot import boot_of, up_s
from watchkeeper.probes.support.sanitize import clip, printable
from watchkeeper.probes.support.state import ProbeState

GONE = frozenset({errno.ENOENT, errno.ENOTDIR, errno.ENODEV})
"""The errors for a mount point whose mount disappeared after the list of mounts was read."""


STARTING_S = 180.0
"""So long after the boot a mount may still be starting: twice the 90 s that systemd waits for a device by default."""

FORGOTTEN_AFTER = timedelta(days=7)
"""What nothing names and has not been mounted for a week was removed; as GONE_AFTER in alerting/missing_data.py."""


def _mount_point(value: str) -> str:
    if not value.startswith(("/", "*")):
        raise ValueError(
            f"{value!r} is not a mount point: it begins with / (or with *, for any), such as /srv or /mnt/*"
        )
    return value if value == "/" else value.rstrip("/")


MountPoint = Annotated[str, AfterValidator(_mount_point)]
"""A mount point, or a glob of mount points (`*` also matches a slash)."""


class FilesystemsSettings(ProbeSettings):
    """File systems: space, inodes, and whether they answer."""

    kind: Literal["filesystems"] = "filesystems"
    every: Duration = Field(60.0, description="time between runs")
    timeout: Duration = Field(10.0, description="time after which a file system is reported as not answering")
    only: tuple[MountPoint, ...] = Field(
        (), description="monitor these mount points instead of those that are found; globs; network file systems too"
    )
    also: tuple[MountPoint, ...] = Field(
        (),
        description="monitor these mount points in addition to those that are found; globs; network file systems too",
    )
    exclude: tuple[MountPoint, ...] = Field((), description="do not monitor these mount points; globs")


class FilesystemsProbe(BaseProbe):
    """Monitors every file system of this machine that can fill."""

    def __init__(self, settings: FilesystemsSettings, bench: ProbeContext, root: Path = Path("/")) -> None:
        """root: the folder that contains /etc and /proc/uptime, for tests."""
        self._settings, self._root = settings, root
        self._workers, self._clock = bench.workers, bench.clock
        self._state = ProbeState(bench.probe_states, settings.label, MountsSeen())
        self._expected = ExpectedMounts(root)
        self._list = b""
        self._mounted: frozenset[str] = frozenset()
        self._chosen: list[Mount] = []

    async def observe(self) -> Sequence[Observed]:
        """Query all file systems at once and wait no longer than for one of them."""
        self._choose()
        asked = await asyncio.gather(*(self._ask(mount) for mount in self._chosen))
        return [*(seen for part in asked for seen in part), *await self._presence()]

    def _choose(self) -> None:
        with Path("/proc/self/mountinfo").open("rb") as file:
            text = file.read()
        if text == self._list:
            return  # Mounts change rarely: parsing them each time would cost more than everything else.
        found = mounts.parse(os.fsdecode(text))
        self._chosen = choose(found, self._settings, {mount.point for mount in self._chosen})
        self._mounted = frozenset(mount.point for mount in found if mount.type != "autofs")
        self._list = text

    async def _presence(self) -> list[Observed]:
        """Report what should be mounted and whether it is: what fstab and units name, and what was mounted before."""
        boot, now = boot_of(self._root / "proc"), self._clock.now()
        try:
            named = await self._workers.call("fstab and mount units", self._expected.named, self._settings.timeout)
        except ProbeError as error:
            return [Unseen("mounts that fstab and units name", str(error))]
        expected = {point: each for point, each in named.items() if self._watched(point)}
        before = (await self._state.read()).seen
        there = {mount.point: SeenMount(boot=boot, source=mount.source, type=mount.type) for mount in self._chosen}
        lasting = {point: each for point, each in there.items() if each.type != "tmpfs"}
        seen = {**_still_missed(before, there.keys(), expected.keys(), now), **lasting}
        await self._state.write(MountsSeen(seen=seen))
        points = sorted({*expected, *seen} - {"/"})  # The root is mounted as long as anything runs.
        literal = [p for p in (*self._settings.only, *self._settings.also) if is_literal(p)]
        never = [p for p in literal if p not in there and p not in points]
        return [
            *(_answers(point, self._why_never(point), ()) for point in never),
            *(self._mounted_there(point, expected.get(point), seen.get(point), boot) for point in points),
        ]

    def _why_never(self, point: str) -> str:
        if point in self._mounted:
            return "what is mounted there cannot fill; take it out of the configuration"
        return "nothing is mounted there; mount it, or correct the name in the configuration"

    def _watched(self, point: str) -> bool:
        """Whether a mount point that nothing is mounted on is to be monitored: not without its own name in `only`."""
        named = not self._settings.only or mounts.matches(point, self._settings.only)
        return named and not mounts.matches(point, self._settings.exclude)

    def _mounted_there(self, point: str, named: ExpectedMount | None, seen: SeenMount | None, boot: str) -> Condition:
        source, kind = (named.source, named.type) if named else (seen.source, seen.type) if seen else ("", "")
        facts: Facts = (("device", printable(source)), ("type", printable(kind)))
        if named is not None:
            facts += (("named by", printable(named.named_by)),)
        key = SeriesKey(f"file system {printable(point)}", "mounted")
        if point in self._mounted:
            return Condition(key, ok=True, facts=facts)
        left_s = STARTING_S - up_s(self._root / "proc")
        if left_s > 0:
            return Condition(key, ok=True, facts=(*facts, ("still starting", f"judged in {left_s:.0f} s")))
        instead = holder(point, self._mounted)
        facts += (("what is written there now fills", f"file system {printable(instead)}"),)
        return Condition(key, ok=False, reason=_why_absent(named, seen, boot), facts=facts)

    async def _ask(self, mount: Mount) -> list[Observed]:
        thing = f"file system {printable(mount.point)}"
        try:
            found = await self._workers.call(thing, partial(look, mount), self._settings.timeout)
        except ProbeTimeout:
            limit = format_duration(self._settings.timeout)
            return [_answers(mount.point, f"no answer within {limit}; it hangs", _facts(mount))]
        except StillHanging:
            return [_answers(mount.point, "it still hangs: the last call has not returned", _facts(mount))]
        except ProbeError as error:
            return [_answers(mount.point, str(error), _facts(mount))]
        except OSError as error:
            if exhausted(error):
                raise ProbeError(explained(error)) from error
            return [] if error.errno in GONE else [_answers(mount.point, _trouble(error), _facts(mount))]
        return list(_observations(mount, found)) if found else []


def unmatched(settings: FilesystemsSettings) -> list[tuple[str, str]]:
    """The patterns that no mount point of this host matches now, each with its key. Raises OSError."""
    points = [mount.point for mount in mounts.parse(os.fsdecode(Path("/proc/self/mountinfo").read_bytes()))]
    return [
        (key, pattern)
        for key in ("only", "also", "exclude")
        for pattern in getattr(settings, key)
        if not any(mounts.matches(point, (pattern,)) for point in points)
    ]


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


def _still_missed(
    before: Mapping[str, SeenMount], there: Collection[str], named: Collection[str], now: datetime
) -> dict[str, SeenMount]:
    """What was mounted before and is not now: for a week, and without end if fstab or a unit names it."""
    missed = {point: each for point, each in before.items() if point not in there}
    missed = {p: each.model_copy(update={"absent_since": each.absent_since or now}) for p, each in missed.items()}
    return {p: each for p, each in missed.items() if p in named or now - (each.absent_since or now) < FORGOTTEN_AFTER}


def _why_absent(named: ExpectedMount | None, seen: SeenMount | None, boot: str) -> str:
    if seen is not None and seen.boot != boot:
        return "it has not been mounted since the host restarted"
    if seen is not None:
        return "it is not mounted any more"
    return f"it is not mounted, although {printable(named.named_by)} names it" if named else "it is not mounted"


def is_literal(glob: str) -> bool:
    """Whether this names one mount point, rather than all that match."""
    return not any(c in glob for c in "*?[")


def _observations(mount: Mount, found: Look) -> Iterator[Observed]:
    subject, facts, figures = f"file system {printable(mount.point)}", _facts(mount), found.figures
    space = figures.used_bytes + figures.available_bytes
    if space > 0:
        yield Level(SeriesKey(subject, "space"), figures.used_bytes, space, Unit.BYTES, facts)
    # No inodes at all means that there is no limit (btrfs, FAT), not that they are used up.
    inodes = figures.used_inodes + figures.available_inodes
    if inodes > 0:
        # ZFS creates inodes from free space: they run out when that does, and reporting that once is enough.
        part_of = SeriesKey(subject, "space") if mount.type == "zfs" else None
        yield Level(SeriesKey(subject, "inodes"), figures.used_inodes, inodes, Unit.COUNT, facts, part_of)
    if found.listing in DENIED:
        why = "this user may not list its directory; whether its files can be read is not checked"
        yield Unseen(f"{subject}: its directory", why)
    yield _answers(mount.point, _unreadable(found.listing), facts, grave=True)
    if mount.on_device:
        why = _unwritable(mount)
        yield Condition(SeriesKey(subject, "writable"), not why, why, grave=bool(why), facts=facts)
    if found.recorded is not None:
        yield _recorded(subject, found.recorded, facts)


def _unreadable(listing: int) -> str:
    """Why the directory of a mount point cannot be read; empty if it can be, or this user may not try."""
    if listing == 0 or listing in DENIED:
        return ""
    if listing in (errno.EIO, errno.ESHUTDOWN):
        return "reading it fails with an I/O error: the kernel has shut it down, or the storage below it is faulty"
    if listing == errno.EUCLEAN:
        return "reading it fails: its structure is damaged"
    return f"reading its directory fails: {os.strerror(listing)}"


def _unwritable(mount: Mount) -> str:
    if mount.shut_down:
        return "the kernel has shut it down after an error: nothing can be written"
    return (
        "it was mounted writable and is read-only now; the kernel does this after an error"
        if mount.fell_read_only
        else ""
    )


def _recorded(subject: str, recorded: RecordedErrors, facts: Facts) -> Condition:
    """What ext4 has written into its own superblock stays there, across restarts, until e2fsck has checked it."""
    reason = ""
    if recorded.count:
        errors = "1 error" if recorded.count == 1 else f"{recorded.count} errors"
        reason = f"it has recorded {errors} since its last check with e2fsck"
        if recorded.last_at is not None:
            facts += (("last error", f"{recorded.last_at:%Y-%m-%d %H:%M} UTC"),)
        if recorded.where:
            facts += (("found by the kernel's function", clip(recorded.where)),)
    return Condition(SeriesKey(subject, "recorded errors"), not reason, reason, facts=facts)


def _answers(point: str, trouble: str, facts: Facts, *, grave: bool = False) -> Condition:
    key = SeriesKey(f"file system {printable(point)}", "answers")
    return Condition(key, not trouble, trouble, grave=grave and bool(trouble), facts=facts)


def _facts(mount: Mount) -> Facts:
    return (("device", printable(mount.source)), ("type", printable(mount.type)))


def _trouble(error: OSError) -> str:
    if error.errno in (errno.EACCES, errno.EPERM):
        return "this user may not read it; give it access to the folders above, or list it under exclude"
    return f"it cannot be read: {error.strerror}"
