"""In which order snapshots are dropped, and what is left of each thing's snapshots when some are gone."""

import heapq
from collections import defaultdict
from collections.abc import Collection, Iterable
from dataclasses import dataclass
from datetime import datetime

from watchkeeper.planning.reclaim.snapshots import Candidate, Left, by_age

YOUNGEST_S = 60.0
"""A younger snapshot counts as this old, so that the age that a gap is compared with is never zero."""


def thin_out(candidates: Iterable[Candidate], droppable: Collection[Candidate], now: datetime) -> list[Candidate]:
    """Those that may be dropped, the smallest loss of protection first.

    Dropping a snapshot widens the gap between its neighbours in time, counting all snapshots of the same thing. The
    loss is that gap divided by how long ago it ends, because an hour more matters yesterday and not last spring. The
    oldest has nothing before it: without it you cannot go back that far, so it is the most costly. Each drop widens the
    gaps of its neighbours, so each loss is measured with the earlier ones gone.
    """
    lines = [_Line(by_age(some), now) for some in _of_each(candidates)]
    free, order = set(droppable), []
    waiting = [
        (line.loss(at), line.every[at].name, number, at)
        for number, line in enumerate(lines)
        for at in line.places(free)
    ]
    heapq.heapify(waiting)
    while waiting:
        loss, name, number, at = heapq.heappop(waiting)
        line = lines[number]
        present = line.loss(at)
        if present > loss:  # A neighbour has been dropped since.
            heapq.heappush(waiting, (present, name, number, at))
        else:
            order.append(line.every[at])
            line.drop(at)
    return order


def left_of(candidates: Iterable[Candidate], dropped: Collection[Candidate]) -> tuple[Left, ...]:
    """What is left of each thing that loses some."""
    gone, found = set(dropped), []
    for some in _of_each(candidates):
        stay = [each for each in by_age(some) if each not in gone]
        if len(stay) < len(some):
            found.append(Left(some[0].of, len(some), len(stay), stay[0].made_at if stay else None))
    return tuple(sorted(found, key=lambda each: each.of))


def _of_each(candidates: Iterable[Candidate]) -> list[list[Candidate]]:
    found: dict[str, list[Candidate]] = defaultdict(list)
    for each in candidates:
        found[each.of].append(each)
    return list(found.values())


@dataclass(eq=False)
class _Line:
    """The snapshots of one thing in time, some of them dropped."""

    every: list[Candidate]
    now: datetime

    def __post_init__(self) -> None:
        self._older: list[int | None] = [at - 1 if at else None for at in range(len(self.every))]
        self._newer: list[int | None] = [at + 1 if at + 1 < len(self.every) else None for at in range(len(self.every))]

    def places(self, free: Collection[Candidate]) -> list[int]:
        """The positions of those that may be dropped."""
        return [at for at, each in enumerate(self.every) if each in free]

    def loss(self, at: int) -> float:
        """The cost of dropping the snapshot at this position."""
        older, newer = self._older[at], self._newer[at]
        end_s = 0.0 if newer is None else self._age_s(newer)
        begin_s = self._age_s(at) if older is None else self._age_s(older)
        loss = (begin_s - end_s) / max(end_s, YOUNGEST_S)
        return loss if older is not None else 1e9 + loss

    def drop(self, at: int) -> None:
        """Drop it: its neighbours become each other's neighbours."""
        older, newer = self._older[at], self._newer[at]
        if older is not None:
            self._newer[older] = newer
        if newer is not None:
            self._older[newer] = older

    def _age_s(self, at: int) -> float:
        return (self.now - self.every[at].made_at).total_seconds()
