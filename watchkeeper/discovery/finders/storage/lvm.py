"""Finds volume groups, thin pools and snapshots of volumes.

Only root may query LVM; the kernel shows to any user that LVM is in use.
"""

from collections.abc import Sequence

from watchkeeper.discovery.finders.storage import snapshots
from watchkeeper.discovery.host import Host, unseen
from watchkeeper.discovery.proposal import Found, Key, Proposal, things
from watchkeeper.errors import ProbeError, ToolMissing
from watchkeeper.messages.wording import share
from watchkeeper.model.units import format_size
from watchkeeper.probes.storage.lvm.snapshots import origins
from watchkeeper.probes.storage.lvm.tables import Group, Volume, read_groups, read_volumes
from watchkeeper.probes.support.sanitize import printable
from watchkeeper.probes.support.tools import ask_root, result_of

ALLOCATION_MARGIN = 0.25
"""As for ZFS: the limit is exceeded by the next guest, not by the existing ones."""


async def find(host: Host) -> Found:
    """Query the privileged helper once for all of LVM."""
    try:
        results = await ask_root(host.bench, "lvm", host.helper, host.timeout_s)
        volumes = read_volumes(result_of(results, "lvs", host.timeout_s))
        groups = read_groups(result_of(results, "vgs", host.timeout_s))
    except ProbeError as error:
        mapped = _mapped(host)
        if not mapped:
            return Found(absent=("LVM",)) if _says_nothing(error) else _blind(error, mapped)
        return _blind(error, mapped)
    looked = frozenset({"volume group", "snapshots of lvm"})
    if not groups:
        return Found(absent=("LVM volume groups",), looked=looked)
    listed = origins(volumes)
    sets = snapshots.propose("lvm-snapshots", listed, host.bench.clock.now())
    there = {*things("volume group", (g.name for g in groups)), *things("snapshots of lvm", (o.name for o in listed))}
    return Found((_proposal(groups, volumes), *sets), there=frozenset(there), looked=looked)


def _mapped(host: Host) -> list[str]:
    """Logical volumes in use, by their device mapper names; any user may read those."""
    found = []
    for path in sorted((host.root / "sys/block").glob("dm-*/dm")):
        try:
            if (path / "uuid").read_text("utf-8", "replace").startswith("LVM-"):
                found.append((path / "name").read_text("utf-8", "replace").strip())
        except OSError:
            continue
    return found


def _says_nothing(error: ProbeError) -> bool:
    """Whether there is no LVM, or the privilege to query it is missing. Called if no volume is in use."""
    return isinstance(error, ToolMissing) or "needs root" in str(error)


def _blind(error: ProbeError, mapped: Sequence[str]) -> Found:
    named = f" {len(mapped)} of its volumes are active." if mapped else ""
    about = (f"LVM is in use but could not be examined.{named} With the privilege, this probe monitors all of it.",)
    return unseen("LVM (thin pools, volume groups, snapshots of volumes)", error) + Found(
        (Proposal("lvm", about=about, offered=True),)
    )


def _proposal(groups: Sequence[Group], volumes: Sequence[Volume]) -> Proposal:
    pools = [each for each in volumes if each.kind == "t" and each.size_bytes > 0]
    allocations = {pool.full_name: _allocated(pool, volumes) / pool.size_bytes for pool in pools}
    about = [_group(each) for each in groups] + [_pool(each, allocations[each.full_name]) for each in pools]
    keys: tuple[Key, ...] = ()
    if allocations:
        most = max(allocations.values())
        why = f"Thin volumes are now allocated up to {share(most)} of their pool; this is 25 % more, at least 100 %."
        keys = (Key("overcommit_limit", max(round(most * (1 + ALLOCATION_MARGIN), 1), 1.0), why, offered=True),)
    return Proposal("lvm", keys, tuple(about))


def _allocated(pool: Volume, volumes: Sequence[Volume]) -> int:
    return sum(each.size_bytes for each in volumes if (each.group, each.pool) == (pool.group, pool.name))


def _group(group: Group) -> str:
    free = f"{format_size(group.free_bytes)} of {format_size(group.size_bytes)}"
    return f"Volume group {printable(group.name)}: {free} free."


def _pool(pool: Volume, allocated: float) -> str:
    parts = [
        f"{share(part)} of its {word} used"
        for word, part in (("data", pool.data_share), ("metadata", pool.metadata_share))
        if part is not None
    ]
    used = ", ".join(parts) or "not active"
    grows = "" if pool.monitored else "; it is not extended automatically"
    return f"Thin pool {printable(pool.full_name)}: {used}; {share(allocated)} of it allocated{grows}."
