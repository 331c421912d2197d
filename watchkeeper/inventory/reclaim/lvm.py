"""LVM: thin snapshots, for which only bounds are known, and snapshots with space of their own, which free all of it.

Exact figures for thin ones would need the pool's own trees, which can only be read from a reserved metadata snapshot:
reserving one changes the pool, so it is not done.
"""

from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from contextlib import suppress

from watchkeeper.errors import PrivilegeMissing
from watchkeeper.inventory.reclaim.stores import StoreContext
from watchkeeper.model.observation import SeriesKey
from watchkeeper.planning.reclaim.bounds import in_thin_pool
from watchkeeper.planning.reclaim.snapshots import Bounds, Candidate, Freed, SetLimit, total
from watchkeeper.probes.storage.lvm.snapshots import LvmSnapshotsSettings, origins
from watchkeeper.probes.storage.lvm.tables import ThinStatus, Volume, mapper_name, read_volumes
from watchkeeper.probes.storage.lvm.thin_status import thin_status
from watchkeeper.probes.support.sanitize import printable
from watchkeeper.probes.support.tools import ask_root, result_of

ROUNDED = 0.0001
"""lvs reports shares in hundredths of a percent, and rounds the last of them away from 0 and 100."""

SHARED = "LVM does not report which blocks thin volumes share without changing the pool"


def mapped(volume: Volume) -> Bounds:
    """What a thin volume maps. For an inactive one there is no count: up to its whole size."""
    share, size = volume.data_share, volume.size_bytes
    if share is None:
        return Bounds(0, size)
    return Bounds(max(int((share - ROUNDED) * size), 0), min(int((share + ROUNDED) * size) + 1, size))


def used(pool: Volume, status: ThinStatus | None) -> Bounds:
    """What a thin pool holds: by the kernel's count of blocks, else by what lvs reports."""
    if status is None or not status.data_total:
        return mapped(pool)
    exact = pool.size_bytes * status.data_used // status.data_total
    return Bounds(exact, exact)


class ThinHolding:
    """The snapshots in one thin pool."""

    def __init__(self, pool: Volume, status: ThinStatus | None, volumes: Sequence[Volume], place: StoreContext) -> None:
        self.key = SeriesKey(f"thin pool {printable(pool.full_name)}", "data")
        self._inside = {each.full_name: each for each in volumes if each.group == pool.group and each.pool == pool.name}
        self._used = used(pool, status)
        self.candidates = _candidates(self.key, self._inside.values(), _origins(volumes), self._bounds)
        self.limits = limits(place)

    async def freed(self, chosen: Collection[Candidate]) -> Freed:
        """What removing these returns to the pool."""
        bounds = total([]) if not chosen else self._bounds({each.name for each in chosen})
        return Freed(bounds, () if bounds.exact else (SHARED,))

    def _bounds(self, names: Collection[str]) -> Bounds:
        chosen, kept = (
            [mapped(each) for name, each in self._inside.items() if (name in names) is wanted]
            for wanted in (True, False)
        )
        return in_thin_pool(self._used, chosen, kept)


class GroupHolding:
    """The snapshots with space of their own in one volume group."""

    def __init__(self, group: str, volumes: Sequence[Volume], place: StoreContext) -> None:
        self.key = SeriesKey(f"volume group {printable(group)}", "space")
        own = {each.full_name: each for each in volumes if each.group == group and _is_thick(each)}
        self._sizes = {name: Bounds(each.size_bytes, each.size_bytes) for name, each in own.items()}
        self.candidates = _candidates(self.key, own.values(), _origins(volumes), self._bounds)
        self.limits = limits(place)

    async def freed(self, chosen: Collection[Candidate]) -> Freed:
        """What removing these returns to the group: all of their space, however little of it is used."""
        return Freed(self._bounds([each.name for each in chosen]))

    def _bounds(self, names: Collection[str]) -> Bounds:
        return total(self._sizes[name] for name in names)


def _is_thick(volume: Volume) -> bool:
    return bool(volume.origin) and not volume.pool and volume.kind in {"s", "S"}


def _origins(volumes: Sequence[Volume]) -> Mapping[str, str]:
    """The volume that each snapshot was ultimately taken of, by the snapshot's full name."""
    return {
        f"{origin.name.partition('/')[0]}/{each.name}": origin.name
        for origin in origins(volumes)
        for each in origin.snapshots
    }


def _candidates(
    key: SeriesKey, volumes: Iterable[Volume], of: Mapping[str, str], alone: Callable[[Collection[str]], Bounds]
) -> list[Candidate]:
    return [
        Candidate(key, each.full_name, of[each.full_name], each.name, each.made_at, alone([each.full_name]),
                  _stuck(each))
        for each in volumes
        if each.full_name in of and each.made_at is not None
    ]  # fmt: skip


def _stuck(volume: Volume) -> str:
    """Why it cannot be removed. The first and the sixth attribute: lvs(8)."""
    if volume.kind in {"S", "O"}:
        return "it is being merged into its origin"
    return "it is in use: mounted, or a guest's disk" if volume.attributes[5:6] == "o" else ""


def limits(place: StoreContext) -> list[SetLimit]:
    """The configuration's limits on sets of LVM snapshots."""
    return [
        SetLimit(each.name, each.origins, each.name_pattern, each.exclude, each.max_age)
        for each in place.settings.probes
        if isinstance(each, LvmSnapshotsSettings)
    ]


async def look(place: StoreContext) -> list[ThinHolding | GroupHolding]:
    """Every thin pool and every group with snapshots. Raises ProbeError if LVM is in use and cannot be read."""
    try:
        results = await ask_root(place.bench, "lvm", place.helper, place.timeout_s)
    except PrivilegeMissing:
        if _in_use(place):
            raise
        return []
    volumes = read_volumes(result_of(results, "lvs", place.timeout_s))
    statuses = thin_status(volumes, results, place.timeout_s)
    pools = [each for each in volumes if each.kind == "t"]
    found: list[ThinHolding | GroupHolding] = [
        ThinHolding(each, statuses.get(mapper_name(each.group, each.name)), volumes, place) for each in pools
    ]
    found += [GroupHolding(group, volumes, place) for group in {each.group: None for each in volumes}]
    return [each for each in found if each.candidates]


def _in_use(place: StoreContext) -> bool:
    """Does the kernel map any logical volume? Any user may read that."""
    for uuid in place.sysfs.glob("block/dm-*/dm/uuid"):
        with suppress(OSError):
            if uuid.read_text("utf-8", "replace").startswith("LVM-"):
                return True
    return False
