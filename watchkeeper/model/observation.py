"""The four kinds of observation: all that a probe may report.

A probe only observes. What an observation means (is it urgent? who is notified?) is decided in alerting/rules.py and
alert.py, once for each kind, so nothing here makes that decision.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from typing import NamedTuple

Facts = tuple[tuple[str, str], ...]
"""Names and values, as text, that help the operator understand an observation: displayed, never evaluated."""


OWN_NAME = "own name"
"""The fact with the operator's own name of the subject, such as of a disk that has only a serial number."""


class Kind(StrEnum):
    """The four kinds, and the question that each answers."""

    LEVEL = "level"  # when is it full?
    DEADLINE = "deadline"  # when is it overdue?
    ANSWER = "answer"  # how long has it not answered?
    CONDITION = "condition"  # since when is it faulty?


class Unit(StrEnum):
    """The unit of a level."""

    BYTES = "bytes"
    COUNT = "count"  # inodes, and other things that are counted
    SHARE = "share"  # 0 to 1, with a capacity of 1


class SeriesKey(NamedTuple):
    """One quantity of one subject over time. A tuple, because it is looked up in a table many times per sample.

    subject: the observed thing, as the operator reads it: `file system /srv`, `service hide-hub`, `memory`.
    quantity: which of its quantities: `space`, `inodes`, `age of the newest`, `certificate`.
    """

    subject: str
    quantity: str

    def __str__(self) -> str:
        return f"{self.subject}: {self.quantity}"


DIRECTORY = "directory "
"""Subjects with this prefix are recorded directories."""

FILE_SYSTEM = "file system "
"""What the subject of a file system begins with; its mount point follows."""


def file_system_space(point: str) -> SeriesKey:
    """The level of a file system's space, of which its directories and the images on it are parts."""
    return SeriesKey(f"{FILE_SYSTEM}{point}", "space")


@dataclass(frozen=True, slots=True)
class Level:
    """The used part of a capacity, both in `unit`. used may exceed capacity; capacity is greater than 0.

    part_of: the level that this is a part of (a data set of a pool). A part is recorded, so that a message can name
        what grew, and not evaluated: it is full when the whole is, and its disappearance is not a fault.
    not_judged: being full is not a fault (a volume group fully allocated to its volumes): recorded, not evaluated.
    limit: `at most` or `at least` if `used` is a measured number and `capacity` the limit by which it is judged.
    """

    key: SeriesKey
    used: float
    capacity: float
    unit: Unit = Unit.BYTES
    facts: Facts = ()
    part_of: SeriesKey | None = None
    not_judged: bool = False
    limit: str | None = None

    kind = Kind.LEVEL


@dataclass(frozen=True, slots=True)
class Deadline:
    """A time by which something must happen (again).

    due_at: when it must have happened again; None if none is found, now or ever.
    last_at: when it last happened; None if it never did.
    period_s: seconds from one time to the next if it recurs (a snapshot, a scrub); None for a single end (a
        certificate). A recurring deadline is reported when it is missed, a single end is reported in advance.
    """

    key: SeriesKey
    due_at: datetime | None
    last_at: datetime | None = None
    period_s: float | None = None
    facts: Facts = ()

    kind = Kind.DEADLINE


@dataclass(frozen=True, slots=True)
class Answer:
    """Whether it responded as it should, and how fast.

    reason: why it does not count as an answer ("status 502, expected 200"); empty if it does.
    took_s: seconds until the answer was complete; None if there was none.
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
    """OK or faulty, and why.

    grave: the observed thing itself reports that it has stopped working (not only that it is impaired).
    """

    key: SeriesKey
    ok: bool
    reason: str = ""
    grave: bool = False
    facts: Facts = ()

    kind = Kind.CONDITION

    @property
    def unjudged(self) -> str:
        """Why it cannot be judged now, in words: it raises no alert, and is not OK either. Empty if it can."""
        return next((f"{name}: {why}" for name, why in self.facts if name in UNJUDGED), "") if self.ok else ""


Observation = Level | Deadline | Answer | Condition


@dataclass(frozen=True, slots=True)
class Unseen:
    """Something that a probe could not look at: shown as "cannot tell", never counted as OK, and no alert of its own.

    what: the thing, and the part of it where it is only a part: `file system /srv: its files`. why: the reason, with
    the permission or package that is missing.
    """

    what: str
    why: str


Observed = Observation | Unseen
"""What a probe returns."""

OWN_SUBJECT = "probe "
"""Subjects with this prefix are watchkeeper's own: whether its probes run, and what they could not look at."""

LEARNING, NOT_MEASURED = "still learning", "not measured"
UNJUDGED = frozenset({LEARNING, NOT_MEASURED})
"""Facts of these names say that a condition cannot be judged yet, or not now."""

UNSEEN = "cannot tell: "
"""The prefix of a fact of a probe's own condition that names what the probe could not look at."""

UNSEEN_LIMIT = 50
"""So many are listed by name; the rest is counted."""


def unseen_facts(unseen: Sequence[Unseen]) -> Facts:
    """What a probe could not look at, as facts of its own condition: stored, and shown wherever facts are."""
    facts: Facts = tuple((f"{UNSEEN}{each.what}", each.why) for each in unseen[:UNSEEN_LIMIT])
    more = len(unseen) - UNSEEN_LIMIT
    return (*facts, (f"{UNSEEN}more", f"{more} further things")) if more > 0 else facts


def unseen_in(facts: Facts) -> tuple[Unseen, ...]:
    """What the facts of a probe's own condition say that it could not look at."""
    return tuple(Unseen(name.removeprefix(UNSEEN), why) for name, why in facts if name.startswith(UNSEEN))
