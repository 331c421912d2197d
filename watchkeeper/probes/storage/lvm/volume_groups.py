"""LVM: data and metadata of thin pools, their overcommit, free space of volume groups, faulty volumes.

A thin pool runs out in two ways, of data and of metadata, and the file systems in it see neither. Everything here needs
root and comes from the helper. The tools' output is parsed in tables.py; snapshot ages are in snapshots.py.
"""

from collections.abc import Iterable, Mapping, Sequence
from fnmatch import fnmatchcase
from typing import Literal

from pydantic import Field

from watchkeeper.config.types import Duration, Size
from watchkeeper.model.observation import Condition, Facts, Level, Observation, SeriesKey, Unit
from watchkeeper.model.units import format_size
from watchkeeper.probes.base import BaseProbe, ProbeContext
from watchkeeper.probes.storage.lvm.tables import (
    Group,
    ThinStatus,
    Volume,
    mapper_name,
    read_groups,
    read_volumes,
)
from watchkeeper.probes.storage.lvm.thin_status import thin_status
from watchkeeper.probes.storage.overcommit import overcommitted
from watchkeeper.probes.support.sanitize import clip, printable
from watchkeeper.probes.support.tools import RootsideSettings, ask_root, result_of

PARTS_EVERY_S = 600.0
"""Each thin volume's own size is recorded this often: growth is examined over hours."""

_NO_DATA = "no data space is left: writes wait for up to a minute and then fail; enlarge it"
_READ_ONLY = "it is read-only: its metadata is full or failed; see lvmthin(7) on repair"
_FAILED = "it has failed and cannot be read or written; see lvmthin(7) on repair"
_STANDS = {"out_of_data_space": _NO_DATA, "ro": _READ_ONLY, "Fail": _FAILED, "Error": _FAILED}
HARMLESS = frozenset({"", "reshaping", "writemostly"})
"""Values of lv_health_status (lvs(8)) that are by design, or work in progress."""

_HEALTH = {"out_of_data": _NO_DATA, "metadata_read_only": _READ_ONLY, "failed": _FAILED}


class LvmSettings(RootsideSettings):
    """LVM: thin pools (data, metadata, allocation), volume groups, faulty volumes. Needs the helper."""

    kind: Literal["lvm"] = "lvm"
    every: Duration = Field(60.0, description="time between runs")
    exclude: tuple[str, ...] = Field(
        (), description="volume groups and volumes that are not monitored; globs such as old or vg0/tmp*"
    )
    overcommit_limit: float | None = Field(
        None, gt=0, description="maximum size of all volumes of a thin pool, as a multiple of the pool (1.5: 150 %)"
    )
    group_free: Size | None = Field(None, description="a volume group with less free space is faulty")


class LvmProbe(BaseProbe):
    """Monitors every volume group."""

    def __init__(self, settings: LvmSettings, bench: ProbeContext) -> None:
        self._settings = settings
        self._bench = bench
        self._parts_due_s = float("-inf")

    async def observe(self) -> Sequence[Observation]:
        """Ask the helper once for everything. Raises ProbeError if LVM cannot be queried."""
        settings = self._settings
        results = await ask_root(self._bench, "lvm", settings.helper, settings.timeout)
        volumes_text, groups_text = (result_of(results, tool, settings.timeout) for tool in ("lvs", "vgs"))
        volumes = [each for each in read_volumes(volumes_text) if not self._left_out(each.group, each.full_name)]
        groups = [each for each in read_groups(groups_text) if not self._left_out(each.name)]
        statuses = thin_status(volumes, results, settings.timeout)
        seen: list[Observation] = []
        for group in groups:
            seen += self._group(group)
        for volume in volumes:
            if volume.kind == "t":
                status = statuses.get(mapper_name(volume.group, volume.name))
                seen += self._pool(volume, [v for v in volumes if _is_in(v, volume)], status)
        return [*seen, *_snapshot_spaces(volumes), *_faults(volumes), *self._parts(volumes)]

    def _left_out(self, *names: str) -> bool:
        return any(fnmatchcase(name, glob) for name in names for glob in self._settings.exclude)

    def _group(self, group: Group) -> list[Observation]:
        subject = f"volume group {printable(group.name)}"
        facts: Facts = (("free", format_size(group.free_bytes)),)
        seen: list[Observation] = []
        if group.size_bytes > 0:
            used = group.size_bytes - group.free_bytes
            # Most groups are fully allocated to their volumes on purpose: this is recorded, but it does not run out.
            seen.append(Level(SeriesKey(subject, "space"), used, group.size_bytes, facts=facts, not_judged=True))
        missing = f"{group.missing} of its disks are missing" if group.missing else ""
        seen.append(Condition(SeriesKey(subject, "health"), not missing, missing, grave=bool(missing)))
        least = self._settings.group_free
        if least is not None:
            short = group.free_bytes < least
            reason = f"{format_size(group.free_bytes)} are free, limit {format_size(least)}" if short else ""
            seen.append(Condition(SeriesKey(subject, "free space"), not reason, reason))
        return seen

    def _pool(self, pool: Volume, inside: Sequence[Volume], status: ThinStatus | None) -> list[Observation]:
        subject = _subject(pool)
        promised = sum(each.size_bytes for each in inside)
        facts = _pool_facts(pool, inside, promised)
        seen: list[Observation] = [
            *_level(subject, "data", _used(pool.size_bytes, _data(status), pool.data_share), pool.size_bytes, facts),
        ]
        metadata = pool.metadata_size_bytes
        if metadata:
            used = _used(metadata, _metadata(status), pool.metadata_share)
            seen += _level(subject, "metadata", used, metadata, facts)
        reason = _pool_trouble(pool, status)
        seen.append(Condition(SeriesKey(subject, "health"), not reason, reason, grave=bool(reason), facts=facts))
        if (limit := self._settings.overcommit_limit) is not None:
            over = overcommitted(promised, pool.size_bytes, limit)
            seen.append(Condition(SeriesKey(subject, "allocation"), not over, over, facts=facts))
        return seen

    def _parts(self, volumes: Sequence[Volume]) -> list[Observation]:
        now_s = self._bench.clock.monotonic_s()
        if now_s < self._parts_due_s:
            return []
        self._parts_due_s = now_s + PARTS_EVERY_S
        pools = {each.full_name: each for each in volumes if each.kind == "t" and each.size_bytes > 0}
        return [
            Level(
                SeriesKey(f"volume {printable(each.full_name)}", "own data"),
                each.data_share * each.size_bytes,
                pool.size_bytes,
                part_of=SeriesKey(_subject(pool), "data"),
            )
            for each in volumes
            if each.data_share is not None and (pool := pools.get(f"{each.group}/{each.pool}"))
        ]


def _subject(pool: Volume) -> str:
    return f"thin pool {printable(pool.full_name)}"


def _is_in(volume: Volume, pool: Volume) -> bool:
    return volume.group == pool.group and volume.pool == pool.name


def _data(status: ThinStatus | None) -> tuple[int, int]:
    return (status.data_used, status.data_total) if status else (0, 0)


def _metadata(status: ThinStatus | None) -> tuple[int, int]:
    return (status.metadata_used, status.metadata_total) if status else (0, 0)


def _used(size_bytes: int, blocks: tuple[int, int], share: float | None) -> float | None:
    """Bytes in use: by the kernel's count of blocks, or by lvs if that is not available."""
    used, total = blocks
    if total:
        return size_bytes * used / total
    return None if share is None else size_bytes * share


def _level(subject: str, quantity: str, used: float | None, capacity: int, facts: Facts) -> list[Observation]:
    """The level; empty if the pool is not active: then nothing can be written to it either."""
    if used is None or capacity <= 0:
        return []
    return [Level(SeriesKey(subject, quantity), used, capacity, Unit.BYTES, facts)]


def _pool_facts(pool: Volume, inside: Sequence[Volume], promised: int) -> Facts:
    kind = "1 volume" if len(inside) == 1 else f"{len(inside)} volumes"
    facts: Facts = (("allocated", f"{format_size(promised)} to {kind}, of {format_size(pool.size_bytes)}"),)
    if pool.when_full:
        facts += (("when full", "writes wait" if pool.when_full == "queue" else "writes fail at once"),)
    return facts if pool.monitored else (*facts, ("automatic extension", "off: dmeventd does not monitor it"))


def _pool_trouble(pool: Volume, status: ThinStatus | None) -> str:
    if status is not None and status.mode in _STANDS:
        return _STANDS[status.mode]
    if status is not None and status.needs_check:
        return "its metadata needs a check; see lvmthin(7) on repair"
    return _HEALTH.get(pool.health, _odd(pool))


def _odd(volume: Volume) -> str:
    """What lvs reports about a volume's health; empty if it is not a fault."""
    return "" if volume.health in HARMLESS else f"lvs reports: {clip(volume.health)}"


def _snapshot_spaces(volumes: Iterable[Volume]) -> list[Observation]:
    """Snapshots with their own space, which are lost when that is full (cached and thin ones have none)."""
    return [
        Level(
            SeriesKey(f"snapshot {printable(each.full_name)}", "space"),
            each.data_share * each.size_bytes,
            each.size_bytes,
        )
        for each in volumes
        if each.kind in "sS" and each.kind and each.data_share is not None and each.size_bytes > 0
    ]


def _faults(volumes: Iterable[Volume]) -> list[Observation]:
    """One condition for each group: volumes that lvs reports as unhealthy. Thin pools have their own condition."""
    by_group: Mapping[str, list[str]] = {each.group: [] for each in volumes}
    for each in volumes:
        if each.health not in HARMLESS and each.kind != "t":
            by_group[each.group].append(f"{clip(each.name)}: {clip(each.health)}")
    return [
        Condition(SeriesKey(f"volume group {printable(group)}", "volumes"), not found, "; ".join(found[:5]))
        for group, found in by_group.items()
    ]
