"""Is it safe to change this now? Gathers the data on which planning/preflight/decide.py decides.

Snapshots, guests and services are read now; levels, alerts and the write rate come from the database.
"""

import asyncio
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from fnmatch import fnmatchcase
from itertools import pairwise
from pathlib import PurePath

from watchkeeper.inventory.copies import backs_up, copy_of, fresh, mounted_now
from watchkeeper.inventory.level_history import past_of
from watchkeeper.inventory.preflight.restart import RestartLook
from watchkeeper.inventory.scan import helper_of
from watchkeeper.inventory.target import Target, find
from watchkeeper.model.forecast import Forecast
from watchkeeper.model.observation import Answer, Deadline, Level, SeriesKey
from watchkeeper.model.ports import ReadStore
from watchkeeper.model.records import Sample, Series
from watchkeeper.planning.host_state import Disk, HostNow, Snapshot, StoreKind, StoreNow
from watchkeeper.planning.preflight import decide
from watchkeeper.planning.preflight.decide import (
    Answered,
    DiskSnapshots,
    Point,
    PreflightAnswer,
    Rewrites,
)
from watchkeeper.planning.preflight.matter import Matter
from watchkeeper.planning.reclaim.gain import with_freed
from watchkeeper.probes.base import ProbeContext
from watchkeeper.probes.storage.btrfs.snapshots import BtrfsSnapshotsSettings
from watchkeeper.probes.storage.lvm.snapshots import LvmSnapshotsSettings
from watchkeeper.probes.storage.snapshot_files import SnapshotsSettings
from watchkeeper.probes.storage.zfs.snapshots import ZfsSnapshotsSettings
from watchkeeper.settings import Settings
from watchkeeper.web.dashboard.dashboard import not_observed

KEEP_S = 7 * 86_400.0
"""How long the snapshot of a change is kept if nothing else is given: a week shows most of what an upgrade broke."""
WITHIN_S = 86_400.0
"""How old a snapshot may be if no snapshot probe sets a limit for that volume."""
PACE = timedelta(days=14)
"""How far back the write rate is measured: it includes two weekends."""
PACE_LEAST_S = 3_600.0
"""A rate that was recorded for less than an hour is not used."""
STILL_INTERVALS = 3
"""No sample for this many intervals of the busiest probe: monitoring is stopped, as in NotReportingRule."""

_SETS = (ZfsSnapshotsSettings, LvmSnapshotsSettings, BtrfsSnapshotsSettings)


@dataclass(frozen=True, slots=True)
class Question:
    """What is to be changed, how long its snapshot is kept, how old one may be, and which matters are skipped."""

    subject: str
    keep_s: float = KEEP_S
    within_s: float | None = None
    skipped: frozenset[Matter] = frozenset()


async def ready(
    settings: Settings, store: ReadStore, host: HostNow, question: Question, bench: ProbeContext
) -> PreflightAnswer:
    """Go or no-go for a change. Raises BadQuestion if nothing has this name, StoreError."""
    series, now = await store.series(), bench.clock.now()
    target = find(question.subject, settings, host, series)
    asking = Asking(settings, store, host, question, bench, target, series, now)
    parts = await asyncio.gather(
        asking.snapshots(), asking.backups(), asking.stores(), asking.beneath(), asking.answers()
    )
    points = [decide.guest_point(each) for each in target.guests]
    points += [point for part in parts for point in part]
    points.append(asking.watch())
    if target.whole_host and Matter.RESTART not in question.skipped:
        points += await RestartLook(bench, helper_of(settings)).points(host.guests)
    kept = tuple(each for each in points if each.matter not in question.skipped)
    return PreflightAnswer(target.subject, now, kept, (*host.unseen, *await asking.unseen()))


@dataclass(frozen=True, slots=True)
class Asking:
    """One question in progress."""

    settings: Settings
    store: ReadStore
    host: HostNow
    question: Question
    bench: ProbeContext
    target: Target
    series: Sequence[Series]
    now: datetime

    async def snapshots(self) -> list[Point]:
        """The newest snapshot of every disk; none for a subject without guests."""
        copies = await self.copies_of_files()
        disks = dict.fromkeys(disk for guest in self.target.guests for disk in guest.disks)
        points = [decide.snapshot_point(self.newest(disk, copies), self.now) for disk in disks]
        without = [guest.name for guest in self.target.guests if not guest.disks]
        points += [
            Point(Matter.SNAPSHOT, decide.Verdict.UNKNOWN, f"guest {name}", "its disks are not known")
            for name in without
        ]
        return points

    def newest(self, disk: Disk, copies: Sequence[Snapshot]) -> DiskSnapshots:
        """A disk with the newest snapshot of what holds it. copies: snapshots that are files."""
        holding = next((each for each in self.host.stores if each.key == disk.store), None)
        if holding is None or disk.volume is None:
            return DiskSnapshots(disk.path, "", WITHIN_S)
        taken = copies if holding.kind is StoreKind.FILES else holding.snapshots
        names = self._sets_of(disk) if holding.kind is StoreKind.FILES else {disk.volume}
        own = [each for each in taken if each.volume in names]
        newest = max(own, key=lambda each: each.made_at, default=None)
        limit_s = self.question.within_s or self._limit_s(disk.volume)
        seen = not any(why.startswith("snapshots of btrfs") for why in self.host.unseen)
        listed = holding.kind is not StoreKind.BTRFS or seen
        where = disk.volume
        if newest is None:
            return DiskSnapshots(disk.path, where, limit_s, listed=listed)
        return DiskSnapshots(disk.path, where, limit_s, newest.name, newest.made_at, listed)

    def _limit_s(self, volume: str) -> float:
        """The operator's own limit for the volume; of several sets the one that is taken most often."""
        sets = [each for each in self.settings.probes if isinstance(each, _SETS)]
        fitting = [
            each.max_age
            for each in sets
            if any(volume == glob or fnmatchcase(volume, glob) for glob in each.origins)
            and not any(fnmatchcase(volume, glob) for glob in each.exclude)
        ]
        return min(fitting, default=WITHIN_S)

    def _sets_of(self, disk: Disk) -> set[str]:
        """Names of sets of snapshot files that are of this disk: its image's, or its guest's if that has one disk."""
        owners = [each for each in self.target.guests if disk in each.disks]
        files = {each.key for each in self.host.stores if each.kind is StoreKind.FILES}
        alone = {each.name for each in owners if sum(one.store in files for one in each.disks) == 1}
        return alone | {PurePath(disk.path).name, PurePath(disk.path).stem}

    async def copies_of_files(self) -> list[Snapshot]:
        """Snapshots that are files, of the disks concerned, without backups; volume: the name of their probe."""
        names = {name for guest in self.target.guests for disk in guest.disks for name in self._sets_of(disk)}
        probes = [
            each
            for each in self.settings.probes
            if isinstance(each, SnapshotsSettings) and each.name in names and not each.backup_of
        ]
        seen = [(each.name, one) for each in probes for one in (await fresh(each, self.bench))[0]]
        return [
            Snapshot(name, dict(one.facts).get("newest", one.key.subject), one.last_at)
            for name, one in seen
            if isinstance(one, Deadline) and one.last_at is not None
        ]

    async def backups(self) -> list[Point]:
        """Copies elsewhere: each guest needs one."""
        mounted = await mounted_now(self.bench)
        guests, points = self.target.guests, list[Point]()
        named = [each for each in self.settings.probes if any(backs_up(each, guest.name) for guest in guests)]
        runs = [(each, await fresh(each, self.bench)) for each in named]
        for guest in guests:
            own = [(each, run) for each, run in runs if backs_up(each, guest.name)]
            copies = [await copy_of(each, run, guest, self.host, mounted, self.bench) for each, run in own]
            points += decide.backup_points(copies, f"guest {guest.name}", self.now)
        return list(dict.fromkeys(points))

    async def stores(self) -> list[Point]:
        """Space for what the snapshot will hold, and time until each store is full."""
        points: list[Point] = []
        for each in self.target.stores:
            rewrites = await self._rewrites(each)
            held = rewrites.held_bytes(self.question.keep_s) or 0.0
            if self.target.guests:
                points.append(decide.room_point(rewrites, self.question.keep_s))
            points.append(decide.time_point(each.key, await self._full(each, held), self.question.keep_s, held))
        return points

    async def _rewrites(self, store: StoreNow) -> Rewrites:
        disks = {disk: guest for guest in self.target.guests for disk in guest.disks if disk.store == store.key}
        paces = [await self._pace(name) for name in dict.fromkeys(guest.name for guest in disks.values())]
        volumes = {disk.volume for disk in disks}
        return Rewrites(
            store.key,
            max(store.capacity_bytes - store.used_bytes, 0),
            _sum(paces),
            _sum([disk.size_bytes for disk in disks]),
            sum(v.own_bytes or 0 for v in store.volumes if v.name in volumes and v.set_aside_bytes),
        )

    async def _pace(self, guest: str) -> float | None:
        """Bytes a day that a guest has written recently; None if that is not recorded."""
        samples = await self.store.samples(SeriesKey(f"guest {guest}", "written"), self.now - PACE, self.now)
        return pace(samples)

    async def _full(self, store: StoreNow, held_bytes: float) -> Forecast | None:
        past = await past_of(self.store, store.key, self.now)
        return None if past is None else await asyncio.to_thread(with_freed, past, -held_bytes, self.now.timestamp())

    async def beneath(self) -> list[Point]:
        """What is active on it, or on what it depends on."""
        grounds = self.target.grounds
        standing = [each for each in await self.store.alerts() if each.standing and each.key.subject in set(grounds)]
        silent = await self._silent() if self.watch().verdict is decide.Verdict.GO else {}
        points = list(decide.silent_points(silent, self.now))
        if standing or not silent:
            points += decide.beneath_points(standing, grounds, self.now)
        return points

    async def _silent(self) -> dict[str, datetime]:
        """Dependencies that are still monitored but have had no sample for too long: when the last one came.

        Parts of a level do not count: they are recorded rarely, and any fault of theirs shows in the whole.
        """
        labels = {each.label for each in self.settings.probes}
        latest = [each.observation for each in await self.store.latest()]
        parts = {one.key for one in latest if isinstance(one, Level) and one.part_of is not None}
        newest: dict[str, Series] = {}
        for each in self.series:
            if each.probe in labels and each.key.subject in self.target.grounds and each.key not in parts:
                newest[each.key.subject] = max(newest.get(each.key.subject, each), each, key=lambda one: one.last_at)
        return {
            subject: each.last_at
            for subject, each in newest.items()
            if (self.now - each.last_at).total_seconds() > STILL_INTERVALS * max(each.interval_s, 1.0)
        }

    async def answers(self) -> list[Point]:
        """What its services answer, queried now."""
        return list(decide.answer_points(await self._asked(), self.target.subject))

    async def _asked(self) -> list[Answered]:
        by_label = {each.label: each for each in self.settings.probes}
        labels = list(dict.fromkeys(label for _, label in self.target.services))
        looks = await asyncio.gather(*(fresh(by_label[each], self.bench) for each in labels if each in by_label))
        seen = {one.key: one for found, _ in looks for one in found if isinstance(one, Answer)}
        troubles = dict(zip([each for each in labels if each in by_label], (why for _, why in looks), strict=True))
        asked = []
        for key, label in self.target.services:
            if label not in by_label:
                continue  # No longer monitored.
            one = seen.get(key)
            if one is None:
                asked.append(Answered(key, None, troubles[label] or "its probe no longer reports it"))
            else:
                asked.append(Answered(key, one.answered, one.reason, one.took_s))
        return asked

    async def unseen(self) -> list[str]:
        """What the probes could not look at, or do not cover, of the subject and of what it depends on."""
        about = {self.target.subject, *self.target.grounds, *(f"guest {each.name}" for each in self.target.guests)}
        latest = [each.observation for each in await self.store.latest()]
        found = [each for each in not_observed(latest) if any(_concerns(each.what, subject) for subject in about)]
        return list(dict.fromkeys(f"{each.what}: {each.why}" for each in found))

    def watch(self) -> Point:
        """Whether samples arrive."""
        newest_at = max((each.last_at for each in self.series), default=None)
        shortest_s = min((each.interval_s for each in self.series), default=60.0)
        return decide.watch_point(newest_at, STILL_INTERVALS * max(shortest_s, 1.0), self.now)


def _concerns(what: str, subject: str) -> bool:
    """Whether what was not observed is the subject itself, or a part of it (`mounted datasets of pool skerry`)."""
    return what == subject or what.startswith(f"{subject}:") or what.endswith(f" of {subject}")


def pace(samples: Sequence[Sample]) -> float | None:
    """Bytes a day from a counter that restarts at zero with each start of its guest; None if too little is known."""
    counted = [(each.at_s, each.value) for each in samples if each.value is not None]
    if not counted or counted[-1][0] - counted[0][0] < PACE_LEAST_S:
        return None
    written = 0.0
    for (_, before), (_, after) in pairwise(counted):
        written += after - before if after >= before else after
    return written / (counted[-1][0] - counted[0][0]) * 86_400


def _sum(values: Sequence[float | None]) -> float | None:
    """The sum of all; None if one is not known."""
    known = [each for each in values if each is not None]
    return sum(known) if len(known) == len(values) else None
