"""What every host has: file systems, memory, watchkeeper itself, the clock."""

import os
from functools import partial

from watchkeeper.discovery.host import HELPER, Host, unseen
from watchkeeper.discovery.proposal import Found, Key, Proposal, things
from watchkeeper.discovery.toml import literal
from watchkeeper.errors import PrivilegeMissing, ProbeError
from watchkeeper.messages.wording import share
from watchkeeper.model.units import format_size
from watchkeeper.privileged import tree_walk
from watchkeeper.probes.filesystems import filesystem_look, filesystems, mounts
from watchkeeper.probes.filesystems.filesystems import FilesystemsSettings
from watchkeeper.probes.filesystems.mounts import Mount
from watchkeeper.probes.host.clock import ClockState, read_as_root, read_clock
from watchkeeper.probes.host.memory import read_table
from watchkeeper.probes.support.sanitize import printable

KIB = 1024

NAMED = 6
"""Mount points that a remark names."""


async def find_filesystems(host: Host) -> Found:
    """File systems that can fill. ZFS has its own probe, which reports each pool once."""
    try:
        found = mounts.parse(os.fsdecode((host.root / "proc/self/mountinfo").read_bytes()))
    except OSError as error:
        return unseen("file systems", error)
    chosen = filesystems.choose(found, FilesystemsSettings(), set())
    zfs = sorted(each.point for each in chosen if each.type == "zfs")
    rest = [each for each in chosen if each.type != "zfs"]
    about = ["File systems: space, inodes, and whether each answers and can be written."]
    about += [await _about(each, host) for each in rest]
    why = "ZFS is monitored by its own probe, by pool. Here each dataset would be reported separately."
    keys = [Key("exclude", tuple(literal(point) for point in zfs), why)] if zfs else []
    served = sorted(each.point for each in found if each.type in mounts.SERVED)
    if served:
        why = "These are on another machine. Monitor them here only if nothing else does:"
        keys.append(Key("also", tuple(literal(point) for point in served), why, offered=True))
    there = frozenset(things("file system", (each.point for each in found)))
    return Found((Proposal("filesystems", tuple(keys), tuple(about)),), there=there, looked=frozenset({"file system"}))


async def _about(mount: Mount, host: Host) -> str:
    said = f"- {printable(mount.point)} ({printable(mount.type)})"
    try:
        work = partial(filesystem_look.figures, mount.point, mount.id)
        found = await host.bench.workers.call(f"file system {printable(mount.point)}", work, host.timeout_s)
    except (ProbeError, OSError) as error:
        return f"{said}: it could not be examined ({printable(str(error))[:200]})"
    if found is None or not found.used_bytes + found.available_bytes:
        return said
    capacity = found.used_bytes + found.available_bytes
    also = "; its own probe below reports chunks, which `df` does not show" if mount.type == "btrfs" else ""
    return f"{said}: {share(found.used_bytes / capacity)} of {format_size(capacity)} used{also}"


async def find_directories(host: Host) -> Found:
    """What grew in a file system, where there is one with directories to walk. None is walked here."""
    try:
        found = mounts.parse(os.fsdecode((host.root / "proc/self/mountinfo").read_bytes()))
    except OSError as error:
        return unseen("directories of file systems", error)
    chosen = filesystems.choose(found, FilesystemsSettings(), set())
    points = sorted(each.point for each in chosen if each.type in tree_walk.TYPES)
    if not points:
        return Found(absent=("file systems whose directories can be walked",))
    more = f" and {len(points) - NAMED} more" if len(points) > NAMED else ""
    about = (
        "Directories: which of them grew, from a walk at night, so that a message about a file system that fills names",
        f"them. Of {', '.join(map(printable, points[:NAMED]))}{more}.",
        f"Needs the helper. {HELPER}.",
    )
    return Found((Proposal("directories", about=about),))


async def find_memory(host: Host) -> Found:
    """Memory and swap, and watchkeeper itself."""
    about = ["Memory, swap, memory pressure, and programs that the kernel killed because memory was short."]
    try:
        table = read_table((host.root / "proc/meminfo").read_text("ascii", "replace"))
    except OSError as error:
        return unseen("memory", error)
    swap = table.get("SwapTotal", 0)
    about.append(
        f"This host has {format_size(table.get('MemTotal', 0) * KIB)} of memory"
        + (f" and {format_size(swap * KIB)} of swap." if swap else " and no swap.")
    )
    return Found((Proposal("memory", about=tuple(about)), Proposal("self-check", about=("watchkeeper itself.",))))


async def find_clock(host: Host) -> Found:
    """How accurate the clock is."""
    try:
        state = await _clock(host)
    except ProbeError as error:
        return unseen("the clock", error)
    if state.largest_error_s is None:
        now = (
            "It is not synchronised now, so you will be notified. Start a service for that, such as systemd-timesyncd."
        )
    else:
        now = f"It may be wrong by {state.largest_error_s * 1000:.0f} ms now; the limit is the default."
    why = "Without synchronisation the possible error grows by 1.8 s an hour; 4 s is about two hours."
    keys = (Key("error_limit", "4s", why, offered=True),)
    return Found((Proposal("clock", keys, ("The host's clock: is it synchronised?", now)),))


async def _clock(host: Host) -> ClockState:
    try:
        return read_clock()
    except PrivilegeMissing as error:  # as in the daemon's unit
        return await read_as_root(host.bench, host.helper, host.timeout_s, error)
