"""Looks for the backups of every guest: in the configured probes, and in what pools received from another pool.

Not here: what the copies are worth (planning/backups.py).
"""

import os
from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime
from functools import partial

from watchkeeper.config.types import ProbeSettings
from watchkeeper.errors import ProbeError
from watchkeeper.inventory.copies import LOOK_S, Run, backs_up, backs_up_other, copy_of, fresh, mounted_now
from watchkeeper.inventory.storage import storage_stack
from watchkeeper.model.probe_state import restore_of
from watchkeeper.model.units import format_size
from watchkeeper.planning.backups import (
    BackupsAnswer,
    GuestBackup,
    GuestCopy,
    disk_name,
    judge,
    judge_store,
    not_named,
    replicas,
)
from watchkeeper.planning.copy_sizes import CopyFile, stub
from watchkeeper.planning.host_state import Disk, GuestNow, HostNow, StoreKind, StoreNow
from watchkeeper.planning.preflight.decide import Copy
from watchkeeper.probes.base import ProbeContext
from watchkeeper.probes.filesystems.mounts import Mount
from watchkeeper.probes.services.job import JobSettings
from watchkeeper.probes.storage.snapshot_files import SnapshotsSettings, list_files
from watchkeeper.probes.support.sanitize import printable
from watchkeeper.probes.support.state import ProbeState
from watchkeeper.probes.verification.checked import SetChecked
from watchkeeper.probes.verification.outcomes import Verdict
from watchkeeper.settings import Settings


async def backups(settings: Settings, host: HostNow, bench: ProbeContext) -> BackupsAnswer:
    """Every guest, store and volume of a container that was seen, with its copies.

    The host was read before; files and job reports are read now.
    """
    mounted = await mounted_now(bench)
    looked, unseen = _looked(settings, host), [each for each in host.unseen if each.startswith("ZFS:")]
    guests: list[GuestBackup] = []
    named = [each for each in settings.probes if any(_is_of(each, guest.name) for guest in host.guests)]
    runs = [(each, await fresh(each, bench)) for each in named]
    for guest in sorted(host.guests, key=lambda each: each.name):
        own = [(each, run) for each, run in runs if _is_of(each, guest.name)]
        copies = [await _proven(each, await _found(each, run, guest, host, mounted, bench), bench) for each, run in own]
        guests.append(judge(guest, [*copies, *replicas(guest, host.stores)], bench.clock.now(), looked, unseen))
    others = _Others(settings, host, mounted, bench)
    at = (bench.clock.now(), looked, unseen)
    volumes = [
        replace(judge(each, await others.copies(each), *at), disks=tuple(disk.path for disk in each.disks))
        for each in host.volumes
    ]
    of_guests = list(zip(sorted(host.guests, key=lambda each: each.name), guests, strict=True))
    stores = [judge_store(each, await others.copies(_whole(each)), of_guests, host.stores, at) for each in host.stores]
    return BackupsAnswer(at[0], tuple(guests), looked, tuple(host.unseen), tuple(volumes), tuple(stores))


class _Others:
    """Looks for the copies of stores and of volumes of containers, in the probes that name them."""

    def __init__(self, settings: Settings, host: HostNow, mounted: Sequence[Mount], bench: ProbeContext) -> None:
        self._settings, self._host, self._mounted, self._bench = settings, host, mounted, bench
        self._runs: dict[str, Run] = {}

    async def copies(self, thing: GuestNow) -> list[GuestCopy]:
        """All copies of one."""
        noun = next((each for each in NOUNS if thing.name.startswith(each)), "")
        found = []
        for each in self._settings.probes:
            if noun and backs_up_other(each, thing.name, noun):
                run = self._runs[each.label] = self._runs.get(each.label) or await fresh(each, self._bench)
                copy = await _found(each, run, thing, self._host, self._mounted, self._bench)
                found.append(await _proven(each, copy, self._bench))
        return [*found, *replicas(thing, self._host.stores)]


NOUNS = (*(f"{each.value} " for each in StoreKind), "volume ", "folder ")
"""How the names of stores and of volumes of containers begin."""


def _whole(store: StoreNow) -> GuestNow:
    """A store as one thing that is backed up; a file system by its mount point."""
    path = store.key.subject.partition(" /")[2]
    return GuestNow(store.key.subject, disks=(Disk(f"/{path}" if path else "/dev", store=store.key),))


def _is_of(probe: ProbeSettings, guest: str) -> bool:
    """Whether it says so, or has files in a set of the guest's own name."""
    return backs_up(probe, guest) or (isinstance(probe, SnapshotsSettings) and probe.name == guest)


def _looked(settings: Settings, host: HostNow) -> tuple[str, ...]:
    """Where a copy would have been seen, in words; the probes that do not say of what they are a backup by name."""
    kinds = [each for each in settings.probes if isinstance(each, SnapshotsSettings | JobSettings)]
    silent = [each.label for each in kinds if not each.backup_of]
    said = f"probes with backup_of ({len(kinds) - len(silent)})"
    pools = [each.key.subject for each in host.stores if each.kind is StoreKind.ZFS]
    words = [said, *([f"received datasets on {', '.join(pools)}"] if pools else [])]
    return (*words, *([f"not counted, without backup_of: {', '.join(silent)}"] if silent else []))


async def _found(
    probe: ProbeSettings, run: Run, guest: GuestNow, host: HostNow, mounted: Sequence[Mount], bench: ProbeContext
) -> GuestCopy:
    """One copy, with where it lies. One that could not be looked at says why."""
    try:
        copy = await copy_of(probe, run, guest, host, mounted, bench)
        if not isinstance(probe, SnapshotsSettings):
            return GuestCopy(copy, note="its job does not say which disks it has" if len(guest.disks) > 1 else "")
        look = partial(_place, probe, guest, mounted, copy, bench.clock.now().timestamp())
        return await bench.workers.call(f"where {probe.name} lies", look, LOOK_S)
    except ProbeError as error:
        return GuestCopy(Copy(probe.label, None, None, "", str(error)))


async def _proven(probe: ProbeSettings, found: GuestCopy, bench: ProbeContext) -> GuestCopy:
    """Adds what the daemon has read of its newest files, and the last restore that was reported."""
    restored = (await bench.job_reports.last(restore_of(probe.label))).good
    found = replace(found, restored_at=restored.at if restored else None)
    if not isinstance(probe, SnapshotsSettings):
        return found
    read = (await ProbeState(bench.probe_states, probe.label, SetChecked()).read()).series.values()
    damaged = "; ".join(f"{each.name} is {each.words}" for each in read if each.verdict is Verdict.DAMAGED)
    checked = tuple(f"{each.name}, read {each.day}: {each.words}" for each in read)
    copy = replace(found.copy, trouble=found.copy.trouble or damaged)
    return replace(found, copy=copy, checked=checked)


def _place(probe: SnapshotsSettings, guest: GuestNow, mounted: Sequence[Mount], copy: Copy, now_s: float) -> GuestCopy:
    """Adds the stores and devices below the files, and the disks after which no recent file is named."""
    stores = set().union(*(storage_stack.of_files(each, mounted) for each in probe.files))
    below = set().union(*(storage_stack.devices(storage_stack.fixed_part(each), mounted) for each in probe.files))
    own = set().union(*(storage_stack.devices(each.path, mounted) for each in guest.disks))
    if not copy.shares and len(below) == 1 and below == own:
        # One disk holds both. With several, a mirror of them may outlive the disk of the copy: that is not judged.
        copy = replace(copy, shares=f"disk {min(below)}")
    files = [
        CopyFile(os.path.basename(each.path), each.written_s, each.size_bytes)  # noqa: PTH119  a Path of each costs more
        for each in list_files(probe.files, probe.ignore)
    ]
    copy = _without_stub(copy, files)
    names = [each.name for each in files if each.written_s >= now_s - probe.max_age]
    lacking = not_named([disk_name(each) for each in guest.disks], names)
    note = f"no recent file is named after {', '.join(lacking)}: check that it is in another" if lacking else ""
    return GuestCopy(copy, (*sorted(stores), *(f"disk {each}" for each in sorted(below))), note=note)


def _without_stub(copy: Copy, files: Sequence[CopyFile]) -> Copy:
    """The copy, with the file before a stub as its last one."""
    found = stub(files)
    if found is None:
        return copy
    newest, before = found
    sizes = f"{format_size(newest.size_bytes)}, the one before {format_size(before.size_bytes)}"
    trouble = f"the newest file, {printable(newest.name)}, is far smaller than all before it ({sizes})"
    return replace(copy, trouble=trouble, last_at=datetime.fromtimestamp(before.written_s, UTC))
