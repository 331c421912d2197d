"""Patterns of a configuration that match nothing: probably misspelt, or the thing is not there now. Only warnings.

Nothing is said about what was not looked at: a kind of which nothing is here, or whose names only root can list.
"""

import asyncio
import contextlib
import glob
import os
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from fnmatch import fnmatchcase
from pathlib import Path

from watchkeeper.cli.commands.configuration import host_names
from watchkeeper.cli.commands.configuration.host_names import Names, of_folder
from watchkeeper.cli.database import opened
from watchkeeper.config.types import ProbeSettings
from watchkeeper.errors import StoreError
from watchkeeper.messages.wording import clean
from watchkeeper.notifiers.base import ReceiverSettings
from watchkeeper.probes.filesystems import filesystems
from watchkeeper.probes.filesystems.filesystems import FilesystemsSettings
from watchkeeper.probes.services.in_guest import InGuestSettings
from watchkeeper.probes.storage.snapshot_sets import ORIGINS_KEY
from watchkeeper.settings import Settings

AGENTS = "guest-agents"


def unmatched(known: Settings) -> Iterator[str]:
    """One sentence for each pattern that matches nothing on this host, or nothing that was recorded so far."""
    for each in known.probes:
        for key, pattern, what in _of_host(each):
            yield f'probe {each.label}: {key} "{clean(pattern, 80)}" matches no {what} of this host now'
    yield from _without_agents(known.probes)
    subjects = _recorded(known)
    if subjects:
        yield from _of_record(known, subjects)


def _without_agents(probes: Sequence[ProbeSettings]) -> Iterator[str]:
    """Services that are named by their guest, where no probe asks the agents in guests for their addresses."""
    if not any(each.kind == AGENTS for each in probes):
        for each in probes:
            if isinstance(each, InGuestSettings) and each.guest:
                what = f"has no address without a probe of kind {AGENTS}"
                yield f'probe {each.label}: guest "{clean(each.guest, 80)}" {what}'


def _of_host(probe: ProbeSettings) -> Iterator[tuple[str, str, str]]:
    """The patterns of a probe that match nothing: key, pattern, and what it should match."""
    if isinstance(probe, FilesystemsSettings):
        with contextlib.suppress(OSError):
            yield from ((key, pattern, "mount point") for key, pattern in filesystems.unmatched(probe))
        return
    for key in _PATHS.get(probe.kind, ()):
        yield from ((key, each, "file") for each in getattr(probe, key) if not _exists(each))
    for key, (what, names) in _NAMED.get(probe.kind, {}).items():
        patterns = getattr(probe, key) if key in probe.model_fields_set else ()
        there = names() if patterns else ()
        said = ORIGINS_KEY.get(probe.kind, key) if key == "origins" else key
        yield from ((said, each, what) for each in patterns if there and not _fits(each, there))


def _exists(pattern: str) -> bool:
    """Whether a path or a glob has something; True if this user may not look."""
    with contextlib.suppress(OSError):
        found = glob.iglob(pattern, recursive=True)  # noqa: PTH207  the whole path is the pattern
        return next(found, None) is not None or _hidden(pattern)
    return True


def _hidden(pattern: str) -> bool:
    """Whether a folder on the way cannot be read by this user."""
    folders = [each for each in reversed(Path(pattern).parents) if not glob.has_magic(str(each))]
    return any(each.exists() and not os.access(each, os.R_OK | os.X_OK) for each in folders)


def _fits(pattern: str, names: Iterable[str]) -> bool:
    return any(name == pattern or fnmatchcase(name, pattern) for name in names)


_PATHS: Mapping[str, tuple[str, ...]] = {
    "snapshots": ("files",),
    "guests": ("sockets",),
    "guest-agents": ("sockets", "monitors", "consoles"),
    "after-reboot": ("sockets",),
}
"""Keys that are paths or globs of files, by kind."""

_GUESTS = ("guest", host_names.guests)
_VOLUMES = ("group or volume", host_names.volumes)
_NAMED: Mapping[str, Mapping[str, tuple[str, Names]]] = {
    "units": {"exclude": ("unit", host_names.units), "active": ("unit", host_names.units)},
    "services": {"exclude": ("unit", host_names.units)},
    "timers": {"exclude": ("unit", host_names.units)},
    "disk-latency": {"exclude": ("disk", of_folder("/sys/block"))},
    "raid": {"exclude": ("array", of_folder("/sys/block"))},
    "mapped-devices": {"exclude": ("mapped device", of_folder("/dev/mapper"))},
    "links": {each: ("interface", of_folder("/sys/class/net")) for each in ("also", "exclude", "any_speed")},
    "temperatures": {"exclude": ("sensor", host_names.sensors), "limits": ("sensor", host_names.sensors)},
    "hardware": {"exclude": ("fan or voltage", host_names.fans)},
    "smart": {"exclude": ("disk", host_names.disks)},
    "guests": {"exclude": _GUESTS},
    "guest-agents": {"exclude": _GUESTS},
    "backups": {"exclude": _GUESTS},
    "containers": {"exclude": ("container or slice", host_names.containers)},
    "zfs": {"exclude": ("pool or dataset", host_names.datasets)},
    "zfs-snapshots": {"origins": ("dataset", host_names.datasets), "exclude": ("dataset", host_names.datasets)},
    "lvm": {"exclude": _VOLUMES},
    "lvm-snapshots": {"origins": _VOLUMES, "exclude": _VOLUMES},
    "btrfs": {"exclude": ("mount point of btrfs", host_names.btrfs_points)},
    "storage-risks": {"exclude": ("pool", host_names.pools)},
}
"""Keys that are names or globs of names, by kind."""


def _recorded(known: Settings) -> frozenset[str]:
    """The subjects in the database; empty if there is none, or if it cannot be read."""
    try:
        return asyncio.run(_subjects(known))
    except (StoreError, OSError):
        return frozenset()


async def _subjects(known: Settings) -> frozenset[str]:
    async with opened(known) as store:
        return frozenset(each.key.subject for each in await store.series())


def _of_record(known: Settings, subjects: Collection[str]) -> Iterator[str]:
    """Patterns of subjects: of the rules, of probes' own rules and causes, and of notifiers."""
    for each in known.rules.used_share.subjects:
        if not _fits(each, subjects):
            yield _said("rules.used_share: subjects", each)
    for notifier in known.notifiers:
        for each in notifier.subjects if isinstance(notifier, ReceiverSettings) else ():
            if not _fits(each, subjects):
                yield _said(f"notifier {notifier.label}: subjects", each)
    labels = {probe.label for probe in known.probes}
    for probe in known.probes:
        if isinstance(probe, InGuestSettings) and probe.guest and f"guest {probe.guest}" not in subjects:
            yield _said(f"probe {probe.label}: guest", probe.guest)
        for each in probe.depends_on:
            if each not in labels and each not in subjects:
                yield _said(f"probe {probe.label}: depends_on", each)


def _said(key: str, pattern: str) -> str:
    return f'{key} "{clean(pattern, 80)}" matches no subject that was recorded so far'
