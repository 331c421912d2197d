"""Reads what happened since a time, for a digest. Not here: how it is said (messages/happened.py)."""

from datetime import datetime

from watchkeeper.messages.happened import Happened
from watchkeeper.model.observation import Kind
from watchkeeper.web.reports.gather import ReportStore, read_events


async def read_happened(store: ReportStore, since: datetime, now: datetime) -> Happened:
    """Events, outages of services, and every alert as it is now."""
    outages = {
        each.key: [
            found for found in (await store.answers(each, since, now)).outages if found.begin_s < now.timestamp()
        ]
        for each in await store.series()
        if each.kind is Kind.ANSWER
    }
    return Happened(since, await read_events(store, since, now), outages, await store.alerts())
