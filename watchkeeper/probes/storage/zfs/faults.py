"""What is wrong with a pool, in words: its state with the disks that caused it, and the errors that it counts.

Pure. Not here: what the tools print (tables.py).
"""

from collections.abc import Sequence

from watchkeeper.probes.storage.zfs.tables import Device, Status
from watchkeeper.probes.support.sanitize import clip

_FAULTS = frozenset({"DEGRADED", "FAULTED", "OFFLINE", "UNAVAIL", "REMOVED", "CANT_OPEN"})
_MOST_NAMED = 3


def why(state: str, devices: Sequence[Device]) -> str:
    """The pool's state, and the disks that caused it."""
    # Of a mirror and its disk, the disk is what matters; a spare that is in use is not a fault.
    faulty = [each for each in devices[1:] if each.state in _FAULTS]
    leaves = [each for each in faulty if each.state != "DEGRADED"] or faulty
    named = [f"{clip(each.name)} is {each.state}{_noted(each.note)}" for each in leaves[:_MOST_NAMED]]
    return f"the pool is {clip(state, 30)}{': ' if named else ''}{', '.join(named)}"


ROLES = {"special": "special device", "dedup": "dedup device", "logs": "log device", "cache": "cache device",
         "spares": "spare"}  # fmt: skip
"""What zpool status lists beside the devices of the data: zpoolconcepts(7)."""


LOSES = {
    "special": "if it fails, the whole pool is lost",
    "dedup": "if it fails, the whole pool is lost",
    "logs": "if it fails together with the host, the last writes are lost",
}


def why_auxiliary(devices: Sequence[Device]) -> str:
    """Which log, cache, special and dedup devices and spares do not work. A pool without its cache is still ONLINE."""
    leaves = [each for each in devices if each.role and each.state in _FAULTS and not each.redundant]
    more = f" and {len(leaves) - _MOST_NAMED} more" if len(leaves) > _MOST_NAMED else ""
    said = [f"{ROLES[each.role]} {clip(each.name)} is {each.state}{_noted(each.note)}" for each in leaves[:_MOST_NAMED]]
    return ", ".join(said) + more


def why_single(devices: Sequence[Device]) -> str:
    """Which special, dedup and log devices have no second copy although the data of the pool has one."""
    data = [each for each in devices if each.top and not each.role]
    if not data or not all(each.redundant for each in data):
        return ""
    alone = [each for each in devices if each.top and each.role in LOSES and not each.redundant]
    return "; ".join(
        f"{ROLES[each.role]} {clip(each.name)} has no mirror: {LOSES[each.role]}" for each in alone[:_MOST_NAMED]
    )


def _noted(note: str) -> str:
    return f" ({clip(note)})" if note else ""


def errors(status: Status) -> str:
    """What the pool has counted since `zpool clear`: lost data, and errors of its disks."""
    parts = []
    if status.damaged:
        parts.append(f"{status.damaged} data errors; `zpool status -v` lists what is damaged")
    counting = [each for each in status.devices if each.read or each.write or each.checksum]
    parts += [
        f"{clip(each.name)} has {each.read} read, {each.write} write and {each.checksum} checksum errors"
        for each in counting[:_MOST_NAMED]
    ]
    return "; ".join(parts)
