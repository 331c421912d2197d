"""What changed on the host since the last look: written down once, with the time, and shown with every later alert.

It judges nothing and reports no observation. Packages come from dpkg's log, with their own times; the rest is compared
with the look before, so that its time is known to within one interval, also over a restart. Not here: guests
(guests/changes.py), restarts (host/host_restarts.py), reloads and notes (runtime/).
"""

import os
from collections.abc import Iterator, Mapping, Sequence
from contextlib import suppress
from datetime import datetime
from functools import partial
from pathlib import Path
from typing import Literal, NamedTuple

from pydantic import AwareDatetime, Field

from watchkeeper.config.types import Duration, ProbeSettings
from watchkeeper.model.change import Change, ChangeKind
from watchkeeper.model.observation import Observed, Unseen
from watchkeeper.os_errors import explained
from watchkeeper.probes.base import BaseProbe, ProbeContext
from watchkeeper.probes.changes import hardware, package_log, watched_files
from watchkeeper.probes.changes.package_log import LogPlace, LogRead
from watchkeeper.probes.changes.watched_files import Look
from watchkeeper.probes.filesystems import mounts
from watchkeeper.probes.support.boot import boot_of
from watchkeeper.probes.support.changes import record
from watchkeeper.probes.support.sanitize import clip
from watchkeeper.probes.support.state import ProbeState, StateModel

PACKAGES = "packages that were installed, upgraded or removed"

MODULES = ("zfs", "spl", "drbd")
"""Modules that are built outside the kernel: their version is compared. The others come with the kernel, whose release
is compared."""


class ChangesSettings(ProbeSettings):
    """What changed on the host: packages, unit files, mounts, kernel, disks and adapters. It raises no alert."""

    kind: Literal["changes"] = "changes"
    every: Duration = Field(60.0, description="time between runs")
    timeout: Duration = Field(20.0, description="time after which reading the files is abandoned")


class ChangesSeen(StateModel):
    """What the last look saw. looked_at: None before the first one."""

    looked_at: AwareDatetime | None = None
    boot: str = ""
    release: str = ""
    modules: Mapping[str, str] = Field(default_factory=dict)
    packages: LogPlace = LogPlace()
    files: Mapping[str, str] = Field(default_factory=dict)
    mounts: Mapping[str, str] = Field(default_factory=dict)
    devices: Mapping[str, str] = Field(default_factory=dict)


class _Found(NamedTuple):
    """One look at everything. packages: None if the log cannot be read, for the reason `unread`."""

    boot: str
    release: str
    modules: Mapping[str, str]
    packages: LogRead | None
    unread: str
    files: Look
    mounts: Mapping[str, str]
    devices: Mapping[str, str]


class ChangesProbe(BaseProbe):
    """Records what changed."""

    def __init__(self, settings: ChangesSettings, bench: ProbeContext, root: Path = Path("/")) -> None:
        """root: the folder that contains /etc, /proc, /sys and /var, for tests."""
        self._settings, self._bench, self._root = settings, bench, root
        self._state = ProbeState(bench.probe_states, settings.label, ChangesSeen())
        self._listed: tuple[object, ...] = ()
        self._mountinfo = b""
        self._devices, self._mounts = dict[str, str](), dict[str, str]()

    async def observe(self) -> Sequence[Observed]:
        """Compare with the last look, and record what is different."""
        before, now = await self._state.read(), self._bench.clock.now()
        work = partial(self._look, before, now)
        found = await self._bench.workers.call("the changes of this host", work, self._settings.timeout)
        packages = found.packages
        changes = list(packages.changes) if packages else []
        if before.looked_at is not None:
            changes += _differences(before, found, now, before.looked_at)
        after = ChangesSeen(
            looked_at=now,
            boot=found.boot,
            release=found.release,
            modules=found.modules,
            packages=packages.place if packages else before.packages,
            files=found.files.files,
            mounts=found.mounts,
            devices=found.devices,
        )
        if await record(self._bench, self._settings.label, sorted(changes, key=lambda each: each.at)):
            await self._remember(before, after)
        return self._unseen(found)

    async def _remember(self, before: ChangesSeen, after: ChangesSeen) -> None:
        """Write only what is new: the time of the look alone is held, so that a quiet host writes nothing."""
        if after == before.model_copy(update={"looked_at": after.looked_at}):
            self._state.hold(after)
        else:
            await self._state.write(after)

    async def close(self) -> None:
        """Write the time of the last look."""
        await self._state.write(await self._state.read())

    def _unseen(self, found: _Found) -> list[Observed]:
        if found.packages is None:
            return [Unseen(PACKAGES, found.unread)]
        if found.packages.lost:
            return [Unseen(PACKAGES, f"/{package_log.LOG} was rotated more than once since the last look")]
        return []

    def _look(self, before: ChangesSeen, now: datetime) -> _Found:
        """Runs in a worker; what is the same as in the last look is not read again."""
        root, unread = self._root, ""
        try:
            packages = package_log.read(root, before.packages, now)
        except OSError as error:
            packages, unread = None, f"/{package_log.LOG} cannot be read: {explained(error)}"
        boot = boot_of(root / "proc")
        same = boot == before.boot and not (packages and packages.changes)
        modules = before.modules if same else dict(_modules(root))
        release = _first_line(root / "proc/sys/kernel/osrelease")
        if (names := hardware.listed(root)) != self._listed:
            self._listed, self._devices = names, hardware.devices(root)
        with suppress(OSError):
            if (mountinfo := (root / "proc/self/mountinfo").read_bytes()) != self._mountinfo:
                self._mountinfo, self._mounts = mountinfo, _mounts(mountinfo, before.mounts)
        files = watched_files.look(root)
        return _Found(boot, release, modules, packages, unread, files, self._mounts, self._devices)


def _modules(root: Path) -> Iterator[tuple[str, str]]:
    for name in MODULES:
        version = _first_line(root / f"sys/module/{name}/version")
        if version:
            yield name, version


def _mounts(mountinfo: bytes, before: Mapping[str, str]) -> dict[str, str]:
    """Every mount that can fill or is served by another machine: where -> what. before: those of the last look."""
    real = [
        each for each in mounts.parse(os.fsdecode(mountinfo)) if mounts.can_fill(each) or each.type in mounts.SERVED
    ]
    lasting = [each for each in real if each.type not in mounts.LAYERED and each.type != "tmpfs"]
    chosen = mounts.one_for_each_device(lasting, before)[:500]
    return {each.point: clip(f"{each.source}, {each.type}") for each in chosen}


def _first_line(file: Path) -> str:
    with suppress(OSError), file.open("rb") as opened:
        return clip(opened.read(200).decode("utf-8", "replace").strip(), 80)
    return ""


def _differences(before: ChangesSeen, found: _Found, now: datetime, looked_at: datetime) -> Iterator[Change]:
    if found.release != before.release:
        detail = f"from {before.release} to {found.release}"
        yield Change(now, ChangeKind.KERNEL, "the running kernel", "changed", detail, looked_at)
    for name in sorted(before.modules.keys() & found.modules.keys()):
        if before.modules[name] != found.modules[name]:
            detail = f"from {before.modules[name]} to {found.modules[name]}"
            yield Change(now, ChangeKind.MODULE, name, "changed", detail, looked_at)
    yield from watched_files.differences(before.files, found.files, now, looked_at)
    yield from _came_and_went(before.mounts, found.mounts, ("mounted", "unmounted"), ChangeKind.MOUNT, now, looked_at)
    words = ("appeared", "disappeared")
    yield from _came_and_went(before.devices, found.devices, words, ChangeKind.DEVICE, now, looked_at)


def _came_and_went(
    old: Mapping[str, str],
    new: Mapping[str, str],
    words: tuple[str, str],
    kind: ChangeKind,
    now: datetime,
    looked_at: datetime,
) -> Iterator[Change]:
    for names, word, said in ((new.keys() - old.keys(), words[0], new), (old.keys() - new.keys(), words[1], old)):
        for name in sorted(names):
            yield Change(now, kind, clip(name), word, f"({said[name]})", looked_at)
