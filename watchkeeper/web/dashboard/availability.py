"""The availability of a service on its page: this day, week, month and year, and its newest outages."""

from dataclasses import dataclass
from datetime import datetime, timedelta

from watchkeeper.messages import availability as words
from watchkeeper.model.history.availability import Period, availability, begin_of, periods
from watchkeeper.model.observation import Kind
from watchkeeper.model.records import Series
from watchkeeper.web.context import Context

NEWEST = 10
"""Outages that are listed."""

SHORTEST = timedelta(seconds=1)
"""At the first sample, and at midnight of New Year, a period is this long."""


@dataclass(frozen=True, slots=True)
class ServiceAvailability:
    """Rows of a name and a sentence, and the newest outages as text, newest first."""

    rows: tuple[tuple[str, str], ...]
    outages: tuple[str, ...]


async def measured(context: Context, series: Series, now: datetime) -> ServiceAvailability | None:
    """What is shown; None for what gives no answers."""
    if series.kind is not Kind.ANSWER:
        return None
    since = min(max(series.first_at, begin_of(Period.YEAR, now, context.zone)), now - SHORTEST)
    history = await context.store.answers(series, since, now)
    rows = []
    for kind in Period:
        *_, (first, begin, end) = periods(kind, since, now, context.zone)
        found = availability(history, begin.timestamp(), end.timestamp())
        rows.append((words.period_name(kind, first), words.sentence(found)))
    newest = history.outages[-NEWEST:][::-1]
    return ServiceAvailability(tuple(rows), tuple(words.outage_words(each, context.zone, now) for each in newest))
