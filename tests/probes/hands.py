"""A clock that is moved by hand, and small ways to look at what a probe observed."""

from collections.abc import Sequence
from datetime import UTC, datetime

from tests.support.clocks import HandClock
from watchkeeper.model.observation import Answer, Condition, Deadline, Level, Observation, Observed


class SetClock(HandClock):
    """Both clocks stand still until they are moved."""

    def __init__(self, wall: datetime = datetime(2026, 3, 1, 12, 0, tzinfo=UTC)) -> None:
        super().__init__(wall)


def conditions(seen: Sequence[Observed]) -> dict[str, Condition]:
    """The conditions by their keys as text."""
    return {str(one.key): one for one in seen if isinstance(one, Condition)}


def the_answer(seen: Sequence[Observed]) -> Answer:
    """The only observation, which is an answer."""
    (answer,) = seen
    assert isinstance(answer, Answer)
    return answer


def the_condition(seen: Sequence[Observation]) -> Condition:
    """The only observation, which is a condition."""
    (condition,) = seen
    assert isinstance(condition, Condition)
    return condition


def the_deadline(seen: Sequence[Observation]) -> Deadline:
    """The first observation, which is a deadline."""
    assert isinstance(seen[0], Deadline)
    return seen[0]


def the_level(seen: Sequence[Observation]) -> Level:
    """The only observation, which is a level."""
    (level,) = seen
    assert isinstance(level, Level)
    return level
