"""What became of a change: against a reference library, and each point failing in turn."""

from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from scipy.stats import mannwhitneyu

from watchkeeper.model.alert import Alert, Concern, Priority, State
from watchkeeper.model.observation import SeriesKey
from watchkeeper.planning.preflight.compare import (
    MemoryLeft,
    Speeds,
    memory_point,
    rank_z,
    since_points,
    slower,
    speed_point,
)
from watchkeeper.planning.preflight.decide import Verdict

GO, NO_GO, UNKNOWN = Verdict
NOW = datetime(2026, 12, 1, 20, 0, tzinfo=UTC)
KEY = SeriesKey("service hide-hub", "answer")
GIB = 2.0**30


@pytest.mark.parametrize("seed", range(6))
def test_ranks_as_scipy_has_them(seed: int) -> None:
    """scipy.stats.mannwhitneyu, asymptotic and without its continuity correction, gives the same chance."""
    chance = np.random.default_rng(seed)
    before = chance.gamma(2, 0.02, 20 + seed).round(2 + seed % 2)
    after = chance.gamma(2, 0.025, 15).round(2 + seed % 2)
    z = rank_z(list(before), list(after))
    found = mannwhitneyu(after, before, alternative="greater", method="asymptotic", use_continuity=False)
    from scipy.stats import norm

    assert norm.sf(z) == pytest.approx(found.pvalue, rel=1e-9)


def test_all_alike_says_nothing() -> None:
    """No spread, no rank."""
    assert rank_z([1.0] * 9, [1.0] * 9) == 0.0


def test_how_often_a_change_that_changes_nothing_is_called_slower() -> None:
    """One in a hundred by rank at most, here within three standard errors of that (19 of 1000)."""
    chance = np.random.default_rng(3)
    called = [slower(list(chance.gamma(2, 0.02, 60)), list(chance.gamma(2, 0.02, 30))) for _ in range(1000)]
    assert sum(called) <= 19


def test_twice_as_slow_is_noticed() -> None:
    """Twelve answers after the change are enough."""
    chance = np.random.default_rng(5)
    called = [slower(list(chance.gamma(9, 0.005, 60)), list(2 * chance.gamma(9, 0.005, 12))) for _ in range(200)]
    assert sum(called) >= 195


STEADY = [0.040 + 0.001 * (n % 7) for n in range(60)]


@pytest.mark.parametrize(
    ("before", "after", "verdict", "part"),
    [
        (STEADY, STEADY[:20], GO, "it answers in 43 ms (95 % within 46), before 43 ms"),
        (STEADY, [2 * t for t in STEADY[:20]], NO_GO, "slower: 86 ms"),
        (STEADY, [], UNKNOWN, "it has not been checked since"),
        (STEADY, [*STEADY[:20], None], NO_GO, "it does not answer"),
        (STEADY, STEADY[:5], UNKNOWN, "it answers; comparing its speed needs 8 answers, 5 so far"),
        (STEADY, [*STEADY[:10], None, None, *STEADY[:3]], NO_GO, "2 of the last 8 answers failed"),
        (STEADY, [None, *STEADY[:10]], GO, "it answers"),  # it was away while the change was made
        ([None] * 30 + STEADY[:30], [*STEADY[:10], None, *STEADY[:4]], GO, "it answers"),  # no worse than before
        ([], STEADY[:20], GO, "its speed before is not recorded"),
        ([0.0004] * 20, [0.0009] * 20, GO, "it answers"),  # half a millisecond is noticed by nobody
    ],
)
def test_a_service_after_a_change(
    before: list[float | None], after: list[float | None], verdict: Verdict, part: str
) -> None:
    """The same, slower, silent, failing at times, not known yet."""
    point = speed_point(Speeds(KEY, before, after))
    assert point.verdict is verdict
    assert part in point.reason


def test_memory_after_a_change() -> None:
    """A twentieth of the host's memory less left counts; nothing recorded is not known."""
    before = [4 * GIB, 4.1 * GIB, 3.9 * GIB]
    assert memory_point(MemoryLeft(before, [3.7 * GIB], 8 * GIB)).verdict is GO
    less = memory_point(MemoryLeft(before, [3.5 * GIB], 8 * GIB))
    assert (less.verdict, less.reason) == (NO_GO, "less: 3.5 GiB free, before 4 GiB")
    for nothing in (None, MemoryLeft([], before, 8 * GIB), MemoryLeft(before, [], 8 * GIB)):
        assert memory_point(nothing).verdict is UNKNOWN


def test_alerts_since_a_change() -> None:
    """What stood before is not the change's; what has come since and stands is."""
    since = NOW - timedelta(hours=1)
    old = Alert(KEY, Concern.NOT_ANSWERING, State.ACTIVE, Priority.WARNING, raised_at=since - timedelta(minutes=1))
    new = Alert(KEY, Concern.NOT_ANSWERING, State.ACTIVE, Priority.ALARM, raised_at=since + timedelta(minutes=30))
    over = Alert(KEY, Concern.NOT_ANSWERING, State.RECTIFIED, None, raised_at=since + timedelta(minutes=1))
    (fine,) = since_points([old, over], since, NOW)
    assert fine.verdict is GO
    (point,) = since_points([old, new], since, NOW)
    assert (point.verdict, point.reason) == (NO_GO, "alarm since the change: not answering, 30 min ago")
