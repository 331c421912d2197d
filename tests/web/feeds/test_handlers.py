"""The feeds, held to their RFCs: the journal as Atom (4287), forecasts and deadlines as iCalendar (5545)."""

import re
import uuid
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from typing import Any
from xml.etree import ElementTree as ET
from zoneinfo import ZoneInfo

import icalendar
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.support import readstore
from tests.support.messages import filling as filling_in
from tests.support.readstore import NOW, ReadStoreDouble
from tests.web.conftest import Open
from watchkeeper import __version__
from watchkeeper.messages.wording import clean
from watchkeeper.model.alert import Concern
from watchkeeper.model.finding import Finding
from watchkeeper.model.observation import OWN_NAME, Level, SeriesKey, Unit
from watchkeeper.model.records import Entry, EventLine
from watchkeeper.web.feeds import atom, calendar
from watchkeeper.web.settings import PageSettings

ATOM = "{http://www.w3.org/2005/Atom}"
ZONE = ZoneInfo("Europe/Berlin")
HOSTILE = 'pool <skerry> & "x"; \x00\x1b[2J\ud800\ufffe \u202e\\,\n end'


def parsed(body: bytes) -> ET.Element:
    """A feed."""
    assert body.startswith(b'<?xml version="1.0" encoding="utf-8"?>')
    return ET.fromstring(body)


def text(parent: ET.Element, tag: str) -> str:
    """The text of the one child of that name."""
    (found,) = parent.findall(f"{ATOM}{tag}")
    return found.text or ""


def lines(count: int = 3) -> list[EventLine]:
    """A journal, newest first."""
    at = datetime(2026, 11, 24, 9, 12, 0, 123_456, tzinfo=UTC)
    return [
        EventLine(
            at - timedelta(minutes=n),
            Entry.TRANSITION,
            f"pool skerry full in about {n} days",
            SeriesKey("pool skerry", "space"),
            Concern.FULL,
            {"event": "raise"},
            id=count - n,
        )
        for n in range(count)
    ]


def test_a_feed_has_what_it_must() -> None:
    """RFC 4287 4.1.1 and 4.1.2: id, title and updated once each in feed and entries; an author; a link to itself."""
    root = parsed(atom.feed(lines(), "gannet", "/watch"))
    assert root.tag == f"{ATOM}feed"
    for each in (root, *root.findall(f"{ATOM}entry")):
        assert uuid.UUID(text(each, "id").removeprefix("urn:uuid:")).version == 5
        assert text(each, "title")
        # 3.3: RFC 3339, with an upper-case T and Z.
        assert re.fullmatch(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d+)?Z", text(each, "updated"))
    assert text(root.findall(f"{ATOM}author")[0], "name") == "watchkeeper on gannet"
    links = {link.get("rel"): link.get("href") for link in root.findall(f"{ATOM}link")}
    assert links == {"self": "/watch/events.atom", "alternate": "/watch/events"}
    entry = root.findall(f"{ATOM}entry")[0]
    assert text(entry, "updated") == text(root, "updated") == "2026-11-24T09:12:00.123Z"
    assert text(entry, "content") == "pool skerry full in about 0 days\nabout: pool skerry: space\nevent: raise"
    assert [each.get("term") for each in entry.findall(f"{ATOM}category")] == ["transition"]


def test_ids_never_change_and_are_apart() -> None:
    """RFC 4287 4.2.6: the same entry has the same id wherever and whenever it is served, and no other has it."""
    first, later = (parsed(atom.feed(lines()[n:], "gannet", prefix)) for n, prefix in ((0, ""), (1, "/watch")))
    ids = [text(each, "id") for each in first.findall(f"{ATOM}entry")]
    assert ids[1:] == [text(each, "id") for each in later.findall(f"{ATOM}entry")]
    assert len({*ids, text(first, "id")}) == 4
    assert text(first, "id") == text(later, "id")
    assert text(first, "id") != text(parsed(atom.feed([], "petrel", "")), "id")


def test_a_journal_without_lines() -> None:
    """An empty feed is a feed too."""
    assert text(parsed(atom.feed([], "gannet", "")), "updated") == "1970-01-01T00:00:00.000Z"


def test_what_came_from_outside_breaks_no_feed() -> None:
    """XML 1.0 2.2: control signs, half surrogates and non-characters cannot be in it, however they are written."""
    hostile = replace(lines(1)[0], text=HOSTILE, key=SeriesKey(HOSTILE, HOSTILE), details={HOSTILE: HOSTILE})
    root = parsed(atom.feed([hostile, replace(hostile, text="", id=2)], HOSTILE, ""))
    assert text(root.findall(f"{ATOM}entry")[0], "title").startswith('pool <skerry> & "x"; ')
    assert text(root.findall(f"{ATOM}entry")[1], "title") == "transition"


def events(body: bytes) -> list[Any]:
    """The events of a calendar, as a reader of iCalendar finds them."""
    found = icalendar.Calendar.from_ical(body.decode())
    assert found.errors == []
    return list(found.walk("VEVENT"))


def full(days: float, **changes: object) -> Finding:
    """A pool that is full in so many days."""
    return replace(filling_in(NOW, days, days - 1, days + 2), **changes)  # type: ignore[arg-type]


def due(days: float) -> Finding:
    """A snapshot that is due in so many days; negative: it was."""
    key = SeriesKey("snapshots of tide-log", "age of the newest")
    return Finding(key, Concern.OVERDUE, NOW, None, NOW + timedelta(days=days), reason="taken, but not whole")


def test_forecasts_and_deadlines_stand_on_their_day() -> None:
    """A whole day, in the operator's own zone; what it says of the interval; nobody's time is taken."""
    forecast, deadline = events(calendar.calendar([full(3.2), due(-2)], "gannet", ZONE, NOW))
    assert forecast["SUMMARY"] == "pool skerry full (estimate), gannet"
    assert forecast["DTSTART"].dt == (NOW + timedelta(days=3.2)).astimezone(ZONE).date()
    assert forecast["DTSTART"].params["VALUE"] == "DATE"
    assert "pool skerry full in about 3 days." in forecast["DESCRIPTION"]
    assert "90 % range: " in forecast["DESCRIPTION"]
    assert deadline["SUMMARY"] == "snapshots of tide-log due, gannet"
    assert deadline["DTSTART"].dt == (NOW - timedelta(days=2)).astimezone(ZONE).date()
    assert "taken, but not whole" in deadline["DESCRIPTION"]
    for each in (forecast, deadline):
        assert each["DTSTAMP"].dt == NOW.replace(microsecond=0)
        assert each["TRANSP"] == "TRANSPARENT"
        assert uuid.UUID(str(each["UID"])).version == 5  # RFC 7986 5.3


def test_a_day_is_the_keepers() -> None:
    """An hour before midnight in UTC it is tomorrow there already."""
    at = datetime(2026, 11, 30, 23, 30, tzinfo=UTC)
    (found,) = events(calendar.calendar([full(1, ends_at=at)], "gannet", ZONE, NOW))
    assert found["DTSTART"].dt == date(2026, 12, 1)


def test_a_forecast_that_moves_is_the_same_event() -> None:
    """RFC 5545 3.8.4.7: the UID of an event never changes; another concern, subject or host has another."""
    (first,), (later,) = (events(calendar.calendar([full(days)], "gannet", ZONE, NOW)) for days in (3, 30))
    assert first["UID"] == later["UID"]
    assert first["DTSTART"].dt != later["DTSTART"].dt
    (elsewhere,) = events(calendar.calendar([full(3)], "petrel", ZONE, NOW))
    assert elsewhere["UID"] != first["UID"]


def test_a_disk_has_the_name_that_the_operator_gave_it() -> None:
    """In the event's title and its text; the event is the same one."""
    key = SeriesKey("disk Example S2R5NX0H", "endurance")
    seen = {key: Level(key, 90, 100, Unit.COUNT, ((OWN_NAME, "upper bay"),))}
    (plain,) = events(calendar.calendar([full(3, key=key)], "gannet", ZONE, NOW))
    (named,) = events(calendar.calendar([full(3, key=key)], "gannet", ZONE, NOW, seen))
    assert named["SUMMARY"].startswith("upper bay (disk Example S2R5NX0H)")
    assert named["DESCRIPTION"].startswith("upper bay (disk Example S2R5NX0H)")
    assert named["UID"] == plain["UID"]


def test_what_has_no_day_is_left_out() -> None:
    """No end in sight, an end beyond ten years, and concerns that are no appointments."""
    silent = replace(due(1), concern=Concern.NOT_ANSWERING)
    none = replace(full(3), ends_at=None)
    assert events(calendar.calendar([silent, none, full(4_000)], "gannet", ZONE, NOW)) == []


def test_a_forecast_without_a_latest_end() -> None:
    """It says what is known."""
    (found,) = events(calendar.calendar([full(3, latest_at=None)], "gannet", ZONE, NOW))
    assert " to no latest date." in found["DESCRIPTION"]


def raw(body: bytes) -> list[str]:
    """The lines of a calendar, unfolded by hand (RFC 5545 3.1): at most 75 octets each, none cut in a character."""
    assert body.endswith(b"\r\n")
    parts = body.removesuffix(b"\r\n").split(b"\r\n")
    assert all(len(part) <= 75 and part.decode() for part in parts)
    return body.decode().replace("\r\n ", "").removesuffix("\r\n").split("\r\n")


def test_the_lines_of_a_calendar() -> None:
    """Written out by hand, as RFC 5545 says: a date is a VALUE (3.3.4), a TEXT has its commas escaped (3.3.11)."""
    lines = raw(calendar.calendar([due(-2)], "gannet, attic", ZONE, NOW))
    (uid,) = [line for line in lines if line.startswith("UID:")]
    said = (
        "snapshots of tide-log taken\\, but not whole\\, overdue by 2 days.\\ntaken\\, but not whole"
        "\\nDates are in the time zone Europe/Berlin\\, now UTC+01:00."
    )
    assert lines == [
        "BEGIN:VCALENDAR",
        "VERSION:2.0",
        f"PRODID:-//watchkeeper//watchkeeper {__version__}//EN",
        "NAME:watchkeeper on gannet\\, attic",
        "REFRESH-INTERVAL;VALUE=DURATION:PT1H",
        "BEGIN:VEVENT",
        uid,
        f"DTSTAMP:{NOW:%Y%m%dT%H%M%SZ}",
        f"DTSTART;VALUE=DATE:{(NOW - timedelta(days=2)).astimezone(ZONE):%Y%m%d}",
        "SUMMARY:snapshots of tide-log due\\, gannet\\, attic",
        "DESCRIPTION:" + said,
        "CATEGORIES:due",
        "TRANSP:TRANSPARENT",
        "END:VEVENT",
        "END:VCALENDAR",
    ]


@given(st.text(max_size=300))
def test_any_text_comes_back_whole(content: str) -> None:
    """What RFC 5545 3.3.11 escapes is escaped, and nothing else."""
    body = calendar.calendar([replace(due(1), reason=content)], "gannet", ZONE, NOW)
    (line,) = [each for each in raw(body) if each.startswith("DESCRIPTION:")]
    escapes = {"n": "\n", "N": "\n", "\\": "\\", ";": ";", ",": ","}
    text = re.sub(r"\\(.)", lambda found: escapes[found[1]], line.removeprefix("DESCRIPTION:"))
    assert clean(content) in text
    assert not re.search(r"(?<!\\)(\\\\)*[;,]", line.partition(":")[2])


def test_what_came_from_outside_breaks_no_calendar() -> None:
    """RFC 5545 3.3.11: backslashes, semicolons, commas and line breaks are escaped, and read back as they were."""
    hostile = full(3, key=SeriesKey("a;b,c\\d\nBEGIN:VALARM", "space"))
    body = calendar.calendar([hostile, full(3, key=SeriesKey(HOSTILE, "space"))], HOSTILE, ZONE, NOW)
    assert b"\nBEGIN:VALARM" not in body
    found = events(body)
    assert found[0]["SUMMARY"].startswith("a;b,c\\d BEGIN:VALARM full")
    # Every line ends with CRLF, and no other line break is in it.
    assert body.count(b"\n") == body.count(b"\r\n") == body.count(b"\r")


async def test_they_are_served(page: Open) -> None:
    """Each at its path with its type, under the prefix as well, with a validator for who asks again."""
    client = await page(readstore.filling(), PageSettings(prefix="/watch"))
    for path, media in (("/watch/events.atom", "application/atom+xml"), ("/calendar.ics", "text/calendar")):
        answer = await client.get(path)
        assert (answer.status, answer.content_type, answer.charset) == (200, media, "utf-8")
        again = await client.get(path, headers={"If-None-Match": answer.headers["ETag"]})
        assert again.status == 304
        assert (await client.get(f"{path}?x=1")).status == 400
    found = events(await (await client.get("/calendar.ics")).read())
    assert any(str(each["SUMMARY"]).startswith("pool skerry full (estimate)") for each in found)


@pytest.mark.parametrize("path", ["/events.atom", "/calendar.ics"])
async def test_a_watch_that_has_just_begun(page: Open, path: str) -> None:
    """Nothing is known yet, and that is a feed."""
    client = await page(ReadStoreDouble())
    assert (await client.get(path)).status == 200
