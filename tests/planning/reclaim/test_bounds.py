"""What sets of snapshots free, against the truth to the block of data sets that really copy on write."""

from collections.abc import Iterator
from itertools import chain, combinations
from random import Random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.planning.cow import BLOCK_BYTES, Dataset
from watchkeeper.planning.reclaim.bounds import (
    Aside,
    Charged,
    Named,
    among_neighbours,
    given_back,
    in_thin_pool,
    of_files,
    of_quota_groups,
    reaches_pool,
    runs,
)
from watchkeeper.planning.reclaim.snapshots import Bounds

SEEDS = st.integers(0, 2**32)


def lived(seed: int, moves: int = 40, name: str = "skerry/hide-hub") -> Dataset:
    """A data set after some random writes, erasures and snapshots; six snapshots at most."""
    found, random = Dataset(name), Random(seed)
    for _ in range(moves):
        found.live(random, 1)
        if len(found.snapshots) == 6:
            break
    return found


def subsets(labels: list[str]) -> Iterator[tuple[str, ...]]:
    """Every subset with something in it."""
    return chain.from_iterable(combinations(labels, size) for size in range(1, len(labels) + 1))


def within(true: int, bounds: Bounds) -> bool:
    """Is the truth within the bounds?"""
    return bounds.least <= true and (bounds.most is None or true <= bounds.most)


def test_a_chain_worked_by_hand() -> None:
    """Four snapshots, five blocks: who frees what, one by one and together.

    Blocks: A written, s0; B written, s1; A overwritten by C, s2; B overwritten by D, s3; C overwritten by E.
    A lives in s0, s1; B in s1, s2; C in s2, s3; D in s3 and the head; E in the head.
    """
    chain_ = Dataset("skerry/hide-hub")
    for place, label in ((0, "s0"), (1, "s1"), (0, "s2"), (1, "s3")):
        chain_.write(place)
        chain_.snapshot(label)
    chain_.write(0)
    blocks = {labels: chain_.blocks(labels) for labels in subsets(["s0", "s1", "s2", "s3"])}
    assert [blocks[(label,)] for label in ("s0", "s1", "s2", "s3")] == [0, 0, 0, 0]
    assert blocks["s0", "s1"] == 1  # A
    assert blocks["s1", "s2"] == 1  # B
    assert blocks["s0", "s1", "s2"] == 2  # A and B
    assert blocks["s0", "s2"] == 0
    assert blocks["s0", "s1", "s2", "s3"] == 3  # A, B and C; D is in the head
    assert runs(["s0", "s1", "s2", "s3"], {"s0", "s2", "s3"}) == [["s0"], ["s2", "s3"]]
    assert among_neighbours([0, 0], [0, 0], 3) == Bounds(0, 3)


@given(SEEDS)
@settings(max_examples=150, deadline=None)
def test_a_set_frees_the_sum_of_its_stretches_without_a_gap(seed: int) -> None:
    """Reckoned stretch by stretch from where blocks begin and end, every subset comes to the truth exactly."""
    dataset = lived(seed)
    order = list(dataset.snapshots)
    for chosen in subsets(order):
        stretches = runs(order, chosen)
        assert sorted(chain.from_iterable(stretches)) == sorted(chosen)
        reckoned = sum(dataset.in_stretch(order.index(one[0]), order.index(one[-1])) for one in stretches)
        assert reckoned == dataset.truth(chosen)


@given(SEEDS)
@settings(max_examples=150, deadline=None)
def test_a_datasets_own_counts_hold_for_every_subset(seed: int) -> None:
    """The truth is within the bounds; exact for one, and for all."""
    dataset = lived(seed)
    order = list(dataset.snapshots)
    for chosen in subsets(order):
        alone = {label: dataset.truth([label]) for label in order}
        kept = [alone[label] for label in order if label not in chosen]
        found = among_neighbours([alone[label] for label in chosen], kept, dataset.truth(order))
        assert within(dataset.truth(chosen), found)
        assert found.exact or 1 < len(chosen) < len(order)


@given(SEEDS, st.integers(0, 20))
@settings(max_examples=150, deadline=None)
def test_room_that_is_set_aside_comes_back_with_the_newest(seed: int, reserved: int) -> None:
    """What `used` really falls by is what the blocks and the bounds of the set-aside room say, for every subset."""
    dataset = lived(seed)
    dataset.refreservation = reserved * BLOCK_BYTES
    order = list(dataset.snapshots)
    for chosen in subsets(order):
        before, aside = dataset.used, Aside(dataset.refreservation, dataset.reserved, dataset.own)
        after = Dataset("after", dict(dataset.head), {k: v for k, v in dataset.snapshots.items() if k not in chosen})
        after.refreservation = dataset.refreservation
        fell = before - after.used - dataset.truth(chosen)
        found = given_back(aside, newest_goes=order[-1] in chosen, all_go=len(chosen) == len(order))
        assert within(fell, found)
        assert found.exact or (order[-1] in chosen and len(chosen) < len(order))


def test_the_set_aside_room_of_a_real_volume() -> None:
    """tank/vm/disk0 of the samples: 1,109,393,408 set aside, 33,980,416 of its own, 1,092,370,432 not written."""
    aside = Aside(1_109_393_408, 1_092_370_432, 33_980_416)
    assert given_back(aside, newest_goes=True, all_go=True) == Bounds(16_957_440, 16_957_440)
    assert given_back(aside, newest_goes=True, all_go=False) == Bounds(0, 16_957_440)
    assert given_back(aside, newest_goes=False, all_go=False) == Bounds(0, 0)


def test_beneath_a_reservation_nothing_comes_back() -> None:
    """Worked by hand: of 30 freed beneath a reservation of 80 with 100 used, 20 come back; of 5 beside it, all."""
    tree = {
        "skerry": Charged(200, 0),
        "skerry/guests": Charged(100, 80),
        "skerry/guests/hide-hub": Charged(60, 0),
        "skerry/nest-cams": Charged(50, 0),
    }
    freed = {"skerry/guests/hide-hub": Bounds(30, 30), "skerry/nest-cams": Bounds(5, 5)}
    assert reaches_pool(freed, tree) == Bounds(25, 25)
    assert reaches_pool({"skerry/guests": Bounds(10, None)}, tree) == Bounds(10, 20)
    assert reaches_pool({"skerry/new": Bounds(3, 4)}, tree) == Bounds(3, 4)  # listed after the tree was
    assert reaches_pool({"skerry/new": Bounds(3, None)}, {"skerry": Charged(1, 0)}) == Bounds(3, None)
    assert reaches_pool({"skerry/guests": Bounds(9, 9)}, {"skerry/guests": Charged(10, 20)}) == Bounds(0, 0)


@given(SEEDS, st.lists(st.booleans(), min_size=7, max_size=7), st.integers(0, 2))
@settings(max_examples=200, deadline=None)
def test_what_thin_volumes_map_holds_for_every_subset(seed: int, known: list[bool], slack: int) -> None:
    """Every snapshot and the volume map blocks of one pool; mapped counts may be rounded or not known at all."""
    dataset = lived(seed)
    inside = {"head": frozenset(dataset.head.values()), **dataset.snapshots}
    pool = len(set().union(*inside.values()))

    def mapped(number: int, name: str) -> Bounds:
        count = len(inside[name])
        return Bounds(max(count - slack, 0), count + slack) if known[number] else Bounds(0, 12)

    counts = {name: mapped(number, name) for number, name in enumerate(inside)}
    for chosen in subsets(list(inside)):
        left = set().union(*(blocks for name, blocks in inside.items() if name not in chosen))
        found = in_thin_pool(
            Bounds(max(pool - slack, 0), pool + slack),
            [counts[name] for name in chosen],
            [counts[name] for name in inside if name not in chosen],
        )
        assert within(pool - len(left), found)


def test_thin_volumes_worked_by_hand() -> None:
    """A pool of 100: volume of 60 stays, snapshots of 70 and 50 go. They leave 60 at the least, so 40 come free."""
    stays, go = [Bounds(60, 60)], [Bounds(70, 70), Bounds(50, 50)]
    assert in_thin_pool(Bounds(100, 100), go, stays) == Bounds(40, 40)
    assert in_thin_pool(Bounds(100, 100), go[:1], [*stays, go[1]]) == Bounds(0, 40)
    assert in_thin_pool(Bounds(100, 100), go, []) == Bounds(100, 100)
    assert in_thin_pool(Bounds(100, None), [Bounds(1, None)], [Bounds(5, None)]) == Bounds(0, None)


@given(SEEDS)
@settings(max_examples=150, deadline=None)
def test_quota_groups_hold_for_every_subset(seed: int) -> None:
    """Referenced and exclusive of each: the truth is within the bounds, and exact for one."""
    dataset = lived(seed)
    counted = {label: (len(blocks), dataset.blocks([label])) for label, blocks in dataset.snapshots.items()}
    for chosen in subsets(list(dataset.snapshots)):
        found = of_quota_groups([counted[label] for label in chosen])
        assert within(dataset.blocks(chosen), found)
        assert found.exact or len(chosen) > 1


def test_quota_groups_worked_by_hand() -> None:
    """Two that share 6 at most, and three of which none shares more than the others together."""
    assert of_quota_groups([(10, 4), (8, 2)]) == Bounds(6, 12)
    assert of_quota_groups([(10, 4), (30, 2)]) == Bounds(6, 12)
    assert of_quota_groups([(5, 1), (5, 1), (5, 1)]) == Bounds(3, 9)
    assert of_quota_groups([]) == Bounds(0, 0)


@pytest.mark.parametrize(
    ("names", "freed"),
    [
        (["a"], Bounds(8, 8)),
        (["b1"], Bounds(0, 0)),
        (["b1", "b2"], Bounds(16, 16)),
        (["a", "b1", "c"], Bounds(8, 12)),
        ([], Bounds(0, 0)),
    ],
)
def test_files_free_what_they_take_when_their_last_name_goes(names: list[str], freed: Bounds) -> None:
    """One of 8, one of 16 with two names, one of 4 where files may share blocks."""
    files = {
        "a": Named("a", (1, 1), 8, 1, may_share=False),
        "b1": Named("b1", (1, 2), 16, 2, may_share=False),
        "b2": Named("b2", (1, 2), 16, 2, may_share=False),
        "c": Named("c", (2, 1), 4, 1, may_share=True),
    }
    assert of_files([files[name] for name in names]) == freed
    assert of_files([files[name] for name in names] * 2) == freed
