"""Patterns of a configuration that match nothing: probably misspelt, or the thing is not there now. Only warnings.

A kind whose names cannot be listed without its helper is left out: nothing is said about what was not looked at.
"""

import asyncio
import contextlib
import glob
import json
import os
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from fnmatch import fnmatchcase
from functools import cache
from pathlib import Path

from watchkeeper.cli.database import opened
from watchkeeper.config.types import ProbeSettings
from watchkeeper.errors import StoreError
from watchkeeper.messages.wording import clean
from watchkeeper.notifiers.base import ReceiverSettings
from watchkeeper.privileged.process import run as run_program
from watchkeeper.probes.filesystems import filesystems
from watchkeeper.probes.filesystems.filesystems import FilesystemsSettings
from watchkeeper.probes.services.in_guest import InGuestSettings
from watchkeeper.settings import Settings

AGENTS = "guest-agents"

SYSTEMCTL_S = 5.0
"""A manager that does not list its units within this time is not asked again."""

Names = Callable[[], Collection[str]]
"""What there is on this host; empty if it cannot be listed."""


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
        yield from ((key, each, what) for each in patterns if there and not _fits(each, there))


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
    return any(fnmatchcase(name, pattern) for name in names)


@cache
def _units() -> frozenset[str]:
    """Every unit that systemd has loaded or could load."""
    return frozenset(_listed("list-units", "unit")) | frozenset(_listed("list-unit-files", "unit_file"))


def _listed(verb: str, field: str) -> Iterator[str]:
    done = run_program(("systemctl", verb, "--all", "--output=json"), SYSTEMCTL_S)
    if done.status == 0:
        with contextlib.suppress(ValueError, KeyError, TypeError):
            yield from (str(each[field]) for each in json.loads(done.stdout))


def _folder(path: str) -> Names:
    def names() -> Collection[str]:
        with contextlib.suppress(OSError):
            return os.listdir(path)  # noqa: PTH208  names are wanted, not paths
        return ()

    return names


_PATHS: Mapping[str, tuple[str, ...]] = {
    "snapshots": ("files",),
    "guests": ("sockets",),
    "guest-agents": ("sockets", "monitors"),
    "after-reboot": ("sockets",),
}
"""Keys that are paths or globs of files, by kind."""

_NAMED: Mapping[str, Mapping[str, tuple[str, Names]]] = {
    "units": {"exclude": ("unit", _units), "active": ("unit", _units)},
    "services": {"exclude": ("unit", _units)},
    "timers": {"exclude": ("unit", _units)},
    "disk-latency": {"exclude": ("disk", _folder("/sys/block"))},
    "raid": {"exclude": ("array", _folder("/sys/block"))},
    "mapped-devices": {"exclude": ("mapped device", _folder("/dev/mapper"))},
    "links": {each: ("interface", _folder("/sys/class/net")) for each in ("also", "exclude", "any_speed")},
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
