"""Which guest has a backup, how old it is, and what it shares with the guest. Pure: from what was seen of the host.

Not here: how the copies are found (inventory/backups.py), and when a copy counts (preflight/decide.py).
"""

import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from enum import StrEnum

from watchkeeper.messages.wording import clean, duration, joined
from watchkeeper.planning.host_state import Disk, GuestNow, Snapshot, StoreKind, StoreNow, Volume
from watchkeeper.planning.preflight import decide
from watchkeeper.planning.preflight.decide import Copy

REPLICA_LIMIT = timedelta(days=7)
"""How old a replica may be that no probe sets a limit for: one of a weekly job is still good."""
SENT_APART = timedelta(seconds=1)
"""A received snapshot has the name and the time of the one that was sent; times are listed in seconds."""


NOT_COMPARED = "cannot tell whether the guest's disks lie there too: where they are is not known"


class Coverage(StrEnum):
    """Whether a guest could be restored from elsewhere."""

    GOOD = "backup"
    PART = "backup of some disks"
    BAD = "backup not usable"
    SHARED = "backup on its own store only"
    NONE = "no backup"
    UNKNOWN = "cannot tell"


@dataclass(frozen=True, slots=True)
class GuestCopy:
    """A copy of a guest. on: the stores and devices that hold it; empty if not known.

    lacking: names of the guest's disks that it certainly does not have. note: what else is to be known, in words.
    elsewhere: False if its place could not be compared with that of the guest's disks. checked: what reading its newest
    files has found, one line each. restored_at: when a restore of it last succeeded; None if that was never reported.
    """

    copy: Copy
    on: tuple[str, ...] = ()
    lacking: tuple[str, ...] = ()
    note: str = ""
    elsewhere: bool = True
    checked: tuple[str, ...] = ()
    restored_at: datetime | None = None

    @property
    def seen(self) -> bool:
        """Whether it could be looked at: a probe that could not run knows no time, past or due."""
        return not (self.copy.trouble and self.copy.last_at is None and self.copy.due_at is None)


@dataclass(frozen=True, slots=True)
class GuestBackup:
    """A guest, a store or a container's volume with its copies, and what follows.

    disks: of a guest; what is on a store. reasons: one line for each copy, or why there is none.
    """

    name: str
    disks: tuple[str, ...]
    coverage: Coverage
    reasons: tuple[str, ...]
    copies: tuple[GuestCopy, ...] = ()
    newest_at: datetime | None = None


@dataclass(frozen=True, slots=True)
class BackupsAnswer:
    """All guests, stores and volumes of containers.

    looked: where copies were looked for. unseen: what could not be looked at, with the remedy.
    """

    at: datetime
    guests: tuple[GuestBackup, ...]
    looked: tuple[str, ...]
    unseen: tuple[str, ...] = ()
    volumes: tuple[GuestBackup, ...] = ()
    stores: tuple[GuestBackup, ...] = ()

    @property
    def good(self) -> bool:
        """Whether every guest has a good backup; not if no guest could be seen while something was unseen."""
        return all(each.coverage is Coverage.GOOD for each in self.guests) and bool(self.guests or not self.unseen)


def judge(
    guest: GuestNow, copies: Sequence[GuestCopy], now: datetime, looked: Sequence[str], unseen: Sequence[str]
) -> GuestBackup:
    """What the copies of one guest are worth. unseen: places that could hold another copy and were not seen."""
    disks = tuple(disk_name(each) for each in guest.disks)
    if not copies:
        return _without_copies(guest.name, disks, looked, unseen)
    placed = bool(disks) and all(each.store is not None for each in guest.disks)
    copies = [each if placed or not each.on else replace(each, elsewhere=False) for each in copies]
    points = [decide.backup_point(each.copy, now) for each in copies]
    reasons = tuple(_reason(each, point.reason) for each, point in zip(copies, points, strict=True))
    good = [each for each, point in zip(copies, points, strict=True) if point.verdict is decide.Verdict.GO]
    coverage = _coverage(copies, good)
    counted = good if coverage in (Coverage.GOOD, Coverage.PART) else []
    newest_at = max((each.copy.last_at for each in counted if each.copy.last_at), default=None)
    return GuestBackup(guest.name, disks, coverage, reasons, tuple(copies), newest_at)


LEAST_BYTES = 2**20
"""A dataset that itself holds less than this is a place for others, and holds no data."""


def judge_store(
    store: StoreNow,
    copies: Sequence[GuestCopy],
    guests: Sequence[tuple[GuestNow, GuestBackup]],
    stores: Sequence[StoreNow],
    at: tuple[datetime, Sequence[str], Sequence[str]],
) -> GuestBackup:
    """What the copies of a store are worth: its own, or else those of the guests and datasets on it.

    copies: of the probes that name it. guests: with their backups. at: now, and looked and unseen as in `judge`.
    """
    now, looked, unseen = at
    volumes = [each for each in store.volumes if each.own_bytes is None or each.own_bytes >= LEAST_BYTES]
    name, names = store.key.subject, tuple(each.name for each in volumes)
    if copies:
        whole = GuestNow(name, disks=(Disk(name, store=store.key),))
        return replace(judge(whole, copies, now, looked, unseen), disks=names)
    covered = dict(_covered(store, volumes, guests, stores))
    if not covered:
        return _without_copies(name, names, looked, unseen)
    newest_at = min((made_at for _, made_at in covered.values() if made_at), default=None)
    reasons = [f"{clean(volume)}: {why}" for volume, (why, _) in covered.items()]
    coverage, more = _rest_of(store, [each for each in names if each not in covered])
    return GuestBackup(name, names, coverage, (*reasons, *more), newest_at=newest_at)


def _rest_of(store: StoreNow, lacking: Sequence[str]) -> tuple[Coverage, list[str]]:
    """How a store is covered without these volumes, and what that leaves open."""
    reasons = [f"without a good backup: {', '.join(map(clean, lacking))}"] if lacking else []
    coverage = Coverage.PART if lacking else Coverage.GOOD
    if store.kind not in HOLDS_FILES:
        return coverage, reasons
    open_ = "what else is on it is not known; name it in backup_of of the probe that monitors its backup"
    return Coverage.PART if lacking else Coverage.UNKNOWN, [*reasons, open_]


HOLDS_FILES = frozenset({StoreKind.FILES, StoreKind.BTRFS})
"""Stores that hold more than the disks of guests: of the rest nothing is listed."""


def _covered(
    store: StoreNow,
    volumes: Sequence[Volume],
    guests: Sequence[tuple[GuestNow, GuestBackup]],
    stores: Sequence[StoreNow],
) -> Iterator[tuple[str, tuple[str, datetime | None]]]:
    """The volumes that have a good backup: why, and how new it is."""
    owners = {
        disk.volume: (guest, backup)
        for guest, backup in guests
        for disk in guest.disks
        if disk.store == store.key and backup.coverage is Coverage.GOOD
    }
    for each in volumes:
        found = replicas(GuestNow(each.name, disks=(Disk(each.name, store=store.key, volume=each.name),)), stores)
        if each.name in owners:
            guest, backup = owners[each.name]
            yield each.name, (f"in the backup of guest {clean(guest.name)}", backup.newest_at)
        elif found:
            yield each.name, (clean(found[0].copy.name), found[0].copy.last_at)


def _without_copies(name: str, disks: tuple[str, ...], looked: Sequence[str], unseen: Sequence[str]) -> GuestBackup:
    if unseen:
        why = f"no copy is known, but not all places were seen: {'; '.join(clean(each, 200) for each in unseen)}"
        return GuestBackup(name, disks, Coverage.UNKNOWN, (why,))
    return GuestBackup(name, disks, Coverage.NONE, (f"none found in: {'; '.join(looked)}",))


def _coverage(copies: Sequence[GuestCopy], good: Sequence[GuestCopy]) -> Coverage:
    sure = [each for each in good if each.elsewhere]
    if sure:
        lacking = set.intersection(*(set(each.lacking) for each in sure))
        return Coverage.PART if lacking else Coverage.GOOD
    if good or not all(each.seen for each in copies):
        return Coverage.UNKNOWN
    return Coverage.SHARED if all(each.copy.shares for each in copies) else Coverage.BAD


def _reason(each: GuestCopy, why: str) -> str:
    lacking = f"it does not have {', '.join(clean(one) for one in each.lacking)}" if each.lacking else ""
    where = f"on {', '.join(clean(one) for one in each.on)}" if each.on else "where it lies is not known"
    known = [clean(one, 200) for one in each.checked]
    proven = f"last proven restore {each.restored_at:%Y-%m-%d}" if each.restored_at else ""
    compared = "" if each.elsewhere else NOT_COMPARED
    parts = (f"{clean(each.copy.name)}: {why}", where, compared, lacking, each.note, *known, proven)
    return "; ".join(part for part in parts if part)


def disk_name(disk: Disk) -> str:
    """A disk's own name: of its volume or image, without folders and without the suffix of an image."""
    name = (disk.volume or disk.path).rpartition("/")[2]
    return re.sub(r"\.(?:qcow2|raw|img)$", "", name) or disk.path


def not_named(disks: Sequence[str], files: Iterable[str]) -> tuple[str, ...]:
    """The disks that no file is named after. Empty if no file is named after any: then names say nothing.

    A file belongs to the longest name in it: `hide-hub-data-monday.img` is of `hide-hub-data`, not of `hide-hub`.
    """
    found: set[str] = set()
    for file in files:
        inside = [each for each in disks if re.search(rf"(?<![^\W_]){re.escape(each)}(?![^\W_])", file)]
        found.update(sorted(inside, key=len)[-1:])
    return tuple(each for each in disks if each not in found) if found else ()


def replicas(guest: GuestNow, stores: Sequence[StoreNow]) -> list[GuestCopy]:
    """Datasets on other pools that received a disk's snapshots: the same last name, and a snapshot of both.

    One copy for each pool; it is as old as the oldest of its disks.
    """
    found: list[GuestCopy] = []
    for store in stores:
        own = [each for each in guest.disks if each.volume and each.store is not None and each.store != store.key]
        taken = {disk: _received(disk, store, stores) for disk in own}
        newest = {disk: max(each.made_at for each in common) for disk, common in taken.items() if common}
        if newest:
            lacking = tuple(disk_name(each) for each in own if each not in newest)
            last_at = min(newest.values())
            copy = Copy(f"replica on {store.key.subject}", last_at, last_at + REPLICA_LIMIT)
            found.append(GuestCopy(copy, (store.key.subject,), lacking, _lag(newest, stores)))
    return found


def _received(disk: Disk, store: StoreNow, stores: Sequence[StoreNow]) -> list[Snapshot]:
    """The snapshots of a disk that this store has as well."""
    sent = {each.name: each.made_at for each in _snapshots(disk, stores)}
    last = str(disk.volume).rpartition("/")[2]
    return [
        each
        for each in store.snapshots
        if each.volume.rpartition("/")[2] == last
        and each.name in sent
        and abs(each.made_at - sent[each.name]) <= SENT_APART
    ]


def _snapshots(disk: Disk, stores: Sequence[StoreNow]) -> list[Snapshot]:
    return [
        each for store in stores if store.key == disk.store for each in store.snapshots if each.volume == disk.volume
    ]


def _lag(newest: dict[Disk, datetime], stores: Sequence[StoreNow]) -> str:
    """How far the receiving side is behind the newest snapshot of the sending one; empty if it has that."""
    behind = [max(each.made_at for each in _snapshots(disk, stores)) - at for disk, at in newest.items()]
    lag_s = max(each.total_seconds() for each in behind)
    return f"{duration(lag_s)} behind the newest snapshot" if lag_s > 0 else ""


def summary(answer: BackupsAnswer) -> str:
    """The answer in one sentence."""
    if not answer.guests:
        return "No guest could be seen." if answer.unseen else "There is no guest on this host."
    bad = [each for each in answer.guests if each.coverage is not Coverage.GOOD]
    count = len(answer.guests)
    if not bad:
        return "The guest has a good backup." if count == 1 else f"All {count} guests have a good backup."
    names = ", ".join(f"{clean(each.name)} ({each.coverage})" for each in bad)
    return f"Good backups: {count - len(bad)} of {count} guests. Not: {names}."


NAMED = 8
"""Guests that a reason names; more are counted."""


def guests_with(guests: Sequence[GuestBackup], coverage: Coverage, one: str, several: str) -> str:
    """`guest tide-log ONE`, or `guests tide-log, nest-cams and 2 more SEVERAL`; empty if no guest has this coverage."""
    names = [clean(each.name, 60) for each in guests if each.coverage is coverage]
    if len(names) > NAMED:
        names[NAMED:] = [f"{len(names) - NAMED} more"]
    return f"guest{'s' if len(names) > 1 else ''} {joined(names)} {several if len(names) > 1 else one}" if names else ""
