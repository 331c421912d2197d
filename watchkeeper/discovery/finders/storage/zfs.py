"""Finds ZFS pools and the sets of snapshots in them, through the probes' own reading of the tools."""

import asyncio
from collections import defaultdict
from collections.abc import Sequence

from watchkeeper.discovery.finders.storage import snapshots
from watchkeeper.discovery.host import Host, unseen
from watchkeeper.discovery.proposal import Found, Key, Proposal, things
from watchkeeper.errors import ProbeError, ToolMissing
from watchkeeper.messages.wording import duration, share
from watchkeeper.model.units import format_size
from watchkeeper.probes.storage.snapshot_ages import Snapshot
from watchkeeper.probes.storage.snapshot_sets import Origin
from watchkeeper.probes.storage.zfs import tables as zfs_tables
from watchkeeper.probes.storage.zfs.tables import Dataset, Pool, Scan, Status
from watchkeeper.probes.support.sanitize import printable
from watchkeeper.probes.support.tools import run_tool

KSTAT = "proc/spl/kstat/zfs"

ALLOCATION_MARGIN = 0.25
"""A limit on allocation is offered this far above the present value: only the next guest exceeds it."""


async def find(host: Host) -> Found:
    """Pools and snapshots. Without the tools there may still be pools: the kernel's folder shows it."""
    try:
        pools = zfs_tables.read_pools(await run_tool(host.bench, zfs_tables.LIST_POOLS, host.timeout_s))
    except ToolMissing as error:
        there = (host.root / KSTAT).is_dir()
        return unseen("ZFS pools", error) if there else Found(absent=("ZFS",))
    except ProbeError as error:
        return unseen("ZFS pools", error)
    if not pools:
        return Found(absent=("ZFS pools",), looked=frozenset({"pool", "snapshots of zfs"}))
    datasets, statuses, taken = await asyncio.gather(_datasets(host), _statuses(host), _snapshots(host))
    return _pools(pools, datasets[0], statuses[0], host) + datasets[1] + statuses[1] + taken


async def _datasets(host: Host) -> tuple[list[Dataset], Found]:
    try:
        text = await run_tool(host.bench, zfs_tables.LIST_DATASETS, host.timeout_s)
        return zfs_tables.read_datasets(text), Found()
    except ProbeError as error:
        return [], unseen("ZFS datasets", error)


async def _statuses(host: Host) -> tuple[list[Status], Found]:
    try:
        return zfs_tables.read_status(await run_tool(host.bench, zfs_tables.STATUS, host.timeout_s)), Found()
    except ProbeError as error:
        return [], unseen("the state of ZFS pools", error)


async def _snapshots(host: Host) -> Found:
    try:
        names, listed = await asyncio.gather(
            *(run_tool(host.bench, argv, host.timeout_s) for argv in (zfs_tables.LIST_NAMES, zfs_tables.LIST_SNAPSHOTS))
        )
        found = zfs_tables.read_snapshots(listed)
    except ProbeError as error:
        return unseen("snapshots of ZFS", error)
    of: dict[str, list[Snapshot]] = defaultdict(list)
    for each in found:
        of[each.dataset].append(Snapshot(each.name, each.made_at, each.used))
    origins = [Origin(name, of.get(name, ())) for name in names.split("\n") if name]
    proposals = snapshots.propose("zfs-snapshots", origins, host.bench.clock.now())
    there = things("snapshots of zfs", (each.name for each in origins))
    return Found(tuple(proposals), there=frozenset(there), looked=frozenset({"snapshots of zfs"}))


def _pools(pools: Sequence[Pool], datasets: Sequence[Dataset], statuses: Sequence[Status], host: Host) -> Found:
    roots = {each.name: each for each in datasets if each.is_root}
    scans = {each.pool: each for each in statuses}
    about = [_about(each, roots.get(each.name), scans.get(each.name), host) for each in pools]
    keys = [
        Key("pools", tuple(each.name for each in pools), "These must be there: one that is not imported is reported."),
        Key(
            "scrub_limit",
            "40d",
            "Debian scrubs every month, at most 35 days apart, plus a margin of 5 days.",
            offered=True,
        ),
    ]
    allocated = {name: sum(d.volsize or 0 for d in datasets if d.pool == name) for name in roots}
    most = max((allocated[name] / (root.used + root.available or 1) for name, root in roots.items()), default=0.0)
    if most > 0:
        limit = max(round(most * (1 + ALLOCATION_MARGIN), 1), 1.0)
        why = f"Volumes are now allocated {share(most)} of a pool's capacity; this is 25 % more, at least 100 %."
        keys.append(Key("overcommit_limit", limit, why, offered=True))
    there = things("pool", (each.name for each in pools))
    proposal = Proposal("zfs", tuple(keys), tuple(about), things=there)
    return Found((proposal,), there=frozenset(there), looked=frozenset({"pool"}))


def _about(pool: Pool, root: Dataset | None, status: Status | None, host: Host) -> str:
    said = f"Pool {printable(pool.name)}: {printable(pool.health)}"
    if root is not None and root.used + root.available > 0:
        capacity = root.used + root.available
        said += f", {format_size(root.used)} of {format_size(capacity)} used ({share(root.used / capacity)})"
    if status is not None and status.scan is Scan.SCRUBBED and status.scan_at is not None:
        age_s = (host.bench.clock.now() - status.scan_at).total_seconds()
        return f"{said}; scrubbed {duration(max(age_s, 0))} ago."
    return f"{said}; no finished scrub is known." if status is not None else f"{said}."
