"""The invented story: what can be seen when, and that it hangs together."""

from datetime import UTC, datetime, timedelta
from itertools import pairwise

import pytest

from watchkeeper.demo import story
from watchkeeper.demo.story import Moment
from watchkeeper.model.observation import Answer, Condition, Deadline, Level, Observation

BEGUN = datetime(2026, 11, 25, 8, tzinfo=UTC)


def seen(days: float) -> list[Observation]:
    """All that is to be seen so many days into the story."""
    now = Moment(BEGUN + timedelta(days=days), BEGUN)
    return [each for _, _, see in story.PROBES for each in see(now)]


def troubles(days: float) -> set[str]:
    """What is wrong at that moment, by subject."""
    at = BEGUN + timedelta(days=days)
    bad = set()
    for each in seen(days):
        match each:
            case Condition(ok=False) | Answer(answered=False):
                bad.add(each.key.subject)
            case Deadline(due_at=due) if due is not None and due < at:
                bad.add(each.key.subject)
            case Level(used=used, capacity=capacity) if used >= capacity:
                bad.add(each.key.subject)
    return bad


@pytest.mark.parametrize("days", [-20.0, -3.3, 0.0, 0.9, 5.0, 7.9, 8.5])
def test_ordinary_days_are_well(days: float) -> None:
    """Before, at the beginning, after the operator came, and at the next round's beginning nothing is wrong."""
    assert troubles(days) == set()


def test_the_worst_hour() -> None:
    """When the pool is full the guests stop, their services with them, and a snapshot is overdue: ten consequences."""
    assert troubles(4.2) == {
        "pool skerry",
        *(f"{what} {guest}" for what in ("guest", "service") for guest in story.GUESTS),
        "snapshots of ringing-db",
    }


def test_the_pool_fills_steadily_and_in_three_days() -> None:
    """It only grows once pruning has stopped, until it is full; never beyond, and it falls when the operator comes."""
    hours = [Moment(BEGUN + timedelta(hours=h), BEGUN) for h in range(24 * 8)]
    used = {now.days: story.pool_used(now) for now in hours}
    assert max(used.values()) == story.CAPACITY
    full_at = next(days for days, bytes_ in used.items() if bytes_ == story.CAPACITY)
    assert 2.5 < full_at - story.PRUNING_STOPS < 3.3
    days = [u for d, u in used.items() if story.PRUNING_STOPS <= d < full_at and (d * 24) % 24 == 8]
    assert all(a < b for a, b in pairwise(days))
    assert used[5.0] < story.CAPACITY * 0.7


def test_it_is_the_same_each_time() -> None:
    """The story draws nothing by chance."""
    assert seen(2.25) == seen(2.25)
