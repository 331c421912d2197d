"""The sentences about what deleting snapshots would free."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from watchkeeper.model.forecast import Forecast, NoEnd
from watchkeeper.model.observation import SeriesKey
from watchkeeper.planning.reclaim.snapshots import (
    NOTHING,
    UNKNOWN,
    Bounds,
    Candidate,
    Freed,
    Gain,
    Left,
    Missing,
    ReclaimAnswer,
    SetHeld,
    StoreFreed,
)
from watchkeeper.planning.reclaim.text import (
    freed_words,
    gain_lines,
    left_words,
    missing_words,
    moved_words,
    set_words,
    size_words,
    stuck_line,
    together_lines,
)

NOW = datetime(2026, 11, 25, 12, 0, tzinfo=UTC)
NOW_S, DAY_S = NOW.timestamp(), 86_400.0
POOL = SeriesKey("pool skerry", "space")
GIB = 2**30
EXACT = Freed(Bounds(3 * GIB, 3 * GIB))
ROUGH = Freed(Bounds(GIB, 3 * GIB), ("LVM does not tell",))


def snapshot(label: str = "daily-1") -> Candidate:
    """A snapshot that holds 1 GiB alone."""
    return Candidate(POOL, f"skerry/hide-hub@{label}", "skerry/hide-hub", label, NOW, Bounds(GIB, GIB))


def full_in(days: float, earliest: float | None = None) -> Forecast:
    """Full in so many days."""
    early = None if earliest is None else NOW_S + earliest * DAY_S
    return Forecast(NOW_S, 1.0, 2.0, early, NOW_S + days * DAY_S)


@pytest.mark.parametrize(
    ("bounds", "words"),
    [
        (Bounds(3 * GIB, 3 * GIB), "3 GiB"),
        (NOTHING, "0 B"),
        (Bounds(GIB, 3 * GIB), "1 GiB to 3 GiB"),
        (Bounds(0, 3 * GIB), "at most 3 GiB"),
        (Bounds(GIB, None), "at least 1 GiB"),
        (UNKNOWN, "an unknown amount"),
        (Bounds(GIB, GIB + 1), "about 1 GiB"),
    ],
)
def test_sizes(bounds: Bounds, words: str) -> None:
    """How well it is known is in the words."""
    assert size_words(bounds) == words


def test_reasons_stand_beside_the_size() -> None:
    """Exact or not, and why."""
    assert freed_words(EXACT) == "3 GiB, exactly"
    assert freed_words(ROUGH) == "1 GiB to 3 GiB (LVM does not tell)"
    assert freed_words(replace(EXACT, why=("a", "b"))) == "3 GiB, exactly (a; b)"


def test_together_and_why_it_is_not_the_sum() -> None:
    """Shared blocks are explained where both figures are exact; the time to full where it is recorded."""
    two = (snapshot("daily-1"), snapshot("daily-2"))
    found = StoreFreed(POOL, two, (), EXACT, Bounds(2 * GIB, 2 * GIB), full_in(12, 9), full_in(20, 15))
    assert together_lines(found) == [
        "All 2 together free 3 GiB, exactly.",
        (
            "Each deleted alone, they would free 2 GiB in sum. The other 1 GiB are in blocks that two or more of them "
            "share; such a block is freed only with the last of them."
        ),
        (
            "Time to full: likely in about 20 days instead of in about 12 days; "
            "at the earliest in about 15 days instead of in about 9 days."
        ),
    ]
    rough = replace(found, together=ROUGH, before=None)
    assert together_lines(rough) == ["All 2 together free 1 GiB to 3 GiB (LVM does not tell)."]
    alone = replace(found, alone=Bounds(3 * GIB, 3 * GIB), before=None)
    assert together_lines(alone) == ["All 2 together free 3 GiB, exactly."]
    assert together_lines(replace(found, chosen=())) == []


def test_one_that_frees_nothing_and_room_that_was_set_aside() -> None:
    """What surprises is explained."""
    one = StoreFreed(POOL, (snapshot(),), (), Freed(NOTHING), NOTHING)
    assert together_lines(one) == [
        "It frees 0 B, exactly.",
        "Their blocks are also used by the volume itself, or by snapshots that stay.",
    ]
    aside = replace(one, together=replace(EXACT, set_aside=Bounds(GIB, GIB)), alone=Bounds(2 * GIB, 2 * GIB))
    assert together_lines(aside) == [
        "It frees 3 GiB, exactly.",
        "1 GiB of it is reserved space: a volume with a reservation needs it only while it has snapshots.",
    ]


def test_times_that_move() -> None:
    """At once for a full store, the reason where there is no end, and as now where it is too little to see."""
    full = Forecast(NOW_S, 2.0, 2.0, NOW_S, NOW_S, NOW_S, full=True)
    assert moved_words(full, full_in(7, 5), EXACT) == (
        "Time to full: likely in about 7 days instead of now; at the earliest in about 5 days instead of now."
    )
    still = Forecast(NOW_S, 1.0, 2.0, no_end=NoEnd.FAR)
    assert moved_words(full_in(7, 5), still, ROUGH) == (
        "Time to full (if only the minimum is freed): not expected to fill within 10 years instead of in about 7 days."
    )
    assert moved_words(full_in(7), full_in(7.001), EXACT) == "Time to full: in about 7 days, unchanged."
    assert moved_words(full_in(7), Forecast(NOW_S, 1.0, 2.0), EXACT) == (
        "Time to full: no forecast instead of in about 7 days."
    )


def gain(**changed: object) -> Gain:
    """Fourteen days from two snapshots."""
    found = Gain(
        POOL, 14 * DAY_S, 2 * GIB, (snapshot("daily-1"), snapshot("daily-2")), EXACT, EXACT, 2, (), (), full_in(12, 9),
        full_in(27, 20),
    )  # fmt: skip
    return replace(found, **changed)  # type: ignore[arg-type]  # the test's own fields


def test_what_is_gained() -> None:
    """How much is needed, how many go, and what the times become."""
    moves = (
        "Time to full: likely in about 27 days instead of in about 12 days; at the earliest in about 20 days "
        "instead of in about 9 days."
    )
    assert gain_lines(gain()) == [
        "To gain 14 days on pool skerry, 2 GiB must be freed. Deleting these 2 snapshots frees 3 GiB, exactly.",
        moves,
    ]
    assert "Deleting this snapshot frees" in gain_lines(gain(drop=(snapshot(),)))[0]
    assert gain_lines(gain(before=None, after=None))[1:] == []


def test_what_is_not_gained() -> None:
    """Not at all, not for sure, with nothing to drop, or with no growth known."""
    short = gain(drop=(), all_of_them=Freed(Bounds(GIB, GIB)))
    assert gain_lines(short)[0] == (
        "Deleting snapshots cannot gain 14 days on pool skerry: 2 GiB must be freed, and all 2 that may "
        "be deleted free 1 GiB, exactly."
    )
    assert gain_lines(replace(short, all_of_them=ROUGH, droppable=1))[0] == (
        "It is not certain that 14 days can be gained on pool skerry: 2 GiB must be freed, and the only one that may "
        "be deleted frees 1 GiB to 3 GiB (LVM does not tell)."
    )
    unknown = gain_lines(replace(short, all_of_them=Freed(UNKNOWN, ("no quotas",))))
    assert unknown[0].startswith("It is not certain that 14 days")
    assert "(if only the minimum is freed)" in unknown[1]
    assert gain_lines(replace(short, droppable=0)) == [
        (
            "Deleting snapshots cannot gain 14 days on pool skerry: 2 GiB must be freed, and there is "
            "no snapshot that may be deleted."
        )
    ]
    assert gain_lines(replace(short, need_bytes=None, hindrance="not filling")) == [
        "Cannot tell how to gain 14 days on pool skerry: not filling."
    ]


def test_sets_and_what_cannot_go() -> None:
    """One line for each."""
    held = SetHeld(POOL, "skerry/hide-hub", "daily-*", 1, NOW - timedelta(days=1), NOW, EXACT)
    assert set_words(held) == "skerry/hide-hub, daily-*: 1 snapshot"
    assert set_words(replace(held, count=3, stuck=2)) == (
        "skerry/hide-hub, daily-*: 3 snapshots, 2 of them cannot be deleted"
    )
    assert stuck_line(snapshot(), "it is held\x1b[2J") == "skerry/hide-hub@daily-1: it is held [2J"


def test_what_is_left() -> None:
    """How many stay, and how far back they reach; none at all."""
    left = Left("skerry/hide-hub", 12, 5, NOW - timedelta(days=5))
    assert left_words(left, NOW) == "skerry/hide-hub: 5 of 12 stay, the oldest 5 days old"
    assert left_words(replace(left, after=0, oldest_at=None), NOW) == "skerry/hide-hub: 0 of 12 stay"


def test_what_is_not_there() -> None:
    """What is near, what could not be looked at, and which store is meant."""
    blind = ReclaimAnswer(NOW, unseen=("LVM: this needs root",))
    assert missing_words(Missing("skerry@a", ("skerry@b", "skerry@c")), ReclaimAnswer(NOW)) == (
        'nothing here matches "skerry@a". Similar: "skerry@b", "skerry@c".'
    )
    assert missing_words(Missing("x\n", ()), blind) == (
        'nothing here matches "x". `watchkeeper reclaim` lists what there is. Could not be read: LVM: this needs root.'
    )
    assert missing_words(Missing("", ("pool jetty", "pool skerry")), blind) == (
        '--gain needs one store: name it with --store. Known: "pool jetty", "pool skerry".'
    )
    assert missing_words(Missing("", ()), blind) == (
        "--gain needs one store: name it with --store. There is none here."
    )
