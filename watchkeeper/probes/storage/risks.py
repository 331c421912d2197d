"""Storage that works, and is set up so that a later event breaks it or makes it slow: told before that event.

Swap on a ZFS volume, special and log devices without a second copy, special devices that fill, pools so full or
fragmented that they write slowly, and overcommitted thin pools that nothing extends. Nothing here is a fault yet, so it
is a caution. Not here: what has failed (zfs/pools.py, lvm/volume_groups.py).
"""

from collections.abc import Iterator, Mapping, Sequence
from fnmatch import fnmatchcase
from pathlib import Path
from typing import Literal

from pydantic import Field

from watchkeeper.config.tables.rules import FaultySettings, FullSettings, RulesSettings
from watchkeeper.config.types import Duration
from watchkeeper.errors import PrivilegeMissing, ProbeError, ToolMissing
from watchkeeper.model.observation import Condition, Facts, Observed, SeriesKey, Unseen
from watchkeeper.model.units import format_size
from watchkeeper.probes.base import BaseProbe, ProbeContext
from watchkeeper.probes.storage.lvm.tables import Group, Volume, read_groups, read_volumes
from watchkeeper.probes.storage.zfs import tables as zfs_tables
from watchkeeper.probes.storage.zfs.classes import LIST_DEVICES, QUANTITIES, class_levels, read_classes
from watchkeeper.probes.storage.zfs.faults import why_single
from watchkeeper.probes.storage.zfs.tables import Pool
from watchkeeper.probes.support.sanitize import clip, printable
from watchkeeper.probes.support.tools import RootsideSettings, ask_root, result_of, run_tool

SWAP = SeriesKey("swap", "placement")

ZFS_VOLUMES = ("/dev/zd", "/dev/zvol/")
"""Block devices of ZFS volumes: their kernel names, and the folder of links to them."""

EXTENSION = ("lvmconfig", "--typeconfig", "full", "activation/monitoring", "activation/thin_pool_autoextend_threshold")
"""lvmthin(7), automatically extend thin pool LV: at 100 nothing is extended, and without monitoring neither."""

OFF = 100


class StorageRisksSettings(RootsideSettings):
    """Storage that is set up so that a later event breaks it: reported as a caution. LVM needs the helper."""

    usual_rules = RulesSettings(
        faulty=FaultySettings(priority="caution", failed_priority="caution"),
        full=FullSettings(warning=None, alarm=None),
    )

    kind: Literal["storage-risks"] = "storage-risks"
    every: Duration = Field(3600.0, description="time between runs")
    single_devices: tuple[Literal["special", "dedup", "logs"], ...] = Field(
        (), description="devices of ZFS pools that may be without a second copy"
    )
    fill_limit: float = Field(0.9, gt=0, le=1, description="share of a ZFS pool in use above which it writes slowly")
    fragmentation_limit: float = Field(
        0.7, gt=0, le=1, description="fragmentation of a ZFS pool's free space above which it writes slowly"
    )
    exclude: tuple[str, ...] = Field((), description="ZFS pools and LVM thin pools that are not monitored; globs")


class StorageRisksProbe(BaseProbe):
    """Monitors swap, ZFS pools and thin pools."""

    def __init__(self, settings: StorageRisksSettings, context: ProbeContext, root: Path = Path("/")) -> None:
        """root: the folder that contains /proc and /sys, for tests."""
        self._settings, self._context, self._root = settings, context, root

    async def observe(self) -> Sequence[Observed]:
        """Read the list of swap, and ask ZFS and LVM where they are in use."""
        return [self._swap(), *await self._zfs(), *await self._lvm()]

    def _swap(self) -> Observed:
        try:
            with (self._root / "proc/swaps").open("rb") as file:
                return swap_condition(file.read(64 * 1024).decode("utf-8", "surrogateescape"))
        except OSError as error:
            return Unseen("placement of swap", f"/proc/swaps cannot be read: {error.strerror}")

    async def _zfs(self) -> Sequence[Observed]:
        timeout_s = self._settings.timeout
        if not (self._root / "proc/spl/kstat/zfs").is_dir():
            return ()
        try:
            pools = zfs_tables.read_pools(await run_tool(self._context, zfs_tables.LIST_POOLS, timeout_s))
            statuses = zfs_tables.read_status(await run_tool(self._context, zfs_tables.STATUS, timeout_s))
            has_classes = any(each.role in QUANTITIES for status in statuses for each in status.devices)
            listed = await run_tool(self._context, LIST_DEVICES, timeout_s) if has_classes else ""
        except ProbeError as error:
            return [Unseen("risks of ZFS pools", str(error))]
        devices, classes = {each.pool: each.devices for each in statuses}, read_classes(listed)
        seen: list[Observed] = []
        for pool in pools:
            if not self._left_out(pool.name):
                watched = [
                    each for each in devices.get(pool.name, ()) if each.role not in self._settings.single_devices
                ]
                alone, subject = why_single(watched), f"pool {printable(pool.name)}"
                seen.append(Condition(SeriesKey(subject, "single devices"), not alone, alone))
                seen.append(self._fragmentation(subject, pool))
                seen += class_levels(pool.name, classes)
        return seen

    def _fragmentation(self, subject: str, pool: Pool) -> Condition:
        """How fast ZFS finds free space: it looks longer for it in a pool that is nearly full or fragmented."""
        used = (pool.allocated_bytes or 0) / pool.size_bytes if pool.size_bytes else 0.0
        reasons, facts = [], Facts((("in use", f"{used:.0%}"),))
        if used >= self._settings.fill_limit:
            reasons.append(f"{used:.0%} of it is in use")
        if pool.fragmentation_share is not None:
            facts += (("fragmentation of free space", f"{pool.fragmentation_share:.0%}"),)
            if pool.fragmentation_share >= self._settings.fragmentation_limit:
                reasons.append(f"its free space is {pool.fragmentation_share:.0%} fragmented")
        reason = " and ".join(reasons) + ": ZFS writes more slowly there" if reasons else ""
        return Condition(SeriesKey(subject, "fragmentation"), not reason, reason, facts=facts)

    async def _lvm(self) -> Sequence[Observed]:
        settings, what = self._settings, "risks of thin pools"
        try:
            results = await ask_root(self._context, "lvm", settings.helper, settings.timeout)
            volumes, groups = (result_of(results, tool, settings.timeout) for tool in ("lvs", "vgs"))
            pools = list(self._pools(read_volumes(volumes)))
            extended = read_extension(await run_tool(self._context, EXTENSION, settings.timeout)) if pools else None
        except ToolMissing:
            return ()
        except PrivilegeMissing as error:
            # Without the right to ask, only the kernel's names show whether there is a thin pool.
            return [Unseen(what, str(error))] if any(self._root.glob("sys/block/dm-*/dm/name")) else ()
        except ProbeError as error:
            return [Unseen(what, str(error))]
        free = {each.name: each for each in read_groups(groups)}
        return [extension_condition(pool, promised, extended, free.get(pool.group)) for pool, promised in pools]

    def _pools(self, volumes: Sequence[Volume]) -> Iterator[tuple[Volume, int]]:
        """Each thin pool, with the bytes that are promised to its volumes."""
        for pool in volumes:
            if pool.kind == "t" and not self._left_out(pool.full_name):
                yield pool, sum(v.size_bytes for v in volumes if (v.group, v.pool) == (pool.group, pool.name))

    def _left_out(self, name: str) -> bool:
        return any(fnmatchcase(name, glob) for glob in self._settings.exclude)


def swap_condition(text: str) -> Condition:
    """Whether swap is on a ZFS volume. text: /proc/swaps, one line for each device after a heading: proc(5)."""
    names = [line.split()[0] for line in text.split("\n")[1:] if line.strip()]
    on_zfs = [clip(printable(each)) for each in names if each.startswith(ZFS_VOLUMES)]
    reason = ""
    if on_zfs:
        reason = f"{', '.join(on_zfs)}: ZFS needs memory to write to it, so the host can hang when memory is short"
    return Condition(SWAP, not on_zfs, clip(reason, 300))


def read_extension(text: str) -> Mapping[str, int]:
    """The settings in what lvmconfig prints; one that is missing or no number is left out."""
    rows = (line.partition("=") for line in text.split("\n"))
    return {name.strip(): int(value) for name, _, value in rows if value.isascii() and value.strip().isdecimal()}


def extension_condition(
    pool: Volume, promised: int, extended: Mapping[str, int] | None, group: Group | None
) -> Condition:
    """Whether a pool that promises more than it holds is extended when it fills."""
    key = SeriesKey(f"thin pool {printable(pool.full_name)}", "extension")
    held, size = format_size(pool.size_bytes), format_size(promised)
    facts: Facts = (("allocated to volumes", f"{size} of {held}"),)
    why = _why_not_extended(pool, extended or {}, group) if promised > pool.size_bytes else ""
    reason = f"its volumes may grow to {size}, it holds {held}, and {why}" if why else ""
    return Condition(key, not reason, reason, facts=facts)


def _why_not_extended(pool: Volume, extended: Mapping[str, int], group: Group | None) -> str:
    if extended.get("thin_pool_autoextend_threshold", OFF) >= OFF:
        return "nothing extends it: thin_pool_autoextend_threshold is 100 in lvm.conf"
    if not pool.monitored or extended.get("monitoring") == 0:
        return "nothing extends it: dmeventd does not monitor it"
    if group is not None and group.free_bytes == 0:
        return "it cannot be extended: its volume group has no free space"
    return ""
