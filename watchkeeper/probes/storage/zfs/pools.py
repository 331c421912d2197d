"""ZFS: how much space writers have left in each pool and quota, what uses it, the pools' health, their last scrub.

The capacity that `zpool` shows does not say when writes fail: used / (used + available) of the pool's root dataset
does. It accounts for the space that ZFS holds back, reservations and the parity of a raidz. The tools' output is parsed
in tables.py.
"""

import asyncio
from collections.abc import Callable, Iterable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from fnmatch import fnmatchcase
from pathlib import Path
from typing import Literal, TypeVar

from pydantic import Field

from watchkeeper.config.types import Duration, Limit, ProbeSettings
from watchkeeper.errors import ProbeError
from watchkeeper.model.observation import (
    Condition,
    Deadline,
    Facts,
    Level,
    Observation,
    Observed,
    SeriesKey,
    Unit,
    Unseen,
)
from watchkeeper.model.units import DAY_S, format_size
from watchkeeper.probes.base import BaseProbe, ProbeContext
from watchkeeper.probes.storage.overcommit import overcommitted
from watchkeeper.probes.storage.zfs import tables as zfs_tables
from watchkeeper.probes.storage.zfs.faults import errors, why, why_auxiliary
from watchkeeper.probes.storage.zfs.mounted import LIST_MOUNTED, mounted_conditions, read_mounted
from watchkeeper.probes.storage.zfs.tables import Dataset, Pool, Scan, Status
from watchkeeper.probes.support.sanitize import clip, printable
from watchkeeper.probes.support.state import ProbeState, StateModel
from watchkeeper.probes.support.tools import run_tool, sight

T = TypeVar("T")

KSTAT = Path("/proc/spl/kstat/zfs")
"""Contains a folder for each imported pool, with its state. It can be read even if `zfs list` prints nothing."""

PARTS_EVERY_S = 600.0
"""Each dataset's own size is recorded this often: growth is examined over hours, and there may be hundreds of them."""


class ZfsSettings(ProbeSettings):
    """ZFS pools: space, quotas, health, errors, the last scrub."""

    kind: Literal["zfs"] = "zfs"
    every: Duration = Field(60.0, description="time between runs")
    timeout: Duration = Field(20.0, description="time after which ZFS is reported as not answering")
    pools: tuple[str, ...] = Field((), description="pools that must be there; others that are found are monitored too")
    exclude: tuple[str, ...] = Field(
        (), description="pools and datasets that are not monitored; globs such as skerry/tmp*"
    )
    scrub_limit: Limit = Field(40 * DAY_S, description='maximum time from one scrub to the next, or "never"')
    overcommit_limit: float | None = Field(
        None, gt=0, description="maximum size of all volumes of a pool, as a multiple of its capacity (1.5: 150 %)"
    )


class Scrubs(StateModel):
    """What is kept across restarts, by pool, in seconds since 1970: its last scrub, which the tools no longer show
    after a resilver, and its creation (or when it was first seen).
    """

    last_s: dict[str, float] = Field(default_factory=dict)
    since_s: dict[str, float] = Field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class _Look:
    """The result of one run: what each tool reported (None if it failed), and each pool's state from the kernel."""

    states: Mapping[str, str]
    pools: Mapping[str, Pool] | None
    datasets: Sequence[Dataset] | None
    statuses: Mapping[str, Status] | None
    troubles: Sequence[ProbeError] = field(default_factory=list)

    def names(self) -> set[str]:
        return {*self.states, *(self.pools or ())}

    def state(self, name: str) -> str:
        """The tool's report is preferred: for a pool that has lost a disk the kernel still says ONLINE."""
        return self.pools[name].health if self.pools and name in self.pools else self.states[name]


class ZfsProbe(BaseProbe):
    """Monitors every imported pool."""

    def __init__(self, settings: ZfsSettings, bench: ProbeContext, kstat: Path = KSTAT) -> None:
        self._settings = settings
        self._bench = bench
        self._kstat = kstat
        self._state = ProbeState(bench.probe_states, settings.label, Scrubs())
        self._missed: set[str] = set()
        self._parts_due_s = self._mounted_due_s = float("-inf")
        self._mounted: Sequence[Observed] = ()

    async def observe(self) -> Sequence[Observed]:
        """Run every tool once. Raises the first error if no pool can be seen at all."""
        look = await self._look()
        if not look.names() and not self._settings.pools:
            raise (
                look.troubles[0]
                if look.troubles
                else ProbeError("no pool is imported; import it, or remove this probe")
            )
        watched = sorted(name for name in look.names() if not self._left_out(name))
        seen: list[Observed] = [sight(self._settings.label, look.troubles)]
        for name in watched:
            seen += self._health(look, name)
        seen += self._absent(watched)
        seen += self._space(look)
        seen += await self._scrubs(look, watched)
        seen += await self._mounted_datasets(watched)
        return seen

    async def _look(self) -> _Look:
        troubles: list[ProbeError] = []
        pools, datasets, statuses = await asyncio.gather(
            self._ask(zfs_tables.LIST_POOLS, zfs_tables.read_pools, troubles),
            self._ask(zfs_tables.LIST_DATASETS, zfs_tables.read_datasets, troubles),
            self._ask(zfs_tables.STATUS, zfs_tables.read_status, troubles),
        )
        return _Look(
            self._states(),
            None if pools is None else {each.name: each for each in pools},
            datasets,
            None if statuses is None else {each.pool: each for each in statuses},
            troubles,
        )

    async def _ask(
        self, argv: Sequence[str], read: Callable[[str], list[T]], troubles: list[ProbeError]
    ) -> list[T] | None:
        """A tool's output as records; None if it failed, with the reason added to `troubles`."""
        try:
            return read(await run_tool(self._bench, argv, self._settings.timeout))
        except ProbeError as error:
            troubles.append(error)
            return None

    def _states(self) -> dict[str, str]:
        """Each imported pool's state according to the kernel module."""
        found = {}
        for path in self._kstat.glob("*/state"):
            # A pool that was just exported is skipped. If there is no such module, the tools report it.
            with suppress(OSError), path.open("rb") as file:
                found[path.parent.name] = file.read(100).decode("ascii", "replace").strip()
        return found

    def _left_out(self, name: str) -> bool:
        return any(fnmatchcase(name, glob) for glob in self._settings.exclude)

    def _health(self, look: _Look, name: str) -> list[Observation]:
        state = look.state(name)
        status = (look.statuses or {}).get(name)
        subject = _subject(name)
        reason = "" if state == "ONLINE" else why(state, status.devices if status else ())
        facts: Facts = (("last scan", status.scan_line),) if status and status.scan_line else ()
        grave = state not in {"ONLINE", "DEGRADED"}
        seen: list[Observation] = [Condition(SeriesKey(subject, "health"), not reason, reason, grave, facts)]
        if status is not None:
            counted = errors(status)
            seen.append(Condition(SeriesKey(subject, "errors"), not counted, counted))
            auxiliary = why_auxiliary(status.devices)
            seen.append(Condition(SeriesKey(subject, "auxiliary devices"), not auxiliary, auxiliary))
        return seen

    def _absent(self, watched: Sequence[str]) -> list[Observation]:
        """Report missing pools: those that must be there, and those that were there before."""
        named = [name for name in self._settings.pools if name not in watched]
        gone = [name for name in sorted(self._missed - {*watched, *named}) if not self._left_out(name)]
        self._missed |= set(watched)
        return [
            *(_not_there(name, "not imported; `zpool import` shows why", grave=True) for name in named),
            *(_not_there(name, "not imported any more; if that is normal, list it under exclude") for name in gone),
        ]

    def _space(self, look: _Look) -> list[Observation]:
        datasets = [each for each in look.datasets or () if not self._left_out(each.name)]
        roots = {each.name: each for each in datasets if each.is_root and each.used + each.available > 0}
        seen: list[Observation] = []
        for name, root in roots.items():
            inside = [each for each in datasets if each.pool == name]
            seen += self._pool_space(root, inside, (look.pools or {}).get(name))
        for each in datasets:
            seen += _quotas(each)
        return [*seen, *self._parts(datasets, roots)]

    def _pool_space(self, root: Dataset, inside: Sequence[Dataset], pool: Pool | None) -> list[Observation]:
        capacity = root.used + root.available
        promised = _promised(inside)
        key = SeriesKey(_subject(root.name), "space")
        facts = _space_facts(inside, pool, promised, capacity)
        seen: list[Observation] = [Level(key, root.used, capacity, Unit.BYTES, facts)]
        limit = self._settings.overcommit_limit
        if limit is not None:
            reason = overcommitted(promised, capacity, limit)
            seen.append(Condition(SeriesKey(key.subject, "allocation"), not reason, reason, facts=facts))
        return seen

    def _parts(self, datasets: Sequence[Dataset], roots: Mapping[str, Dataset]) -> list[Observation]:
        now_s = self._bench.clock.monotonic_s()
        if now_s < self._parts_due_s or not roots:
            return []
        self._parts_due_s = now_s + PARTS_EVERY_S
        return [
            Level(
                SeriesKey(f"dataset {printable(each.name)}", quantity), used, root.used + root.available, part_of=whole
            )
            for each in datasets
            if (root := roots.get(each.pool))
            for whole in [SeriesKey(_subject(root.name), "space")]
            for quantity, used in (("own data", each.own + each.reserved), ("held by snapshots", each.snapshots))
        ]

    async def _mounted_datasets(self, watched: Sequence[str]) -> Sequence[Observed]:
        """Whether datasets are mounted, asked every ten minutes; in between, what was seen then."""
        now_s = self._bench.clock.monotonic_s()
        if now_s < self._mounted_due_s:
            return self._mounted
        try:
            found = read_mounted(await run_tool(self._bench, LIST_MOUNTED, self._settings.timeout))
        except ProbeError as error:
            return [Unseen(f"mounted datasets of {_subject(name)}", str(error)) for name in watched]
        kept = [each for each in found if not self._left_out(each[0])]
        self._mounted, self._mounted_due_s = mounted_conditions(kept, watched), now_s + PARTS_EVERY_S
        return self._mounted

    async def _scrubs(self, look: _Look, watched: Sequence[str]) -> list[Observation]:
        period_s = self._settings.scrub_limit
        if period_s is None or look.statuses is None:
            return []
        statuses = [status for name in watched if (status := look.statuses.get(name))]
        known = await self._remember(look, statuses)
        return [_scrub(status, known, period_s) for status in statuses]

    async def _remember(self, look: _Look, statuses: Sequence[Status]) -> Scrubs:
        """Store each pool's last scrub, and since when one is due: a suspended pool does not report its creation."""
        known, now_s = await self._state.read(), self._bench.clock.now().timestamp()
        since_s = {name: at_s for name, at_s in known.since_s.items() if name in look.names()}
        last_s = {name: at_s for name, at_s in known.last_s.items() if name in look.names()}
        since_s |= {each.name: each.created_at.timestamp() for each in look.datasets or () if each.is_root}
        for status in statuses:
            since_s.setdefault(status.pool, now_s)
            if status.scan in {Scan.SCRUBBED, Scan.SCRUBBING} and status.scan_at is not None:
                last_s[status.pool] = min(status.scan_at.timestamp(), now_s)
            elif status.scan is Scan.NONE:
                last_s.pop(status.pool, None)  # Another pool with the name of an earlier one.
        page = Scrubs(last_s=last_s, since_s=since_s)
        await self._state.write(page)
        return page


def _subject(pool: str) -> str:
    return f"pool {printable(pool)}"


def _not_there(name: str, reason: str, *, grave: bool = False) -> Condition:
    return Condition(SeriesKey(_subject(name), "health"), ok=False, reason=reason, grave=grave)


def _promised(datasets: Iterable[Dataset]) -> int:
    return sum(each.volsize for each in datasets if each.volsize is not None)


def _space_facts(inside: Sequence[Dataset], pool: Pool | None, promised: int, capacity: int) -> Facts:
    held = sum(each.snapshots for each in inside)
    facts: Facts = (("held by snapshots", format_size(held)),)
    most = max(inside, key=lambda each: each.snapshots)
    if most.snapshots:
        facts += (("most of that", f"{clip(most.name)} ({format_size(most.snapshots)})"),)
    if reserved := sum(each.reserved for each in inside):
        facts += (("reserved, not written", format_size(reserved)),)
    if promised:
        facts += (("allocated to volumes", f"{format_size(promised)} of {format_size(capacity)}"),)
    if pool is not None and pool.fragmentation_share is not None:
        facts += (("fragmentation", f"{pool.fragmentation_share:.0%}"),)
    return facts


def _quotas(dataset: Dataset) -> list[Observation]:
    """Each quota as its own level, without the pool's limit: a pool that fills is reported once, by the pool."""
    subject = f"dataset {printable(dataset.name)}"
    facts: Facts = (("held by snapshots", format_size(dataset.snapshots)),)
    seen: list[Observation] = []
    if dataset.quota is not None:
        seen.append(Level(SeriesKey(subject, "quota"), dataset.used, dataset.quota, Unit.BYTES, facts))
    if dataset.refquota is not None:
        seen.append(Level(SeriesKey(subject, "quota without snapshots"), dataset.referenced, dataset.refquota))
    return seen


def _scrub(status: Status, known: Scrubs, period_s: float) -> Deadline:
    """When the next scrub is due. If none is known, it counts from a resilver, or from the pool's creation."""
    facts: Facts = (("last scan", status.scan_line),) if status.scan_line else ()
    last_s = known.last_s.get(status.pool)
    last_at = None if last_s is None else datetime.fromtimestamp(last_s, UTC)
    from_at = last_at or status.scan_at or datetime.fromtimestamp(known.since_s[status.pool], UTC)
    due_at = from_at + timedelta(seconds=period_s)
    return Deadline(SeriesKey(_subject(status.pool), "scrub"), due_at, last_at, period_s, facts)
