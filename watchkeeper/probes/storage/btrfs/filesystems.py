"""btrfs: space left for data and for metadata, each including unallocated space; devices; the last scrub.

`df` is not a usable measure: with half a gigabyte free in it, no file could be created when metadata was full and
nothing was unallocated. The figures are read in sysfs.py and combined in space.py; only the scrub needs root.
"""

import asyncio
import os
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from typing import Literal

from pydantic import Field

from watchkeeper.config.types import Duration, Limit
from watchkeeper.errors import ProbeError, ProbeTimeout, StillHanging
from watchkeeper.model.observation import Condition, Deadline, Facts, Level, Observation, SeriesKey, Unit
from watchkeeper.model.units import DAY_S, format_duration, format_size
from watchkeeper.privileged.commands import Result
from watchkeeper.probes.base import BaseProbe, ProbeContext
from watchkeeper.probes.filesystems import mounts
from watchkeeper.probes.storage.btrfs import space as btrfs_space
from watchkeeper.probes.storage.btrfs import sysfs as btrfs_sysfs
from watchkeeper.probes.storage.btrfs.sysfs import SYSFS, Btrfs
from watchkeeper.probes.storage.btrfs.tables import ScrubStatus, read_scrub
from watchkeeper.probes.support.sanitize import printable
from watchkeeper.probes.support.state import ProbeState, StateModel
from watchkeeper.probes.support.tools import RootsideSettings, ask_root, sight, text_of

MOUNTS = Path("/proc/self/mountinfo")


SCRUBS_EVERY_S = 1800.0
"""The privileged helper is asked for scrubs this often: they are weeks apart, and each request starts a process."""

COUNTS = frozenset({"finished", "running"})
"""States in which a scrub counts; one that was aborted or interrupted has not read everything."""


class BtrfsSettings(RootsideSettings):
    """btrfs file systems: data, metadata, devices, the last scrub. Only the scrub needs the helper."""

    kind: Literal["btrfs"] = "btrfs"
    every: Duration = Field(60.0, description="time between runs")
    timeout: Duration = Field(20.0, description="time after which a file system is reported as not answering")
    exclude: tuple[str, ...] = Field((), description="mount points that are not monitored; globs such as /mnt/*")
    scrub_limit: Limit = Field(40 * DAY_S, description='maximum time from one scrub to the next, or "never"')


class Scrubs(StateModel):
    """What is kept across restarts, by the file system's UUID, in seconds since 1970: the last scrub that counts, and
    when it was first seen here.
    """

    last_s: dict[str, float] = Field(default_factory=dict)
    first_seen_s: dict[str, float] = Field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class _Found:
    """A mounted btrfs: its folder in sysfs, and the mount point that the operator knows it by."""

    folder: Path
    point: str

    @property
    def subject(self) -> str:
        return f"btrfs {printable(self.point)}"

    @property
    def uuid(self) -> str:
        return self.folder.name


class BtrfsProbe(BaseProbe):
    """Monitors every mounted btrfs."""

    def __init__(
        self, settings: BtrfsSettings, bench: ProbeContext, sysfs: Path = SYSFS, mountinfo: Path = MOUNTS
    ) -> None:
        self._settings = settings
        self._bench = bench
        self._sysfs, self._mountinfo = sysfs, mountinfo
        self._known: set[str] = set()
        self._state = ProbeState(bench.probe_states, settings.label, Scrubs())
        self._scrub_statuses: Mapping[str, ScrubStatus] | None = None
        self._scrubs_due_s = 0.0

    async def observe(self) -> Sequence[Observation]:
        """Read each file system separately, so that one that hangs does not delay the others."""
        found = self._find()
        if not found:
            raise ProbeError("no btrfs is mounted; mount it, or remove this probe from the configuration")
        scrubs, *looked = await asyncio.gather(self._scrubs(found), *(self._look(each) for each in found))
        return [*(seen for part in looked for seen in part), *scrubs]

    def _find(self) -> list[_Found]:
        mounted = mounts.parse(os.fsdecode(self._mountinfo.read_bytes()))
        chosen = mounts.one_for_each_device([each for each in mounted if each.type == "btrfs"], self._known)
        self._known = {each.point for each in chosen}
        watched = [each for each in chosen if not mounts.matches(each.point, self._settings.exclude)]
        return [
            _Found(folder, each.point)
            for each in watched
            if (folder := btrfs_sysfs.tables_of(self._sysfs, each.source))
        ]

    async def _look(self, found: _Found) -> list[Observation]:
        work = partial(btrfs_sysfs.read, found.folder, found.point)
        try:
            btrfs = await self._bench.workers.call(found.subject, work, self._settings.timeout)
        except ProbeTimeout:
            return [_answers(found, f"no answer within {format_duration(self._settings.timeout)}; it hangs")]
        except (StillHanging, ProbeError) as error:
            return [_answers(found, str(error))]
        except (OSError, ValueError) as error:
            return [_answers(found, f"its files under {found.folder} cannot be read: {error}")]
        return [_answers(found, ""), *_levels(found, btrfs), *_devices(found, btrfs)]

    async def _scrubs(self, found: Sequence[_Found]) -> list[Observation]:
        settings = self._settings
        if settings.scrub_limit is None:
            return []
        try:
            statuses = await self._statuses()
        except ProbeError as error:
            return [sight(settings.label, [error])]
        known = await self._remember(found, statuses)
        seen: list[Observation] = [sight(settings.label, [])]
        for each in found:
            if each.point in statuses:
                seen += _scrub(each, statuses[each.point], known, settings.scrub_limit)
        return seen

    async def _statuses(self) -> Mapping[str, ScrubStatus]:
        """The last scrub by mount point, as the helper reported it within the last half hour."""
        now_s, settings = self._bench.clock.monotonic_s(), self._settings
        if self._scrub_statuses is None or now_s >= self._scrubs_due_s:
            results = await ask_root(self._bench, "scrubs", settings.helper, settings.timeout)
            self._scrub_statuses = {result.target: _scrub_of(result, settings.timeout) for result in results}
            self._scrubs_due_s = now_s + SCRUBS_EVERY_S
        return self._scrub_statuses

    async def _remember(self, found: Sequence[_Found], statuses: Mapping[str, ScrubStatus]) -> Scrubs:
        """Store each file system's last scrub that counts: one that is running, or has finished."""
        known, now_s = await self._state.read(), self._bench.clock.now().timestamp()
        last_s, first_seen_s = dict(known.last_s), dict(known.first_seen_s)
        for each in found:
            first_seen_s.setdefault(each.uuid, now_s)
            status = statuses.get(each.point)
            if status and status.began_at is not None and status.state in COUNTS:
                last_s[each.uuid] = min(status.began_at.timestamp(), now_s)
        page = Scrubs(last_s=last_s, first_seen_s=first_seen_s)
        await self._state.write(page)
        return page


def _scrub(found: _Found, status: ScrubStatus, known: Scrubs, period_s: float) -> list[Observation]:
    """When the next scrub is due (if none is known, from when the file system was first seen), and what it lost."""
    last_s = known.last_s.get(found.uuid)
    from_s = known.first_seen_s[found.uuid] if last_s is None else last_s
    due_at = datetime.fromtimestamp(from_s + period_s, UTC)
    last_at = None if last_s is None else datetime.fromtimestamp(last_s, UTC)
    facts: Facts = (("last scrub", status.state or "never"),)
    lost = f"the last scrub could not repair {status.uncorrectable} errors" if status.uncorrectable else ""
    return [
        Deadline(SeriesKey(found.subject, "scrub"), due_at, last_at, period_s, facts),
        Condition(SeriesKey(found.subject, "scrub errors"), not lost, lost),
    ]


def _scrub_of(result: Result, timeout_s: float) -> ScrubStatus:
    return read_scrub(text_of(result.ran, "btrfs", timeout_s))


def _answers(found: _Found, trouble: str) -> Condition:
    return Condition(SeriesKey(found.subject, "answers"), not trouble, trouble)


def _levels(found: _Found, btrfs: Btrfs) -> list[Observation]:
    facts = _facts(btrfs)
    seen: list[Observation] = []
    for kind, space in btrfs.spaces.items():
        capacity = btrfs_space.data_capacity(space, btrfs.unallocated)
        if kind != "data":
            # If there is only one kind, it contains the metadata too, and the same amount is reserved in it.
            capacity = btrfs_space.metadata_capacity(space, btrfs.unallocated, btrfs.reserve_bytes, btrfs.node_bytes)
        quantity = "space" if kind == "mixed" else kind
        # A new file system may be smaller than what is reserved: it has no space then, but a capacity is at least 1.
        seen.append(Level(SeriesKey(found.subject, quantity), space.used_bytes, max(capacity, 1), Unit.BYTES, facts))
    return seen


def _facts(btrfs: Btrfs) -> Facts:
    inside = tuple(
        (f"in {kind} chunks", f"{format_size(space.used_bytes)} of {format_size(space.size_bytes)}")
        for kind, space in btrfs.spaces.items()
    )
    rough = "" if btrfs.exact else " (as if spread evenly: this user may not ask its devices)"
    return (*inside, ("unallocated", f"{format_size(sum(btrfs.unallocated))}{rough}"))


def _devices(found: _Found, btrfs: Btrfs) -> list[Observation]:
    missing = [str(each.number) for each in btrfs.devices if each.missing]
    gone = f"device {', '.join(missing)} of {len(btrfs.devices)} is missing" if missing else ""
    counting = [
        f"device {each.number} has {_counted(each.errors)}"
        for each in btrfs.devices
        if any(count for _, count in each.errors)
    ]
    facts: Facts = (("devices", str(len(btrfs.devices))),)
    bare = " and ".join(f"{format_size(size)} of {kind}" for kind, size in btrfs.bare)
    why = f"{bare} is in chunks without a copy on another device, as a degraded mount writes them" if bare else ""
    return [
        Condition(SeriesKey(found.subject, "redundancy"), not why, why),
        Condition(SeriesKey(found.subject, "health"), not gone, gone, facts=facts),
        Condition(SeriesKey(found.subject, "errors"), not counting, "; ".join(counting)),
    ]


def _counted(errors: Iterable[tuple[str, int]]) -> str:
    return ", ".join(f"{count} {name.removesuffix('_errs')} errors" for name, count in errors if count)
