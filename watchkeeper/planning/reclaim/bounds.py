"""How many bytes a set of snapshots frees: what the counts of each store say for certain, as minimum and maximum.

A block is freed when its last reference is removed. In a copy-on-write file system, the snapshots of one thing that
refer to a block are neighbours in time: it was written before the first of them and released after the last. What only
one snapshot refers to is counted for it alone; what two or more share is counted for none, and is freed only when all
of them are deleted. So a set frees the sum of what each frees alone, plus between none and all of the shared blocks.

Not here: reading the stores (watchkeeper/inventory/reclaim/).
"""

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass

from watchkeeper.planning.reclaim.snapshots import NOTHING, Bounds, total


def runs(order: Sequence[str], chosen: Collection[str]) -> list[list[str]]:
    """The chosen ones as runs without a gap, in the order of the snapshots of one thing."""
    found: list[list[str]] = []
    going = False
    for each in order:
        if each in chosen:
            if not going:
                found.append([])
            found[-1].append(each)
        going = each in chosen
    return found


def among_neighbours(chosen: Sequence[int], kept: Sequence[int], every_bytes: int) -> Bounds:
    """What some snapshots of a dataset free, from its own counts. chosen, kept: what each holds alone.

    every_bytes: what is freed when all of them are deleted (`usedbysnapshots`). It includes what each of the kept ones
    holds alone, and none of that is freed; so the rest is the maximum.
    """
    least = sum(chosen)
    if not kept:
        return Bounds(every_bytes, every_bytes)
    if len(chosen) <= 1:
        return Bounds(least, least)
    return Bounds(least, max(every_bytes - sum(kept), least))


@dataclass(frozen=True, slots=True)
class Aside:
    """What a volume has set aside (`refreservation`), in bytes, and the part that is not written (`now_bytes`).

    What it wrote since its newest snapshot can be overwritten in place and needs no space set aside; the rest cannot.
    own_bytes: everything that it refers to and did not get from an origin.
    """

    set_aside_bytes: int
    now_bytes: int
    own_bytes: int


def given_back(aside: Aside, *, newest_goes: bool, all_go: bool) -> Bounds:
    """What is no longer set aside once snapshots are deleted: it counts as used too, and no dry run reports it.

    With no snapshot left, everything written can be overwritten in place: the space set aside is the reservation minus
    that. While the newest stays, nothing changes. The rule: `usedbyrefreservation` = refreservation - what is unique.
    """
    most = max(aside.now_bytes - max(aside.set_aside_bytes - aside.own_bytes, 0), 0)
    if not newest_goes or not most:
        return NOTHING
    return Bounds(most, most) if all_go else Bounds(0, most)


@dataclass(frozen=True, slots=True)
class Charged:
    """What a dataset uses including its children, and the reservation that is the least its parent is charged."""

    used_bytes: int
    reservation_bytes: int


def reaches_pool(freed: Mapping[str, Bounds], tree: Mapping[str, Charged]) -> Bounds:
    """How much of the bytes that datasets free is returned to their pool.

    A parent is charged the larger of what a dataset uses and its reservation: under a reservation that is not used up,
    nothing is returned.
    """
    rising = dict(freed)
    names = {above for name in (*freed, *tree) for above in _with_parents(name)}
    for name in sorted(names, key=lambda name: (-name.count("/"), name)):
        rising[name] = _at_most(rising.get(name, NOTHING), tree.get(name))
        parent = name.rpartition("/")[0]
        if parent:
            rising[parent] = rising.get(parent, NOTHING) + rising[name]
    return total(rising[name] for name in names if "/" not in name)


def _with_parents(name: str) -> list[str]:
    parts = name.split("/")
    return ["/".join(parts[: count + 1]) for count in range(len(parts))]


def _at_most(bounds: Bounds, at: Charged | None) -> Bounds:
    """How much of it a parent is no longer charged for."""
    if at is None or not at.reservation_bytes:
        return bounds
    room = max(at.used_bytes - at.reservation_bytes, 0)
    return Bounds(min(bounds.least, room), room if bounds.most is None else min(bounds.most, room))


def in_thin_pool(used: Bounds, chosen: Sequence[Bounds], kept: Sequence[Bounds]) -> Bounds:
    """What thin volumes free in their pool, from how much each maps.

    Afterwards the pool holds what the kept ones map: no more than the sum of that, no less than the largest.
    """
    mapped, left = total(chosen), total(kept)
    largest = max((each.least for each in kept), default=0)
    most = min((each for each in (mapped.most, _less(used.most, largest)) if each is not None), default=None)
    least = 0 if left.most is None else max(used.least - left.most, 0)
    # The tools count one after the other: what is written in between must not swap the bounds.
    return Bounds(least if most is None else min(least, most), most)


def _less(value: int | None, other: int) -> int | None:
    return None if value is None else max(value - other, 0)


def of_quota_groups(chosen: Sequence[tuple[int, int]]) -> Bounds:
    """What btrfs subvolumes free, from their quota groups: (referenced, exclusive) of each.

    Whatever is shared and freed is referred to by at least two of them: so it is at most half of the sum of what each
    shares, and at most what all but the one that shares most share.
    """
    alone = sum(exclusive for _, exclusive in chosen)
    shared = [max(referenced - exclusive, 0) for referenced, exclusive in chosen]
    between = min(sum(shared) // 2, sum(shared) - max(shared, default=0))
    return Bounds(alone, alone + between)


@dataclass(frozen=True, slots=True)
class Named:
    """A file by one of its names. inode: device and number. blocks_bytes: its size on disk. links: how many names.

    may_share: its file system can let files share blocks, and does not say which do.
    """

    name: str
    inode: tuple[int, int]
    blocks_bytes: int
    links: int
    may_share: bool


def of_files(chosen: Iterable[Named]) -> Bounds:
    """What deleting files frees: each when its last name is removed, and for certain only if files share no blocks."""
    names: dict[tuple[int, int], dict[str, Named]] = {}
    for each in chosen:
        names.setdefault(each.inode, {})[each.name] = each
    freed = NOTHING
    for links in names.values():
        one = next(iter(links.values()))
        if len(links) >= one.links:
            freed += Bounds(0 if one.may_share else one.blocks_bytes, one.blocks_bytes)
    return freed
