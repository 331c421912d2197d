"""What is read of a month, from a real database: in the operator's zone, with an hour more, and only what is there."""

from collections.abc import AsyncIterator
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from watchkeeper.messages.reports.month import monthly_report
from watchkeeper.model.alert import Alert, Concern, Priority, State
from watchkeeper.model.change import Change, ChangeKind
from watchkeeper.model.observation import Answer, Deadline, Level, Observation, SeriesKey, Unit
from watchkeeper.model.records import Commit, Entry, EventLine, Seen
from watchkeeper.store import Store
from watchkeeper.web.reports import gather
from watchkeeper.web.reports.gather import read_month

BERLIN = ZoneInfo("Europe/Berlin")
OCTOBER = date(2026, 10, 1)
BEGIN = datetime(2026, 9, 30, 22, tzinfo=UTC)
END = datetime(2026, 10, 31, 23, tzinfo=UTC)
HOUR, DAY = timedelta(hours=1), timedelta(days=1)
GIB = 2.0**30
SKERRY, CAMS, HUB = (
    SeriesKey("pool skerry", "space"),
    SeriesKey("skerry/cams", "space"),
    SeriesKey("service hub", "answer"),
)
PART, MEMORY, COPY = (
    SeriesKey("skerry/tide", "space"),
    SeriesKey("memory", "in use"),
    SeriesKey("backup of hub", "newest copy"),
)


def level(key: SeriesKey, used: float, part_of: SeriesKey | None = None) -> Level:
    """A level of 100 GiB."""
    return Level(key, used, 100 * GIB, Unit.BYTES, part_of=part_of)


@pytest.fixture
async def store(tmp_path: Path) -> AsyncIterator[Store]:
    """Hourly readings from 20 days before October to 5 days after it; the hub is out for 3 h on the day of 25 hours."""
    async with await Store.open(tmp_path / "watchkeeper.db") as found:
        seen = []
        hours = int((END + 5 * DAY - BEGIN + 20 * DAY) / HOUR)
        for n in range(hours):
            at = BEGIN - 20 * DAY + n * HOUR
            out = datetime(2026, 10, 24, 22, tzinfo=UTC) <= at < datetime(2026, 10, 25, 1, tzinfo=UTC)
            grown = max(0.0, (at - BEGIN) / DAY) * GIB / 2
            here: list[Observation] = [
                level(SKERRY, 20 * GIB + grown),
                level(CAMS, 10 * GIB + grown, SKERRY),
                level(PART, 5 * GIB, SKERRY),
                level(MEMORY, 50 * GIB - grown),
                Deadline(COPY, at + DAY, at, 86_400.0),
                Answer(HUB, answered=not out, reason="status 502" if out else "", took_s=None if out else 0.1),
            ]
            seen += [Seen(at, each, "all", 3600.0) for each in here]
        await found.commit(Commit(seen=tuple(seen)))
        yield found


async def test_a_month_in_the_operators_zone(store: Store) -> None:
    """745 hours; what is before and after it is not counted."""
    await store.change_log.record(
        [
            Change(at, ChangeKind.RESTART, "the host", "restarted", f"{at:%d %H}")
            for at in (BEGIN, END - HOUR, END + HOUR)
        ]
    )
    found = await read_month(store, OCTOBER, ("gannet", BERLIN), END + 5 * DAY)
    assert (found.begin, found.end, found.until) == (BEGIN, END, END)
    hub = found.services["service hub"]
    assert (hub.measured_s, hub.down_s, hub.outages) == (745 * 3600, 3 * 3600, 1)
    assert sorted(each.detail for each in found.changes) == ["30 22", "31 22"]
    (skerry,) = found.growth
    assert (skerry.key, skerry.unit, skerry.capacity) == (SKERRY, Unit.BYTES, 100 * GIB)
    assert skerry.last - skerry.first == pytest.approx(15 * GIB, abs=GIB)
    assert [key for key, _ in skerry.parts] == [CAMS]
    assert found.recurring == {COPY}
    assert "none" in monthly_report(found, BERLIN).sections[3].lines


async def test_months_without_all_of_it(store: Store) -> None:
    """The month in which the record begins, the one that is not over, and one before."""
    first = await read_month(store, date(2026, 9, 1), ("gannet", BERLIN), END)
    assert first.known_from == BEGIN - 20 * DAY
    assert monthly_report(first, BERLIN).remarks[0].startswith("This report covers 20 days, from Fri 11 Sep 00:00")
    assert first.services["service hub"].measured_s == 20 * 86_400
    present = await read_month(store, OCTOBER, ("gannet", BERLIN), BEGIN + 2 * DAY)
    assert (present.until, present.services["service hub"].measured_s) == (BEGIN + 2 * DAY, 2 * 86_400)
    before = await read_month(store, date(2026, 8, 1), ("gannet", BERLIN), END)
    assert (before.known_from, before.growth, before.services) == (None, [], {})
    assert monthly_report(before, BERLIN).remarks == ("Nothing was recorded in this month.",)
    later = await read_month(store, date(2026, 12, 1), ("gannet", BERLIN), END + 60 * DAY)
    assert (later.growth, later.services) == ([], {})


async def test_events_are_read_in_pages_and_no_further(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    """All of the month, and none from before or after; a bound is said."""
    monkeypatch.setattr(gather, "PAGE", 10)
    lines = [EventLine(BEGIN + n * 6 * HOUR, Entry.NOTE, f"{n}") for n in range(-30, 140)]
    await store.commit(Commit(events=tuple(lines)))
    found = await read_month(store, OCTOBER, ("gannet", BERLIN), END + 5 * DAY)
    assert sorted(int(each.text) for each in found.events) == [*range(125)]
    assert not found.events_cut
    monkeypatch.setattr(gather, "MOST_EVENTS", 40)
    cut = await read_month(store, OCTOBER, ("gannet", BERLIN), END + 5 * DAY)
    assert cut.events_cut
    assert max(int(each.text) for each in cut.events) == 124


async def test_what_was_overdue_before(store: Store) -> None:
    """And still is: its raise is not in the month."""
    values = {"priority": Priority.WARNING, "state": State.ACTIVE, "episode": 1}
    old = Alert(COPY, Concern.OVERDUE, raised_at=BEGIN - 9 * DAY, **values)  # type: ignore[arg-type]
    other = Alert(SKERRY, Concern.FULL, raised_at=BEGIN - 9 * DAY, **values)  # type: ignore[arg-type]
    await store.commit(Commit(alerts=(old, other)))
    found = await read_month(store, OCTOBER, ("gannet", BERLIN), END)
    assert found.overdue_since == {COPY: BEGIN - 9 * DAY}
