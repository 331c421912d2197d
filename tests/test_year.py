"""A month of the scripted year: what should be told is told in time, and little else.

The whole year is run by tests/bench/year.py, which prints its figures.
"""

import asyncio

import pytest

from tests.support.living import Living
from tests.support.year import BEGAN_AT, DAY, Year
from watchkeeper.model.alert import Concern

pytestmark = [pytest.mark.slow, pytest.mark.timeout(900), pytest.mark.untraced]

FIRST, LAST = 67, 94
"""The days with the most in them: a log runs away, a guest crashes, a service hangs, another chatters for an evening,
a snapshot timer dies, the power is cut, the clocks are set ahead for summer, the network is away."""
LEARNING = 7 * DAY
"""A daily cycle must have been seen several times before it is known as one."""
FALSE_WHILE_LEARNING = 8
"""Four raises with their ends: the memory, whose daily rise looks like filling until it has been seen to fall."""
MOST_A_DAY = 12


@pytest.fixture(scope="module")
def month() -> Living:
    """The month, lived through."""
    living = Living(Year(seed=1), BEGAN_AT + FIRST * DAY)
    asyncio.run(living.until(BEGAN_AT + LAST * DAY))
    return living


def test_every_trouble_is_told_in_time(month: Living) -> None:
    """Each of the month's seven troubles is told within the time that its kind allows."""
    begun = [each for each in month.year.troubles if BEGAN_AT + FIRST * DAY <= each.begins_at < month.clock.now()]
    assert len(begun) == 7
    assert list(month.late()) == []
    assert all(each.told_at is not None for each in begun)


def test_hardly_anything_is_told_without_a_reason(month: Living) -> None:
    """Once a week has been seen, nothing is told that the script does not explain; before it, a stated few."""
    known_at = month.begins_at + LEARNING
    assert [message.headline for message in month.false() if message.at >= known_at] == []
    early = month.false()
    assert len(early) <= FALSE_WHILE_LEARNING
    assert {(message.key.subject, message.concern) for message in early} <= {("memory", Concern.FULL)}


def test_no_day_is_full_of_messages(month: Living) -> None:
    """The worst day of the month, with a chattering service, stays within what one person reads."""
    assert max(month.by_day().values()) <= MOST_A_DAY


def test_what_was_raised_has_ended_once_it_is_repaired(month: Living) -> None:
    """Only the alert about the timer that is still dead stands at the end."""
    standing = {a.key.subject for a in month.tray.alerts.values() if a.standing}
    assert standing == {"snapshots of ringing-db"}
