"""Reads LVM's thin pools for planning, through the privileged helper: their volumes' sizes and data, and snapshots."""

from functools import partial

from watchkeeper.inventory.scan_context import TIMEOUT_S, Part, ScanContext, StorageBelow
from watchkeeper.model.observation import SeriesKey
from watchkeeper.planning.host_state import Snapshot, StoreKind, StoreNow, Volume
from watchkeeper.probes.storage.lvm import tables as lvm_tables
from watchkeeper.probes.storage.lvm.devices import mapped as find_mapped
from watchkeeper.probes.storage.lvm.devices import volume_at
from watchkeeper.probes.storage.lvm.snapshots import origins
from watchkeeper.probes.storage.lvm.tables import ThinStatus, mapper_name
from watchkeeper.probes.storage.lvm.thin_status import thin_status
from watchkeeper.probes.support.sanitize import printable
from watchkeeper.probes.support.tools import ask_root, result_of

ROOT_TIMEOUT_S = 60.0
"""The same as the probe of LVM waits for the privileged helper."""


async def see(scene: ScanContext) -> Part:
    """Every thin pool. Raises ProbeError if LVM cannot be read."""
    results = await ask_root(scene.bench, "lvm", scene.helper, ROOT_TIMEOUT_S)
    volumes = lvm_tables.read_volumes(result_of(results, "lvs", ROOT_TIMEOUT_S))
    statuses = thin_status(volumes, results, ROOT_TIMEOUT_S)
    taken = {each.name: each.snapshots for each in origins(volumes)}
    pools: list[StoreNow] = []
    in_pool: dict[str, str] = {}
    for pool in volumes:
        if pool.kind == "t" and pool.size_bytes > 0:
            inside = [each for each in volumes if each.group == pool.group and each.pool == pool.name]
            own = [each for each in inside if each.full_name in taken]
            in_pool |= {each.full_name: subject(pool) for each in inside}
            status = statuses.get(mapper_name(pool.group, pool.name))
            pools.append(
                StoreNow(
                    SeriesKey(subject(pool), "data"),
                    StoreKind.THIN,
                    used_bytes(pool, status),
                    pool.size_bytes,
                    tuple(_volume(each) for each in own),
                    tuple(Snapshot(v.full_name, s.name, s.made_at) for v in own for s in taken[v.full_name]),
                )
            )
    names = [each.full_name for each in volumes]
    mapped = await scene.bench.workers.call("mapped devices", partial(find_mapped, scene.sys, names), TIMEOUT_S)
    return Part(tuple(pools), placing=(partial(of_device, mapped, in_pool),))


def subject(pool: lvm_tables.Volume) -> str:
    """The name that the probe of LVM gives a pool."""
    return f"thin pool {printable(pool.full_name)}"


def used_bytes(pool: lvm_tables.Volume, status: ThinStatus | None) -> int:
    """By the kernel's count of blocks, or by lvs if that is not available."""
    if status is not None and status.data_total:
        return pool.size_bytes * status.data_used // status.data_total
    return round(pool.size_bytes * (pool.data_share or 0.0))


def _volume(volume: lvm_tables.Volume) -> Volume:
    held = None if volume.data_share is None else round(volume.size_bytes * volume.data_share)
    return Volume(volume.full_name, volume.size_bytes, held)


def of_device(mapped: dict[str, str], in_pool: dict[str, str], path: str) -> StorageBelow | None:
    """What holds a thin volume's device, given any of its paths."""
    if not path.startswith("/dev/"):
        return None
    name = volume_at(mapped, path)
    return StorageBelow(in_pool[name], name) if name in in_pool else None
