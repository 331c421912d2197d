"""A dataset that copies on write, to the block: what snapshots really free, by the arithmetic of sets alone."""

from collections.abc import Collection
from dataclasses import dataclass, field
from random import Random

BLOCK_BYTES = 4096


@dataclass
class Dataset:
    """Places with a block each, and snapshots that keep the blocks of their moment. All blocks are of one size."""

    name: str
    head: dict[int, int] = field(default_factory=dict)
    snapshots: dict[str, frozenset[int]] = field(default_factory=dict)
    made_s: dict[str, int] = field(default_factory=dict)
    clones: dict[str, str] = field(default_factory=dict)
    holds: dict[str, int] = field(default_factory=dict)
    refreservation: int = 0
    reservation: int = 0
    born: int = 0

    def write(self, place: int) -> None:
        """Put a new block at a place; the old one stays where a snapshot has it."""
        self.born += 1
        self.head[place] = self.born

    def erase(self, place: int) -> None:
        """Nothing is at a place any more."""
        self.head.pop(place, None)

    def snapshot(self, label: str, made_s: int = 0) -> None:
        """Keep what is there now."""
        self.snapshots[label] = frozenset(self.head.values())
        self.made_s[label] = made_s

    def live(self, random: Random, moves: int, places: int = 12) -> None:
        """Some moves of any kind."""
        for _ in range(moves):
            kind, place = random.random(), random.randrange(places)
            if kind < 0.55:
                self.write(place)
            elif kind < 0.75:
                self.erase(place)
            else:
                self.snapshot(f"s{len(self.snapshots)}", len(self.snapshots))

    def blocks(self, labels: Collection[str]) -> int:
        """The truth: how many blocks go when these snapshots go: what they refer to, and nothing that stays does."""
        kept = set(self.head.values()).union(*(at for label, at in self.snapshots.items() if label not in labels))
        return len(set().union(*(self.snapshots[label] for label in labels)) - kept)

    def truth(self, labels: Collection[str]) -> int:
        """The same in bytes."""
        return BLOCK_BYTES * self.blocks(labels)

    def in_stretch(self, first: int, last: int) -> int:
        """What is born in one of the snapshots from first to last and removed before the next one, in bytes.

        As the kernel reckons a stretch: by where in time a block begins and ends, without a look at any set.
        """
        order = list(self.snapshots.values())
        heads = set(self.head.values())
        count = 0
        for block in set().union(*order) - heads:
            at = [number for number, blocks in enumerate(order) if block in blocks]
            count += first <= at[0] and at[-1] <= last
        return BLOCK_BYTES * count

    def unique(self) -> int:
        """What the head does not share with its newest snapshot, in bytes."""
        newest = list(self.snapshots.values())[-1] if self.snapshots else frozenset()
        return BLOCK_BYTES * len(set(self.head.values()) - newest)

    @property
    def own(self) -> int:
        """All that the head refers to, in bytes."""
        return BLOCK_BYTES * len(self.head)

    @property
    def reserved(self) -> int:
        """What is set aside and not written: zfsprops(7), usedbyrefreservation."""
        return max(self.refreservation - self.unique(), 0)

    @property
    def used(self) -> int:
        """With snapshots and what is set aside."""
        return self.own + self.truth(list(self.snapshots)) + self.reserved
