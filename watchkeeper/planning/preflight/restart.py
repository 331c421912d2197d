"""What a restart of the host would not bring back, decided. Pure.

Each matter of a restart gives at least one point, so that a go says what was looked at. Not here: reading the host
(inventory/preflight/restart.py), and what did not come back after one (probes/host/after_reboot.py).
"""

from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass

from watchkeeper.messages.wording import clean
from watchkeeper.model.kernel import Kernel, missing_parts
from watchkeeper.planning.preflight.decide import Point, Verdict
from watchkeeper.planning.preflight.matter import Matter

GONE_AFTER = frozenset({"disabled", "transient", "enabled-runtime", "linked-runtime", "masked", "masked-runtime"})
"""States of a unit file, systemctl(1) is-enabled, with which nothing of its own starts a unit at boot."""

NOT_STARTED = GONE_AFTER | {"", "static", "indirect"}
"""The same for a unit that must start by itself; empty: systemd does not know it."""

SESSION = (".scope",)
"""A process in a scope was started by a login or by hand; nothing starts it again."""


@dataclass(frozen=True, slots=True)
class RunningUnit:
    """A service that runs. state: of its unit file. started_by: units that start it, by a dependency or a trigger."""

    name: str
    state: str
    started_by: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class RunningGuest:
    """A guest that runs. unit: of its process; empty if it was not found. state: of that unit's file.

    libvirt: whether libvirt starts it with the host; None if it is no guest of libvirt.
    """

    name: str
    unit: str = ""
    state: str = ""
    libvirt: bool | None = None


@dataclass(frozen=True, slots=True)
class RunningContainer:
    """A container of an engine that runs. policy: its restart policy. unit: of systemd, which runs it.

    starter: the unit that starts containers with some policies, which are `started`. state, starter_state: of the files
    of these units.
    """

    name: str
    policy: str = ""
    unit: str = ""
    state: str = ""
    starter: str = ""
    starter_state: str = ""
    started: frozenset[str] = frozenset()


def unknown(about: str, why: str) -> Point:
    """A matter of the restart that could not be looked at."""
    return Point(Matter.RESTART, Verdict.UNKNOWN, about, clean(why, 300))


def _lost(about: str, why: str) -> Point:
    return Point(Matter.RESTART, Verdict.NO_GO, clean(about, 120), why)


def _kept(about: str, why: str) -> Point:
    return Point(Matter.RESTART, Verdict.GO, about, why)


def unit_points(units: Sequence[RunningUnit]) -> Iterator[Point]:
    """Services that run and that nothing would start."""
    lost = [each for each in units if each.state in GONE_AFTER and not each.started_by]
    for each in lost:
        yield _lost(f"unit {each.name}", f"it runs, but is {each.state}: nothing starts it after a restart")
    if not lost:
        yield _kept("services", f"all {len(units)} that run are started at boot or by another unit")


def mount_points(mounted: Mapping[str, str], named: Mapping[str, str]) -> Iterator[Point]:
    """What is mounted and named nowhere, and what is named and not mounted.

    mounted: mount point -> source. named: mount point -> the file that names it.
    """
    for point in sorted(mounted.keys() - named.keys() - {"/"}):
        why = f"mounted from {clean(mounted[point], 80)}, but neither /etc/fstab nor an enabled mount unit names it"
        yield _lost(f"mount {point}", why)
    for point in sorted(named.keys() - mounted.keys() - {"/"}):
        yield _lost(f"mount {point}", f"{clean(named[point], 80)} names it, but it is not mounted: will it be?")
    if mounted.keys() - {"/"} <= named.keys() and named.keys() - {"/"} <= mounted.keys():
        yield _kept("mounts", f"all {len(mounted)} are named in /etc/fstab or by a mount unit")


def guest_points(guests: Sequence[RunningGuest]) -> Iterator[Point]:
    """Guests that run and that nothing would start."""
    for each in guests:
        about = f"guest {clean(each.name)}"
        if each.libvirt is not None:
            yield _by_libvirt(about, starts=each.libvirt)
        elif not each.unit:
            yield unknown(about, "cannot tell what starts it: its process was not found")
        elif each.unit.endswith(SESSION):
            yield _lost(about, f"it was started by hand ({clean(each.unit, 60)}): nothing starts it after a restart")
        elif each.state in GONE_AFTER:
            yield _lost(about, f"its unit {clean(each.unit, 60)} is {each.state}: nothing starts it after a restart")
        else:
            yield _kept(about, f"its unit {clean(each.unit, 60)} is {each.state or 'started by another'}")


def _by_libvirt(about: str, *, starts: bool) -> Point:
    if starts:
        return _kept(about, "libvirt starts it with the host")
    return _lost(about, "libvirt does not start it with the host (virsh autostart)")


def container_points(containers: Sequence[RunningContainer]) -> Iterator[Point]:
    """Containers that run and that nothing would start."""
    lost = [(each, why) for each in containers if (why := _why_lost(each))]
    for each, why in lost:
        yield _lost(f"container {clean(each.name)}", f"{why}: nothing starts it after a restart")
    if containers and not lost:
        yield _kept("containers", f"all {len(containers)} that run are started by their engines or by a unit")


def _why_lost(each: RunningContainer) -> str:
    """Why nothing would start a container; empty if something does."""
    if each.unit:
        return f"its unit {clean(each.unit, 60)} is {each.state}" if each.state in GONE_AFTER else ""
    if each.policy not in each.started:
        return f'its restart policy is "{clean(each.policy or "no", 30)}"'
    return f"{each.starter} is {each.starter_state or 'not enabled'}" if each.starter_state in NOT_STARTED else ""


def kernel_point(kernels: Sequence[Kernel], running: str) -> Point:
    """Whether the kernel that will boot has what it needs. kernels: oldest first."""
    if not kernels:
        return unknown("kernel", "no kernel is in /boot, so which one boots is not known")
    about, missing = f"kernel {clean(kernels[-1].release, 60)}", missing_parts(kernels, running)
    if missing:
        return _lost(about, f"the newest one, and {'; '.join(missing)}")
    return _kept(about, "the newest one; its parts are there")


def key_points(volumes: Collection[str]) -> Iterator[Point]:
    """Volumes and datasets whose key somebody must type."""
    for each in sorted(volumes):
        why = "somebody must type its key at the restart; skip this check if you will be there"
        yield _lost(f"encrypted {each}", why)


def pool_points(pools: Collection[str], cached: Collection[str], *, scanned: bool) -> Iterator[Point]:
    """ZFS pools that would not be imported. cached: those in zpool.cache. scanned: all that are found are imported."""
    for each in sorted(pools):
        if not scanned and each not in cached:
            yield _lost(f"pool {each}", "it was imported by hand: it is not in /etc/zfs/zpool.cache")
        else:
            yield _kept(f"pool {each}", "it is imported at boot")
