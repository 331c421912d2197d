"""Which snapshots must stay, and which to drop: the chooser against every set there is."""

from collections.abc import Callable, Collection
from datetime import UTC, datetime, timedelta
from itertools import combinations
from random import Random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.planning.cow import Dataset
from watchkeeper.model.observation import SeriesKey
from watchkeeper.planning.reclaim import snapshots as freeing
from watchkeeper.planning.reclaim.snapshots import (
    Bounds,
    Candidate,
    SetLimit,
    by_age,
    called,
    choose,
    like,
    must_stay,
    sets_of,
    total,
)

NOW = datetime(2026, 11, 25, 12, 0, tzinfo=UTC)
POOL = SeriesKey("pool skerry", "space")


def snapshot(label: str, days: float, *, of: str = "skerry/hide-hub", alone: int = 0, stuck: str = "") -> Candidate:
    """A snapshot of so many days ago."""
    made_at = NOW - timedelta(days=days)
    return Candidate(POOL, f"{of}@{label}", of, label, made_at, Bounds(alone, alone), stuck)


def chosen(
    order: Collection[Candidate], need: int, freed: Callable[[Collection[Candidate]], int]
) -> tuple[tuple[Candidate, ...], int]:
    """Drive the chooser with what sets really free: its answer, and how many sets it asked about."""
    steps, count = choose(list(order), need), 0
    try:
        asked = next(steps)
        for count in range(1, 100_000):  # noqa: B007  each set is asked about once at most
            asked = steps.send(freed(asked))
    except StopIteration as end:
        found: tuple[Candidate, ...] = end.value
        return found, count
    raise AssertionError("the chooser asks without an end")


@given(st.integers(0, 2**32), st.integers(1, 14))
@settings(max_examples=200, deadline=None)
def test_the_chooser_against_every_set(seed: int, need: int) -> None:
    """It finds a set where any suffices; none of its set could stay; its youngest is as old as any choice allows."""
    random, dataset = Random(seed), Dataset("skerry/hide-hub")
    while len(dataset.snapshots) < 5 and dataset.born < 60:
        dataset.live(random, 1)
    order = [snapshot(label, 100 - number) for number, label in enumerate(dataset.snapshots)]

    def freed(some: Collection[Candidate]) -> int:
        return dataset.blocks([each.label for each in some])

    found, _ = chosen(order, need, freed)
    every = [some for size in range(1, len(order) + 1) for some in combinations(order, size) if freed(some) >= need]
    assert bool(found) == bool(every)
    if found:
        assert freed(found) >= need
        assert all(freed([other for other in found if other != each]) < need for each in found)
        assert max(map(order.index, found)) == min(max(map(order.index, some)) for some in every)


def test_what_frees_nothing_is_not_dropped() -> None:
    """Twenty old ones that free nothing stay, though they are older than the one that is needed."""
    order = [snapshot(f"hourly-{n}", 50 - n) for n in range(30)]
    found, asked = chosen(order, 5, lambda some: 5 if order[20] in some else 0)
    assert found == (order[20],)
    assert asked < 20


def test_the_chooser_stops_asking(monkeypatch: pytest.MonkeyPatch) -> None:
    """After so many sets it is content with what it has, which suffices."""
    monkeypatch.setattr(freeing, "MOST_ASKED", 10)
    order = [snapshot(f"hourly-{n}", 500 - n) for n in range(400)]
    needed = set(order[::2])
    found, asked = chosen(order, 200, lambda some: len(needed & set(some)))
    assert needed <= set(found)
    assert asked <= 1 + 9 + 10


def test_nothing_to_choose_from() -> None:
    """No snapshot, or too little in all of them: nothing is chosen."""
    assert chosen([], 1, len) == ((), 0)
    assert chosen([snapshot("daily-1", 1)], 2, len) == ((), 1)


def test_the_newest_of_every_set_stays() -> None:
    """By its names a set; a single one by hand; what cannot be deleted; each with its reason."""
    candidates = [
        snapshot("daily-1", 3), snapshot("daily-2", 2), snapshot("hourly-09", 0.2), snapshot("hourly-10", 0.1),
        snapshot("before-upgrade", 90), snapshot("daily-0", 4, stuck="it is held"),
        snapshot("daily-1", 3, of="skerry/nest-cams"),
    ]  # fmt: skip
    stay = must_stay(candidates, [], NOW)
    assert {each.name: why for each, why in stay.items()} == {
        "skerry/hide-hub@daily-2": "the newest of daily-*",
        "skerry/hide-hub@hourly-10": "the newest of hourly-*",
        "skerry/hide-hub@before-upgrade": "the only one of its set",
        "skerry/hide-hub@daily-0": "it is held",
        "skerry/nest-cams@daily-1": "the only one of its set",
    }


def test_a_limit_of_the_configuration_keeps_the_newest_that_it_counts() -> None:
    """A set whose pattern crosses those of the names; what it leaves out, and what it is not of, does not count."""
    candidates = [snapshot("daily-a", 3), snapshot("daily-b", 2), snapshot("manual", 1)]
    limit = SetLimit("nightly", ("skerry/*",), ("daily-*",), (), 86_400)
    assert must_stay(candidates, [limit], NOW)[candidates[1]] == (
        "the newest of nightly, which is monitored for its age"
    )
    for other in (
        SetLimit("x", ("vg0/*",), ("*",), (), 1), SetLimit("x", ("skerry/*",), ("*",), ("skerry/hide-hub",), 1),
        SetLimit("x", ("skerry/*",), ("weekly",), (), 1),
    ):  # fmt: skip
        assert "limit" not in must_stay(candidates, [other], NOW)[candidates[1]]


def test_one_from_the_future_does_not_stand_for_the_newest() -> None:
    """A clock that was wrong made it: the newest of the others stays as well."""
    candidates = [snapshot("daily-1", 3), snapshot("daily-2", 2), snapshot("daily-3", -400)]
    assert set(must_stay(candidates, [], NOW)) == set(candidates[1:])
    limit = SetLimit("nightly", ("*",), ("*",), (), 1)
    assert set(must_stay(candidates, [limit], NOW)) == set(candidates[1:])


@pytest.mark.parametrize(
    ("label", "name"),
    [
        ("daily-3", "daily-*"),
        ("auto_2026-11-25_04:00", "auto_*"),
        ("2026-11-25T04:00:10.weekly", "*.weekly"),
        ("before-upgrade", "before-upgrade"),
        ("v12-b3", "v*-b*"),
    ],
)
def test_names_make_sets(label: str, name: str) -> None:
    """Numbers and dates are what tells the members of a set apart."""
    assert called(label) == name


def test_sets_and_order() -> None:
    """A set is of one thing, oldest first; of one moment the one that frees the most, then the name."""
    first, second = snapshot("daily-1", 2), snapshot("daily-2", 1)
    other = snapshot("daily-9", 2, of="skerry/nest-cams", alone=5)
    assert sets_of([second, other, first]) == {
        ("skerry/hide-hub", "daily-*"): [first, second],
        ("skerry/nest-cams", "daily-*"): [other],
    }
    assert by_age([second, first, other]) == [other, first, second]
    assert like("a[1]", ["a[1]"])
    assert not like("a1", [])


def test_bounds_add_up() -> None:
    """What is not known in one part is not known of the whole."""
    assert total([Bounds(1, 2), Bounds(3, 4)]) == Bounds(4, 6)
    assert total([Bounds(1, 2), Bounds(3, None)]) == Bounds(4, None)
    assert not Bounds(0, None).exact
    assert total([]).exact
