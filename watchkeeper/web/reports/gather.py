"""Reads what is recorded of a month, for the page, the command and the message.

It imports nothing of the page's server, so the daemon can send a report without it. Not here: what the report says
(messages/reports/month.py).
"""

from collections.abc import Mapping, Sequence
from datetime import date, datetime, timedelta, tzinfo
from typing import Protocol

from watchkeeper.messages.reports.month import Growth, Month
from watchkeeper.model.alert import Concern
from watchkeeper.model.history.availability import AnswerHistory, Availability, Period, availability, period_of
from watchkeeper.model.observation import Deadline, Kind, Level, Observation, SeriesKey, Unit
from watchkeeper.model.ports import ReadStore
from watchkeeper.model.records import Bucket, EventLine, Series

POINTS = 31
"""The first and the last of so many equal parts of a month are compared: a day each."""

MOST_PARTS = 200
"""Parts of stores whose growth is read; each is a query."""

NAMED_PARTS = 2
"""Parts that grew, named for each store."""

MOST_EVENTS = 20_000
PAGE = 1_000
"""Events are read in pages, from the newest, back to the begin of the month; and no more than MOST_EVENTS."""

LEAST_SHARE = 0.02
"""A part with less than this share of its store's growth explains nothing."""


class ReportStore(ReadStore, Protocol):
    """The store as a report reads it."""

    async def samples_thinned(self, key: SeriesKey, since: datetime, until: datetime, points: int) -> Sequence[Bucket]:
        """A series' samples in about this many equal time spans, oldest first; empty spans are left out."""
        ...

    async def answers(self, series: Series, since: datetime, until: datetime) -> AnswerHistory:
        """When a service answered between two times and when it did not, and its outages."""
        ...


async def read_month(store: ReportStore, first_day: date, named: tuple[str, tzinfo], now: datetime) -> Month:
    """What is recorded of the month that begins with a day. named: the host's name, the operator's time zone."""
    host, zone = named
    begin, end = period_of(Period.MONTH, first_day, zone)
    until = min(end, now)
    series = [each for each in await store.series() if each.first_at < until]
    seen = [each.observation for each in await store.latest()]
    events = await read_events(store, begin, until)
    return Month(
        host,
        first_day,
        begin,
        end,
        until,
        min((each.first_at for each in series), default=None),
        await _services(store, series, begin, until),
        await _growth(store, seen, begin, until),
        await store.changes(begin, until, limit=MOST_EVENTS),
        events,
        await store.forecasts(),
        frozenset(each.key for each in seen if isinstance(each, Deadline) and each.period_s is not None),
        {
            each.key: each.raised_at
            for each in await store.alerts()
            if each.concern is Concern.OVERDUE and each.standing and each.raised_at and each.raised_at < begin
        },
        len(events) >= MOST_EVENTS,
    )


async def read_events(store: ReportStore, begin: datetime, until: datetime) -> list[EventLine]:
    """The events of a time, newest first; MOST_EVENTS at most, or a page more."""
    found = list[EventLine]()
    before: int | None = None
    while len(found) < MOST_EVENTS:
        page = await store.events(before_id=before, limit=PAGE)
        found += [each for each in page if begin <= each.at < until]
        if len(page) < PAGE or page[-1].at < begin:
            return found
        before = page[-1].id
    return found


async def _services(
    store: ReportStore, series: Sequence[Series], begin: datetime, until: datetime
) -> Mapping[str, Availability]:
    """The availability of each service that was monitored in a time; nothing is known from before its first reading."""
    return {
        each.key.subject: availability(
            await store.answers(each, begin, until), max(begin, each.first_at).timestamp(), until.timestamp()
        )
        for each in series
        if each.kind is Kind.ANSWER and each.last_at >= begin
    }


async def _growth(
    store: ReportStore, seen: Sequence[Observation], begin: datetime, until: datetime
) -> Sequence[Growth]:
    """How much each store changed; those first that changed most of what they can hold."""
    levels = [each for each in seen if isinstance(each, Level) and each.unit is Unit.BYTES]
    parts = [each for each in levels if each.part_of is not None][:MOST_PARTS]
    found = []
    for each in levels:
        if _is_store(each) and (change := await _change(store, each, begin, until)) is not None:
            inner = [part for part in parts if part.part_of == each.key]
            grown = [(part.key, await _change(store, part, begin, until)) for part in inner]
            found.append(_with_parts(change, [(key, one.last - one.first) for key, one in grown if one is not None]))
    return sorted(found, key=lambda each: (-abs(each.last - each.first) / each.capacity, str(each.key)))


def _is_store(level: Level) -> bool:
    """Memory is in use and is not filled; an allocation is decided, and does not grow."""
    named = f"{level.key.subject} {level.key.quantity}"
    return level.part_of is None and not level.not_judged and "memory" not in named and level.key.subject != "swap"


def _with_parts(whole: Growth, parts: Sequence[tuple[SeriesKey, float]]) -> Growth:
    least = max(LEAST_SHARE * (whole.last - whole.first), 0.0)
    grown = sorted((each for each in parts if each[1] > least), key=lambda each: -each[1])
    return Growth(
        whole.key, whole.unit, whole.first, whole.last, whole.capacity, whole.first_at, whole.last_at,
        tuple(grown[:NAMED_PARTS]), bool(parts),
    )  # fmt: skip


async def _change(store: ReportStore, level: Level, begin: datetime, until: datetime) -> Growth | None:
    """From the first day of a time that has readings to the last; None if there are none."""
    buckets = [each for each in await store.samples_thinned(level.key, begin, until, POINTS) if each.last is not None]
    if not buckets:
        return None
    first, last = buckets[0], buckets[-1]
    at = [begin + timedelta(seconds=each.last_s - begin.timestamp()) for each in (first, last)]
    capacity = last.bound or level.capacity
    return Growth(level.key, level.unit, first.last or 0.0, last.last or 0.0, capacity, at[0], at[1])
