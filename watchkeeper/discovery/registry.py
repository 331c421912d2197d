"""All finders, in the order of the document; `discover` runs them all."""

import asyncio
from collections.abc import Awaitable, Callable, Sequence
from dataclasses import dataclass

from watchkeeper.discovery.finders import basics, btrfs, disks, files, guests, lvm, sensors, units, web, zfs
from watchkeeper.discovery.host import Host
from watchkeeper.discovery.proposal import Found, Key, Proposal


@dataclass(frozen=True, slots=True)
class Finder:
    """One kind of thing: its heading in the document, and what finds it."""

    heading: str
    find: Callable[[Host], Awaitable[Found]]


@dataclass(frozen=True, slots=True)
class Section:
    """What one finder found."""

    heading: str
    found: Found


FINDERS = (
    Finder("File systems", basics.find_filesystems),
    Finder("Memory, and watchkeeper itself", basics.find_memory),
    Finder("ZFS", zfs.find),
    Finder("LVM", lvm.find),
    Finder("btrfs", btrfs.find),
    Finder("Snapshots that are files", files.find),
    Finder("Software RAID", disks.find_arrays),
    Finder("Disks", disks.find_disks),
    Finder("Guests", guests.find),
    Finder("Units and timers of systemd", units.find),
    Finder("Services", web.find),
    Finder("Devices", sensors.find_devices),
    Finder("The clock", basics.find_clock),
    Finder("Temperatures", sensors.find_sensors),
)
"""A new kind of thing is one more row."""


async def discover(host: Host) -> list[Section]:
    """Run all finders concurrently."""
    found = await asyncio.gather(*(each.find(host) for each in FINDERS))
    sections = [Section(each.heading, one) for each, one in zip(FINDERS, found, strict=True)]
    return [*sections, Section("After a reboot of the host", returned(found))]


def returned(found: Sequence[Found]) -> Found:
    """The probe for restarts: it records what is there itself, except that the guests' sockets must be named."""
    sockets = [key for each in found for one in each.proposals for key in one.keys if key.name == "sockets"]
    why = "The time that this host's guests and services take to start."
    keys = (*sockets[:1], Key("boot_grace", "15m", why, offered=True))
    about = ("Guests, units and services that were there before a reboot and have not come back.",)
    return Found((Proposal("after-reboot", keys, about),))
