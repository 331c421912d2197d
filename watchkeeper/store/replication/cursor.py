"""How far the database was copied: a cursor, stored as the text of an owner among the states of probes.

That row has a checksum, is salvaged and is in every backup, so a host that is restored finds the cursor of then. Not
here: what is read from there on (source.py), and which of two cursors counts (archive/shipping.py).
"""

import json
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any, NamedTuple

OWNER = " archive"
LATE_OWNER = " archive late samples"
INSTALLATION_OWNER = " installation"
"""No probe's name begins with a space."""


@dataclass(frozen=True, slots=True)
class Mark:
    """How far a series was copied: its newest sample, hour and day. first_at_us: tells it from a later series that got
    the same number.
    """

    first_at_us: int
    at_ms: int = -1
    hour: int = -1
    day: int = -1


class Late(NamedTuple):
    """Samples of a series that were written with a clock set back: the oldest, and how often there were any."""

    at_ms: int
    times: int


@dataclass(frozen=True, slots=True)
class Cursor:
    """How far the database was copied. epoch, generation: the line of copies, and how many there were on it."""

    epoch: str = ""
    generation: int = 0
    events: int = 0
    changes: int = 0
    marks: Mapping[int, Mark] = field(default_factory=dict)

    def dumps(self) -> str:
        """The cursor as text."""
        marks = {number: [m.first_at_us, m.at_ms, m.hour, m.day] for number, m in self.marks.items()}
        return json.dumps([self.epoch, self.generation, self.events, self.changes, marks], separators=(",", ":"))

    def rewound(self, late: Mapping[int, "Late"]) -> "Cursor":
        """With late samples to be copied again. late: by series."""
        back = {
            number: replace(mark, at_ms=min(mark.at_ms, late[number].at_ms - 1))
            for number, mark in self.marks.items()
            if number in late
        }
        return replace(self, marks={**self.marks, **back})


def cursor_of(text: str) -> Cursor:
    """What `dumps` wrote; an empty cursor, which copies everything again, for a text that cannot be read."""
    try:
        epoch, generation, events, changes, marks = json.loads(text)
        return Cursor(
            str(epoch), int(generation), int(events), int(changes), {int(n): Mark(*m) for n, m in marks.items()}
        )
    except (ValueError, TypeError, AttributeError):
        return Cursor()


def late_text(late: Mapping[int, Late]) -> str:
    """The late samples of each series, as text; empty for none."""
    return json.dumps(late, separators=(",", ":")) if late else ""


def late_of(text: str) -> dict[int, Late]:
    """What `late_text` wrote; nothing for no text, or one that cannot be read."""
    try:
        found: dict[str, Any] = json.loads(text or "{}")
        return {int(number): Late(int(at_ms), int(times)) for number, (at_ms, times) in found.items()}
    except (ValueError, TypeError, AttributeError):
        return {}


def with_late(late: Mapping[int, Late], more: Mapping[int, int]) -> dict[int, Late]:
    """With further late samples. more: the oldest of each series, in milliseconds."""
    found = dict(late)
    for number, at_ms in more.items():
        before = found.get(number, Late(at_ms, 0))
        found[number] = Late(min(before.at_ms, at_ms), before.times + 1)
    return found


def without_late(late: Mapping[int, Late], copied: Mapping[int, Late]) -> dict[int, Late]:
    """Without those that were copied, and have not become more since."""
    return {number: each for number, each in late.items() if copied.get(number) != each}
