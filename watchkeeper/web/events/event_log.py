"""The event log as people read it: one line for each event, with its deliveries as marks at the end; and its filters.

Pure, but for reading the store page by page.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, tzinfo
from itertools import islice
from typing import Any
from urllib.parse import urlencode

from aiohttp import web

from watchkeeper.messages.wording import clean
from watchkeeper.model.alert import Priority
from watchkeeper.model.observation import SeriesKey
from watchkeeper.model.records import Entry, EventLine
from watchkeeper.web.context import Context
from watchkeeper.web.http.parameters import Parameter, text

PAGE = 100
"""Lines of one page."""
MARKED_WITHIN = 200
"""A delivery becomes a mark of an event at most so many lines before it; a later one is a line of its own."""
READ = 500
"""Lines that are read at once."""
MOST_READ = 20_000
"""So many lines are searched for one page, about two months of a busy house; the next page continues from there."""

KINDS = {
    "alerts": ("alerts", frozenset({Entry.TRANSITION})),
    "notes": ("notes", frozenset({Entry.NOTE})),
    "deliveries": ("messages", frozenset({Entry.DELIVERY})),
    "daemon": ("starts, stops, configuration", frozenset({Entry.START, Entry.STOP, Entry.CONFIGURATION})),
}
"""What can be chosen: its words, and the entries."""


@dataclass(frozen=True, slots=True)
class Filter:
    """Which lines are wanted. day: the newest day that is shown."""

    subject: str = ""
    kind: str = ""
    priority: Priority | None = None
    day: date | None = None
    text: str = ""

    @property
    def any(self) -> bool:
        """Is anything left out?"""
        return bool(self.subject or self.kind or self.priority or self.day or self.text)

    @property
    def query(self) -> dict[str, str]:
        """The same, as parameters of an address."""
        given = {
            "subject": self.subject,
            "kind": self.kind,
            "priority": self.priority.word if self.priority else "",
            "day": self.day.isoformat() if self.day else "",
            "text": self.text,
        }
        return {name: value for name, value in given.items() if value}

    def may_be_shown(self, line: EventLine, zone: tzinfo) -> bool:
        """Is it one of them, as an event or as a mark of one?"""
        if self.day is not None and line.at.astimezone(zone).date() > self.day:
            return False
        if self.subject and (line.key is None or self.subject.lower() not in line.key.subject.lower()):
            return False
        return self.text.lower() in line.text.lower()

    def fits(self, line: EventLine, zone: tzinfo) -> bool:
        """Is it one of them as an event?"""
        if self.kind and line.entry not in KINDS[self.kind][1]:
            return False
        enough = self.priority is None or (priority_of(line) or 0) >= self.priority
        return enough and self.may_be_shown(line, zone)


SUBJECT = text("subject", "Events about subjects whose name contains this.", str)
KIND = text(
    "kind",
    f"One kind of event: {', '.join(KINDS)}.",
    {each: each for each in KINDS}.__getitem__,
    f"one of {', '.join(KINDS)}",
)
PRIORITY = text(
    "priority",
    "Events of this priority and above: caution, warning or alarm.",
    {each.word: each for each in Priority}.__getitem__,
    f"one of {', '.join(each.word for each in Priority)}",
)
DAY = text(
    "day", "Events of this day and earlier, such as 2026-11-27.", date.fromisoformat, "a day, such as 2026-11-27"
)
TEXT = text("text", "Events whose text contains this.", str)
PARAMETERS: tuple[Parameter[Any], ...] = (SUBJECT, KIND, PRIORITY, DAY, TEXT)


def asked(request: web.Request) -> Filter:
    """The filter in an address. Raises Refusal (400)."""
    found = (SUBJECT.of(request), KIND.of(request), PRIORITY.of(request), DAY.of(request), TEXT.of(request))
    subject, kind, priority, day, words = found
    return Filter(subject or "", kind or "", priority, day, words or "")


@dataclass(frozen=True, slots=True)
class LogRow:
    """One event. marks: how it was delivered: whether it was, and in words."""

    line: EventLine
    series_id: int | None
    priority: Priority | None
    marks: tuple[tuple[bool, str], ...] = ()


def priority_of(line: EventLine) -> Priority | None:
    """The priority that an alert had after this event."""
    word = line.details.get("priority", "")
    return next((each for each in Priority if each.word == word), None)


def merged(lines: Sequence[EventLine], known: Mapping[SeriesKey, int]) -> list[LogRow]:
    """Lines, newest first, with each delivery as a mark of the event that it was about, if that is among them."""
    marks: dict[int, list[tuple[bool, str]]] = {}
    gone = set[int]()
    for at, line in enumerate(lines):
        about = _subject_of(line, islice(lines, at + 1, None)) if line.entry is Entry.DELIVERY else None
        if about is not None:
            gone.add(line.id)
            marks.setdefault(about.id, []).append(_mark(line, about))
    return [
        LogRow(
            each, known.get(each.key) if each.key else None, priority_of(each), tuple(reversed(marks.get(each.id, ())))
        )
        for each in lines
        if each.id not in gone
    ]


def _subject_of(delivery: EventLine, older: Iterable[EventLine]) -> EventLine | None:
    """The event that a delivered message was about: the newest older one that has its headline."""
    for each in islice(older, MARKED_WITHIN):
        if each.entry is Entry.TRANSITION and each.key == delivery.key and delivery.text.endswith(f": {each.text}"):
            return each
    return None


def _mark(delivery: EventLine, about: EventLine) -> tuple[bool, str]:
    said = clean(delivery.text.removesuffix(f": {about.text}"), 120)
    return said.startswith(("sent", "put into one message")), said


async def read(
    context: Context, wanted: Filter, before: int | None, known: Mapping[SeriesKey, int]
) -> tuple[list[LogRow], str]:
    """A page of the log, and the parameters of the next one; empty if there is none."""
    found: list[EventLine] = []
    rows: list[LogRow] = []
    count, last, more = 0, before, True
    while more and len(rows) <= PAGE and count < MOST_READ:
        some = await context.store.events(before_id=last, limit=READ)
        count, more = count + len(some), len(some) == READ
        last = some[-1].id if some else last
        found += [line for line in some if wanted.may_be_shown(line, context.zone)]
        rows = [row for row in merged(found, known) if wanted.fits(row.line, context.zone)]
    if len(rows) > PAGE:
        rows, last, more = rows[:PAGE], rows[PAGE - 1].line.id, True
    return rows, urlencode(wanted.query | {"before": str(last)}) if more and last else ""


def by_day(rows: Sequence[LogRow], zone: tzinfo) -> list[tuple[datetime, list[LogRow]]]:
    """Rows under the day on which they were written, in the host's zone."""
    days: dict[date, list[LogRow]] = {}
    for row in rows:
        days.setdefault(row.line.at.astimezone(zone).date(), []).append(row)
    return [(of_day[0].line.at, of_day) for of_day in days.values()]
