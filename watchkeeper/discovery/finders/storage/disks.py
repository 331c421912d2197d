"""Finds software RAID, and disks that report their health (SMART, which only root may query)."""

from functools import partial

from watchkeeper.discovery.host import HELPER, Host, unseen
from watchkeeper.discovery.proposal import Found, Key, Proposal, things
from watchkeeper.errors import ProbeError
from watchkeeper.probes.storage.raid import Array, read_arrays
from watchkeeper.probes.storage.smart.disks import ANY_STATUS
from watchkeeper.probes.storage.smart.report import SLEEPS, Disk, read_disk
from watchkeeper.probes.support.block_devices import BlockDevices
from watchkeeper.probes.support.sanitize import clip, printable
from watchkeeper.probes.support.tools import ask_root, text_of

REAL = ("sd*", "nvme*n*", "hd*")
"""Disks in /sys/block that may report their health; a virtual machine's vd* never do."""

NAMED = 10


async def find_arrays(host: Host) -> Found:
    """Software RAID."""
    try:
        work = partial(read_arrays, host.root / "sys/block")
        arrays = await host.bench.workers.call("raid", work, host.timeout_s)
    except (ProbeError, OSError) as error:
        return unseen("software RAID", error)
    looked = frozenset({"array"})
    if not arrays:
        return Found(absent=("software RAID",), looked=looked)
    there = things("array", (each.name for each in arrays))
    why = "These must be there: one that is not assembled after a reboot is reported."
    keys = (Key("arrays", tuple(each.name for each in arrays), why),)
    proposal = Proposal("raid", keys, tuple(_array(each) for each in arrays), things=there)
    return Found((proposal,), there=frozenset(there), looked=looked)


def _array(array: Array) -> str:
    lacks = f", {array.degraded} missing" if array.degraded else ""
    return f"Array {printable(array.name)}: {clip(array.level) or 'no level'}, {array.disks} disks{lacks}."


async def find_disks(host: Host) -> Found:
    """Disks that report their health. A sleeping disk is not woken."""
    try:
        results = await ask_root(host.bench, "disks", host.helper, host.timeout_s)
        said = [
            _disk(each.target, each.ran.status, text_of(each.ran, "smartctl", host.timeout_s, ANY_STATUS))
            for each in results
        ]
    except ProbeError as error:
        if not any(path for glob in REAL for path in (host.root / "sys/block").glob(glob)):
            return Found(absent=("disks that report their health (SMART)",))
        about = ("The health of the disks (SMART) could not be queried. With the privilege, this probe monitors it.",)
        return unseen("disks' own health (SMART)", error) + Found((Proposal("smart", about=about, offered=True),))
    reports = tuple(each for each in said if each)
    if not reports:
        return Found(absent=("disks that report their health (SMART)",))
    return Found((Proposal("smart", about=reports),))


async def find_layers(host: Host) -> Found:
    """Mapped devices and bcache: the layers between file systems and disks."""
    block = host.root / "sys/block"
    mapped, caches = len(list(block.glob("dm-*"))), len(list(block.glob("bcache*")))
    if not mapped and not caches:
        return Found(absent=("mapped devices and bcache",))
    about = f"Layers between file systems and disks: {mapped} mapped devices, {caches} bcache devices."
    return Found((Proposal("mapped-devices", about=(about, f"Needs the helper. {HELPER}.")),))


async def find_risks(host: Host) -> Found:
    """What may break or slow down storage later."""
    in_use = (host.root / "proc/spl/kstat/zfs").is_dir() or any((host.root / "sys/block").glob("dm-*"))
    if not in_use:
        return Found()
    about = "Set-ups of ZFS and LVM that break later: swap on ZFS, devices without a copy, thin pools nobody extends."
    return Found((Proposal("storage-risks", about=(about,)),))


async def find_latency(host: Host) -> Found:
    """Disks that a driver serves: the kernel counts how long their requests take."""
    disks = BlockDevices(host.root / "sys").real_disks()
    if not disks:
        return Found(absent=("disks",))
    more = f" and {len(disks) - NAMED} more" if len(disks) > NAMED else ""
    about = f"How long requests of the disks take, against what is usual: {', '.join(disks[:NAMED])}{more}."
    return Found((Proposal("disk-latency", about=(printable(about),)),))


def _disk(name: str, status: int | None, text: str) -> str:
    """What one disk reports; empty if it reports nothing, as virtual disks do."""
    if status == SLEEPS:
        return f"Disk {printable(name)} is asleep and was not woken."
    try:
        disk = read_disk(text, status or 0)
    except (ValueError, RecursionError):
        return ""
    return _words(name, disk) if disk.known and (disk.model or disk.passed is not None) else ""


def _words(name: str, disk: Disk) -> str:
    verdict = {True: "it reports that it is OK", False: "it reports that it is failing", None: "it reports no verdict"}
    worn = "" if disk.wear_share is None else f"; {disk.wear_share:.0%} of its endurance used"
    return f"Disk {printable(name)} ({clip(disk.model) or 'no model'}): {verdict[disk.passed]}{worn}."
