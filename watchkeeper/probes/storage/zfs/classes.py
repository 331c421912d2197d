"""How full each class of a pool's devices is: special, dedup, log and cache devices. Pure.

zpoolconcepts(7), special allocation class: when a special device is full, new metadata goes to the devices of the data,
which are slower; nothing fails. zfs(4), zfs_special_class_metadata_reserve_pct: small blocks of files go there from
75 % on. A log device holds the writes of some seconds, and a cache device is full by design: these two are recorded
and not judged. Not here: running zpool (storage/risks.py), whether the devices work (faults.py).
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from watchkeeper.model.observation import Facts, Level, SeriesKey, Unit
from watchkeeper.probes.support.sanitize import clip, printable

LIST_DEVICES = ("zpool", "list", "-Hpv")
"""The columns of a device are fixed, whatever -o says: name, size, allocated, and more that differ by version."""

QUANTITIES = {"special": "special devices", "dedup": "dedup devices", "logs": "log devices", "cache": "cache devices"}
"""What zpool prints above the devices of a class, in `zpool list -v` and in `zpool status`."""

JUDGED = frozenset({"special", "dedup"})

SMALL_BLOCKS_SHARE = 0.75
DEVICES_LIMIT = 64


@dataclass(frozen=True, slots=True)
class ClassDevice:
    """One device of a class, with what it holds. In bytes."""

    pool: str
    role: str
    name: str
    size: int
    allocated: int


def read_classes(text: str) -> list[ClassDevice]:
    """The devices of all classes in `zpool list -Hpv`. Lines of another form are left out."""
    return [each for each in _devices(text) if each.role in QUANTITIES]


def _devices(text: str) -> Iterator[ClassDevice]:
    """A pool's line begins with its name, a device's with a tab; the heading of a class has no tab at all."""
    pool = role = ""
    for line in text.split("\n"):
        if "\t" not in line:
            role = line.partition(" ")[0]
            continue
        name, *numbers = line.removeprefix("\t").split("\t")
        if not line.startswith("\t"):
            pool, role = name, ""
        # The disks of a mirror have no figure of their own: theirs are the mirror's.
        elif len(numbers) >= 2 and all(each.isascii() and each.isdecimal() for each in numbers[:2]):
            yield ClassDevice(pool, role, name, int(numbers[0]), int(numbers[1]))


def class_levels(pool: str, devices: Sequence[ClassDevice]) -> Iterator[Level]:
    """A level for each class that a pool has: the sum of its devices."""
    for role, quantity in QUANTITIES.items():
        mine = [each for each in devices if (each.pool, each.role) == (pool, role)][:DEVICES_LIMIT]
        size, allocated = sum(each.size for each in mine), sum(each.allocated for each in mine)
        if size:
            key = SeriesKey(f"pool {printable(pool)}", quantity)
            facts = _facts(role, mine, allocated / size)
            yield Level(key, allocated, size, Unit.BYTES, facts, not_judged=role not in JUDGED)


def _facts(role: str, devices: Sequence[ClassDevice], share: float) -> Facts:
    facts: Facts = ()
    if len(devices) > 1:
        facts = tuple((clip(each.name, 60), f"{each.allocated / each.size:.0%}") for each in devices if each.size)
    if role == "special" and share >= SMALL_BLOCKS_SHARE:
        facts += (("small blocks of files", "go to the devices of the data from 75 % on"),)
    return facts
