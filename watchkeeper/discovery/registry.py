"""All finders, in the order of the document; `discover` runs them all."""

import asyncio
from collections.abc import Awaitable, Callable, Sequence
from dataclasses import dataclass

from watchkeeper.discovery.finders import (
    basics,
    containers,
    files,
    hardware,
    jobs,
    network,
    power,
    sensors,
    software,
    units,
    web,
)
from watchkeeper.discovery.finders.guests import guests
from watchkeeper.discovery.finders.storage import btrfs, disks, lvm, zfs
from watchkeeper.discovery.host import Host
from watchkeeper.discovery.proposal import Found, Key, Proposal


@dataclass(frozen=True, slots=True)
class Finder:
    """One kind of thing: its heading in the document, what finds it, and the kinds of probe that it proposes.

    kinds: empty if everything that it finds is only offered, so that nothing has to be covered.
    """

    heading: str
    find: Callable[[Host], Awaitable[Found]]
    kinds: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Section:
    """What one finder found. kinds: as in Finder."""

    heading: str
    found: Found
    kinds: tuple[str, ...] = ()


FINDERS = (
    Finder("File systems", basics.find_filesystems, ("filesystems",)),
    Finder("Directories", basics.find_directories, ("directories",)),
    Finder("Memory, and watchkeeper itself", basics.find_memory, ("memory", "self-check")),
    Finder("ZFS", zfs.find, ("zfs", "zfs-snapshots")),
    Finder("LVM", lvm.find, ("lvm", "lvm-snapshots")),
    Finder("btrfs", btrfs.find, ("btrfs", "btrfs-snapshots")),
    Finder("Snapshots that are files", files.find, ("snapshots",)),
    Finder("Software RAID", disks.find_arrays, ("raid",)),
    Finder("Disks", disks.find_disks, ("smart",)),
    Finder("Layers of storage", disks.find_layers, ("mapped-devices",)),
    Finder("Risks of the storage", disks.find_risks, ("storage-risks",)),
    Finder("Latency of the disks", disks.find_latency, ("disk-latency",)),
    Finder("Guests", guests.find, ("guests", "guest-agents")),
    Finder("Containers", containers.find, ("containers",)),
    Finder("Units and timers of systemd", units.find, ("units", "services", "timers")),
    Finder("Units of users", jobs.find_user_units, ("user-units",)),
    Finder("Local mail", jobs.find_mail, ("mail-queue",)),
    Finder("Services", web.find),
    Finder("Certificates in files", files.find_certificates, ("certificates",)),
    Finder("Devices", sensors.find_devices, ("device",)),
    Finder("Network", network.find_links, ("links",)),
    Finder("Power", power.find_ups, ("ups",)),
    Finder("Software", software.find, ("software",)),
    Finder("Replaced libraries", software.find_old_libraries, ("old-libraries",)),
    Finder("The clock", basics.find_clock, ("clock",)),
    Finder("Temperatures", sensors.find_sensors, ("temperatures",)),
    Finder("Watches of files", hardware.find_inotify, ("inotify",)),
    Finder("Hardware errors, fans, voltages", hardware.find_hardware, ("hardware",)),
)
"""A new kind of thing is one more row."""


async def discover(host: Host, finders: Sequence[Finder] = FINDERS) -> list[Section]:
    """Run all finders concurrently."""
    found = await asyncio.gather(*(each.find(host) for each in finders))
    sections = [Section(each.heading, one, each.kinds) for each, one in zip(finders, found, strict=True)]
    return [*sections, Section("After a reboot of the host", returned(found), ("after-reboot",))]


def returned(found: Sequence[Found]) -> Found:
    """The probe for restarts: it records what is there itself, except that the guests' sockets must be named."""
    sockets = [key for each in found for one in each.proposals for key in one.keys if key.name == "sockets"]
    why = "The time that this host's guests and services take to start."
    keys = (*sockets[:1], Key("boot_grace", "15m", why, offered=True))
    about = ("Guests, units and services that were there before a reboot and have not come back.",)
    return Found((Proposal("after-reboot", keys, about),))
