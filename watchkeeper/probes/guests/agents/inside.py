"""What an agent's report means: space, clock, network, and space that the guest has freed and its store still holds.

Pure. Not here: whether the agent answers at all (guest_agents.py).
"""

from collections.abc import Iterable, Iterator

from watchkeeper.model.observation import Condition, Facts, Level, SeriesKey
from watchkeeper.model.units import format_age, format_duration, format_size
from watchkeeper.probes.guests.agents.agent import AgentReport, GuestFileSystem
from watchkeeper.probes.guests.qmp import Drive, Guest
from watchkeeper.probes.support.sanitize import clip


def levels(name: str, filesystems: Iterable[GuestFileSystem]) -> Iterator[Level]:
    """The space of each file system in the guest."""
    for each in filesystems:
        key = SeriesKey(f"guest {name}", f"space on {each.point}")
        facts: Facts = (("file system", each.type),) if each.type else ()
        yield Level(key, each.used_bytes, each.total_bytes, facts=facts)


def clock_condition(name: str, report: AgentReport, limit_s: float) -> Condition | None:
    """Faulty if the guest's clock differs from the host's by more than the limit; None if it is not known."""
    if report.ahead_s is None:
        return None
    off = f"{format_age(abs(report.ahead_s))} {'ahead of' if report.ahead_s > 0 else 'behind'} the host"
    wrong = abs(report.ahead_s) > limit_s
    reason = f"its clock is {off}, limit {format_duration(limit_s)}" if wrong else ""
    return Condition(SeriesKey(f"guest {name}", "clock"), not wrong, reason)


def network_condition(name: str, report: AgentReport) -> Condition | None:
    """Faulty if the guest has no address by which another host could reach it; None if it is not known."""
    if report.addresses is None:
        return None
    facts: Facts = tuple(("address", each) for each in report.addresses[:10])
    reason = "" if report.addresses else "none of its interfaces has an address that another host can reach"
    return Condition(SeriesKey(f"guest {name}", "network"), not reason, reason, facts=facts)


def freed_bytes(report: AgentReport, guest: Guest | None) -> int | None:
    """The least that a trim would free below the guest; None if that cannot be known.

    It is what the images take, less what is used in the guest, less every part of its disks that no file system
    accounts for: swap, metadata, and what is kept for root count as used. Images with snapshots inside or with other
    images below them are not compared: a trim does not free what those hold.
    """
    disks = _images(guest)
    if not disks or not report.filesystems:
        return None
    taken = sum(each.allocated_bytes or 0 for each in disks)
    size = sum(each.size_bytes or 0 for each in disks)
    used = sum(each.used_bytes for each in report.filesystems)
    total = sum(each.total_bytes for each in report.filesystems)
    return max(taken - used - max(size - total, 0), 0)


def _images(guest: Guest | None) -> tuple[Drive, ...]:
    """The guest's disks, if it is known of each what it takes: a file, or a thin or ZFS volume; else none."""
    disks = guest.disks if guest else ()
    return disks if all(each.allocated_bytes and each.size_bytes and _alone(each) for each in disks) else ()


def _alone(disk: Drive) -> bool:
    """Whether its image is known to hold nothing but what the guest sees. A device is taken to be its content."""
    known = disk.image.known or disk.file.startswith("/dev/")
    return known and not disk.image.layers and not disk.image.snapshots


def trim_condition(
    name: str, report: AgentReport, guest: Guest | None, share: float, least: int, *, snapshots: bool = False
) -> Condition | None:
    """Faulty if more than a share of what the disks take, and more than `least` bytes, is free inside.

    snapshots: a part of that is freed only when the snapshots of its volumes are removed.
    """
    freed = freed_bytes(report, guest)
    if freed is None:
        return None
    disks = _images(guest)
    taken = sum(each.allocated_bytes or 0 for each in disks)
    facts: Facts = (("taken by its disks", format_size(taken)), ("of that free inside", format_size(freed)))
    facts += tuple((f"disk {clip(each.name, 40)}", clip(each.file)) for each in disks[:10])
    if snapshots:
        facts += (("held by snapshots too", "a part is freed only when they are removed"),)
    wasted = freed > least and freed > share * taken
    reason = f"{format_size(freed)} are free in the guest and still taken below it: trim it" if wasted else ""
    return Condition(SeriesKey(f"guest {name}", "trimmed space"), not wasted, reason, facts=facts)
