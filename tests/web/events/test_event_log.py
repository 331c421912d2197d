"""The event log as people read it."""

from collections.abc import Sequence
from datetime import timedelta

import pytest

from tests.support import readstore
from tests.support.readstore import DAY, HOUR, NOW, ReadStoreDouble
from tests.web.conftest import Open
from tests.web.dashboard.test_pages import read
from watchkeeper.model.observation import SeriesKey
from watchkeeper.model.records import Entry, EventLine
from watchkeeper.web.events.event_log import LogRow, merged

POOL, HUB = SeriesKey("pool skerry", "space"), SeriesKey("service hide-hub", "answer")
FULL = "pool skerry full in about 3 days"


def line(number: int, entry: Entry, text: str, key: SeriesKey | None = POOL, **details: str) -> EventLine:
    """One line; a higher number is a minute later."""
    return EventLine(NOW - DAY + timedelta(minutes=number), entry, text, key, details=details, id=number)


def texts(rows: Sequence[LogRow]) -> list[str]:
    """What the rows say."""
    return [each.line.text for each in rows]


def test_what_was_put_into_one_message_was_sent() -> None:
    """It is no failure: the message at the end of quiet hours has it."""
    said = "put into one message after quiet hours by night"
    rows = merged([line(3, Entry.DELIVERY, f"{said}: {FULL}"), line(2, Entry.TRANSITION, FULL)], {POOL: 7})
    assert rows[0].marks == ((True, said),)


def test_a_delivery_is_a_mark_of_its_event() -> None:
    """One line for an event and its messages; what was not delivered is marked as such."""
    lines = [
        line(4, Entry.DELIVERY, f"not sent by mail, given up: {FULL}"),
        line(3, Entry.DELIVERY, f"sent by hook, 10 min after the event: {FULL}"),
        line(2, Entry.TRANSITION, FULL, priority="warning"),
        line(1, Entry.NOTE, "Ordered a disk.", None),
    ]
    rows = merged(lines, {POOL: 7})
    assert texts(rows) == [FULL, "Ordered a disk."]
    assert rows[0].marks == ((True, "sent by hook, 10 min after the event"), (False, "not sent by mail, given up"))
    assert [each.series_id for each in rows] == [7, None]
    assert rows[0].priority is not None
    assert rows[0].priority.word == "warning"


def test_a_delivery_without_its_event_stays_a_line() -> None:
    """A digest, a reminder, or an event of an older page; and never the event of another subject."""
    lines = [
        line(3, Entry.DELIVERY, f"sent by mail: {FULL}"),
        line(2, Entry.TRANSITION, FULL, HUB),
        line(1, Entry.DELIVERY, "sent by mail: weekly digest"),
    ]
    assert texts(merged(lines, {})) == [each.text for each in lines]


def store() -> ReadStoreDouble:
    """Two days of events of three kinds."""
    made = readstore.filling()
    made.lines = [
        *(line(n, Entry.TRANSITION, f"pool skerry event {n}", priority="caution") for n in range(1, 151)),
        line(151, Entry.TRANSITION, "service hide-hub not answering for 3 min", HUB, priority="alarm"),
        line(152, Entry.DELIVERY, "sent by mail: service hide-hub not answering for 3 min", HUB),
        line(153, Entry.NOTE, "Ordered a disk.", None),
        EventLine(NOW - HOUR, Entry.START, "monitoring started", id=154),
    ]
    return made


@pytest.mark.parametrize(
    ("query", "shown", "hidden"),
    [
        ("", ["Ordered a disk.", "✓ sent by mail", "event 150"], ["event 1 "]),
        ("subject=HIDE-hub", ["not answering for 3 min", "✓ sent by mail"], ["pool skerry event", "Ordered"]),
        ("kind=notes", ["Ordered a disk."], ["event 1", "not answering"]),
        ("kind=alerts&priority=alarm", ["not answering for 3 min", "✓ sent by mail"], ["event 1", "Ordered"]),
        ("day=2026-11-24&kind=&text=", ["Ordered a disk."], ["monitoring started"]),
        ("text=disk", ["Ordered a disk."], ["not answering"]),
        ("text=nothing+of+it", ["No such events."], ["Ordered"]),
    ],
)
async def test_filters(page: Open, query: str, shown: list[str], hidden: list[str]) -> None:
    """By subject, kind, priority, day and text; empty fields of the form are no filter."""
    reader = await read(await page(store()), f"/events?{query}")
    log = reader.text[reader.text.index("Event log", 30) :].split("Also as a feed")[0]
    log = log[log.index("Show") :]
    assert all(each in log for each in shown)
    assert not any(each in f"{log} " for each in hidden)


async def test_pages_of_a_filtered_log(page: Open) -> None:
    """The next page keeps the filter and misses nothing."""
    client = await page(store())
    first = await read(client, "/events?subject=pool")
    (older,) = [link for link in first.links() if link.startswith("/events?") and "before=" in link]
    assert "subject=pool" in older
    second = await read(client, older)
    assert "event 51 " in first.text
    assert "event 50 " in second.text
    assert "event 1 " in second.text
    assert not [link for link in second.links() if link.startswith("/events?") and "before=" in link]


@pytest.mark.parametrize(
    ("query", "remedy"),
    [
        ("kind=nonsense", "write one of alerts, notes, deliveries, daemon."),
        ("priority=loud", "write one of caution, warning, alarm."),
        ("day=yesterday", "write a day, such as 2026-11-27."),
        (f"text={'a' * 201}", "write at most 200 characters."),
    ],
)
async def test_a_filter_that_is_none(page: Open, query: str, remedy: str) -> None:
    """What cannot be understood is said with the remedy, not ignored."""
    answer = await (await page(store())).get(f"/events?{query}")
    assert answer.status == 400
    said = (await answer.json())["detail"]
    assert said.startswith(f'{query.partition("=")[0]} cannot be "')
    assert said.endswith(f'"; {remedy}')
