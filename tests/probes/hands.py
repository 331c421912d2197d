"""A clock that is moved by hand, and small ways to look at what a probe observed."""

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta

from watchkeeper.clock import Clock
from watchkeeper.model.observation import Answer, Condition, Deadline, Level, Observation, Observed


class SetClock(Clock):
    """Both clocks stand still until they are moved."""

    def __init__(self, at: datetime = datetime(2026, 3, 1, 12, 0, tzinfo=UTC)) -> None:
        self.at, self.s = at, 1000.0

    def now(self) -> datetime:
        return self.at

    def monotonic_s(self) -> float:
        return self.s

    def move(self, seconds: float) -> None:
        """Time passes, for both."""
        self.at += timedelta(seconds=seconds)
        self.s += seconds


def conditions(seen: Sequence[Observed]) -> dict[str, Condition]:
    """The conditions by their keys as text."""
    return {str(one.key): one for one in seen if isinstance(one, Condition)}


def the_answer(seen: Sequence[Observation]) -> Answer:
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
