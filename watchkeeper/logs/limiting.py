"""Limits repeated lines: the first of its kind at once, then one line per interval with the number of others.

Pure: the time is an argument. Not here: what is of the same kind (fields.py).
"""

import logging
from collections import OrderedDict
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

EVERY_S: Final = 300.0
"""Time between lines of one kind: twelve an hour show that it continues, and a page of the log covers a day of it."""

MOST_KINDS: Final = 2_000
"""Kinds that are remembered: there are as many as there are things that fail. The oldest is forgotten first, and logged
at once if it comes again."""

Kind = tuple[str, ...]


@dataclass(slots=True)
class _Limited:
    """A kind: when its interval began, how many records were held back since, and the newest of these."""

    at_s: float
    held: int = 0
    newest: logging.LogRecord | None = None


@dataclass(frozen=True, slots=True)
class Line:
    """A record to be written. more: what to add about those that were held back; empty where none was."""

    record: logging.LogRecord
    more: str = ""


class Limiter:
    """Decides which records are written."""

    def __init__(self, every_s: float = EVERY_S, most: int = MOST_KINDS) -> None:
        """every_s: the interval. most: how many kinds are remembered."""
        self._every_s, self._most = every_s, most
        self._limited: OrderedDict[Kind, _Limited] = OrderedDict()

    def take(self, kind: Kind, record: logging.LogRecord, now_s: float) -> Iterator[Line]:
        """Take a record; yield what to write now: nothing, this record, or the summary of a kind forgotten for it."""
        limited = self._limited.get(kind)
        if limited is None:
            self._limited[kind] = _Limited(now_s)
            yield Line(record)
            if len(self._limited) > self._most:
                _, oldest = self._limited.popitem(last=False)
                yield from self._summary(oldest)
            return
        limited.held, limited.newest = limited.held + 1, record
        if now_s - limited.at_s >= self._every_s:
            yield from self._due(kind, limited, now_s)

    def over(self, now_s: float) -> Iterator[Line]:
        """Yield what to write because an interval is over; kinds without further records are forgotten."""
        for kind, limited in [each for each in self._limited.items() if now_s - each[1].at_s >= self._every_s]:
            if limited.held:
                yield from self._due(kind, limited, now_s)
            else:
                del self._limited[kind]

    def rest(self) -> Iterator[Line]:
        """Yield everything that was held back, at the end."""
        for limited in self._limited.values():
            yield from self._summary(limited)
        self._limited.clear()

    def _due(self, kind: Kind, limited: _Limited, now_s: float) -> Iterator[Line]:
        yield from self._summary(limited)
        self._limited[kind] = _Limited(now_s)
        self._limited.move_to_end(kind)

    def _summary(self, limited: _Limited) -> Iterator[Line]:
        if limited.newest is not None:
            yield Line(limited.newest, f"(the newest of {limited.held} more)" if limited.held > 1 else "(once more)")
