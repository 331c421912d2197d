"""The four kinds of observation: all that a probe may say.

A probe only observes. What an observation means (is it urgent? who is told?) is decided in alerting/rules.py and
alert.py, once for each kind, so nothing in here judges.
"""

from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from typing import NamedTuple

Facts = tuple[tuple[str, str], ...]
"""Names and values, in words, that help the keeper understand an observation: shown, never judged."""


class Kind(StrEnum):
    """The four kinds, and what each becomes."""

    LEVEL = "level"  # when is it full?
    DEADLINE = "deadline"  # when is it overdue?
    ANSWER = "answer"  # how long has it been silent?
    CONDITION = "condition"  # since when is it unsound?


class Unit(StrEnum):
    """What a level is counted in."""

    BYTES = "bytes"
    COUNT = "count"  # inodes, and other things that are counted
    SHARE = "share"  # 0 to 1, with a capacity of 1


class SeriesKey(NamedTuple):
    """One quantity of one subject over time. A tuple, because it is looked up in a table many times a sample.

    subject: the thing observed, in the words that the keeper reads: `file system /srv`, `service hide-hub`, `memory`.
    quantity: which of its quantities: `space`, `inodes`, `age of the newest`, `certificate`.
    """

    subject: str
    quantity: str

    def __str__(self) -> str:
        return f"{self.subject}: {self.quantity}"


@dataclass(frozen=True, slots=True)
class Level:
    """Used of a capacity, both in `unit`. used may pass capacity; capacity is greater than 0.

    part_of: the level that this is a part of (a data set of a pool). A part is recorded, so that a message can name
        what grew, and not judged: it is full when the whole is, and its going away is no fault.
    may_be_full: being full is no fault (a volume group that is wholly given to its volumes): recorded, not judged.
    """

    key: SeriesKey
    used: float
    capacity: float
    unit: Unit = Unit.BYTES
    facts: Facts = ()
    part_of: SeriesKey | None = None
    may_be_full: bool = False

    kind = Kind.LEVEL


@dataclass(frozen=True, slots=True)
class Deadline:
    """A time by which something must happen (again).

    due_at: when it must have happened again; None where it has never happened at all.
    last_at: when it last happened; None where it never did.
    period_s: seconds from one time to the next where it recurs (a snapshot, a scrub); None for a single end (a
        certificate). A recurring deadline is told when it is missed, a single end is told ahead.
    """

    key: SeriesKey
    due_at: datetime | None
    last_at: datetime | None = None
    period_s: float | None = None
    facts: Facts = ()

    kind = Kind.DEADLINE


@dataclass(frozen=True, slots=True)
class Answer:
    """Did it respond as it should, and how fast.

    reason: why it does not count as an answer ("status 502, expected 200"); empty where it does.
    took_s: seconds until the whole answer was there; None where none came.
    phases: seconds spent in each named part, in the order in which they happened.
    """

    key: SeriesKey
    answered: bool
    reason: str = ""
    took_s: float | None = None
    phases: tuple[tuple[str, float], ...] = ()
    facts: Facts = ()

    kind = Kind.ANSWER


@dataclass(frozen=True, slots=True)
class Condition:
    """Sound or not, and why.

    grave: the observed thing itself says that it has stopped working (not only that it is impaired).
    """

    key: SeriesKey
    sound: bool
    reason: str = ""
    grave: bool = False
    facts: Facts = ()

    kind = Kind.CONDITION


Observation = Level | Deadline | Answer | Condition
