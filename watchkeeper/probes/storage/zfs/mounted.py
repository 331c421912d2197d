"""Whether the datasets of a pool are mounted, and the keys of encrypted ones are loaded. Pure.

After a restart a dataset whose key was not loaded, or whose mount point was not empty, is simply not there.
zfsprops(7): mounted, canmount, mountpoint, keystatus. Not here: running `zfs` (pools.py).
"""

from collections.abc import Iterable, Mapping, Sequence

from watchkeeper.model.observation import Condition, SeriesKey
from watchkeeper.probes.support.sanitize import clip, printable

PROPERTIES = "mounted,canmount,mountpoint,keystatus"
LIST_MOUNTED = ("zfs", "get", "-Hp", "-t", "filesystem,volume", "-o", "name,property,value", PROPERTIES)

BY_HAND = frozenset({"none", "legacy", "-"})
"""Values of mountpoint of a dataset that ZFS does not mount by itself."""

NAMED_LIMIT = 5


def read_mounted(text: str) -> list[tuple[str, Mapping[str, str]]]:
    """Each dataset with these properties. Lines of another form are left out."""
    found: dict[str, dict[str, str]] = {}
    for line in text.split("\n"):
        fields = line.split("\t")
        if len(fields) == 3 and fields[0]:
            found.setdefault(fields[0], {})[fields[1]] = fields[2]
    return list(found.items())


def mounted_conditions(datasets: Iterable[tuple[str, Mapping[str, str]]], pools: Sequence[str]) -> list[Condition]:
    """One condition for each pool: every dataset that ZFS mounts by itself is mounted, and every key is loaded."""
    absent: dict[str, list[str]] = {pool: [] for pool in pools}
    locked: dict[str, list[str]] = {pool: [] for pool in pools}
    for name, each in datasets:
        pool = name.partition("/")[0]
        if pool not in absent:
            continue
        if each.get("keystatus") == "unavailable":
            locked[pool].append(name)
        elif each.get("canmount") == "on" and each.get("mounted") == "no" and each.get("mountpoint") not in BY_HAND:
            absent[pool].append(name)
    return [_condition(pool, absent[pool], locked[pool]) for pool in pools]


def _condition(pool: str, absent: Sequence[str], locked: Sequence[str]) -> Condition:
    parts = [f"not mounted: {_named(absent)}"] if absent else []
    parts += [f"key not loaded: {_named(locked)}"] if locked else []
    reason = "; ".join(parts)
    return Condition(SeriesKey(f"pool {printable(pool)}", "mounted datasets"), not reason, reason)


def _named(names: Sequence[str]) -> str:
    more = f" and {len(names) - NAMED_LIMIT} more" if len(names) > NAMED_LIMIT else ""
    return clip(", ".join(printable(each) for each in names[:NAMED_LIMIT]), 150) + more
