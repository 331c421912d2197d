"""Forecasts and due dates as an iCalendar file (RFC 5545), for the operator's own calendar.

Each concern is one event with a UID that never changes: if the forecast moves, the event moves with it. Events take the
whole day, in the operator's zone, and block no time (TRANSPARENT). Pure. Not here: routes (handlers.py).
"""

from collections.abc import Iterator, Sequence
from datetime import UTC, datetime, timedelta, tzinfo

from watchkeeper import __version__
from watchkeeper.messages.build import thread_id
from watchkeeper.messages.wording import clean, moment, thing, time_left_phrase, zone_name
from watchkeeper.model.alert import Concern
from watchkeeper.model.finding import Finding
from watchkeeper.model.first_quantities import first_quantity

MEDIA = "text/calendar"

FOLD_OCTETS = 75
"""RFC 5545 3.1: lines should not be longer than 75 octets, without the line break."""

FAR = timedelta(days=10 * 366)
"""What is further ahead is not worth an event, and would make some calendars slow."""

_DATED = {Concern.FULL: "full", Concern.OVERDUE: "due"}
"""The concerns that have a day, and the word for their event."""


def calendar(findings: Sequence[Finding], host: str, zone: tzinfo, now: datetime) -> bytes:
    """The calendar of what is known at `now`."""
    lines = [
        "BEGIN:VCALENDAR",
        "VERSION:2.0",
        f"PRODID:-//watchkeeper//watchkeeper {__version__}//EN",
        f"NAME:{escaped(f'watchkeeper on {clean(host, 60)}')}",  # RFC 7986 5.1
        "REFRESH-INTERVAL;VALUE=DURATION:PT1H",  # RFC 7986 5.7
    ]
    for found in sorted(findings, key=lambda each: (str(each.key), each.concern)):
        if found.concern in _DATED and found.ends_at is not None and found.ends_at - now < FAR:
            lines += _event(found, found.ends_at, host, zone, now)
    lines.append("END:VCALENDAR")
    return "".join(fold(line) for line in lines).encode()


def _event(found: Finding, ends_at: datetime, host: str, zone: tzinfo, now: datetime) -> Iterator[str]:
    yield "BEGIN:VEVENT"
    yield f"UID:{thread_id(host, 'calendar', found.key.subject, first_quantity(found.key), found.concern.value)}"
    yield f"DTSTAMP:{found.at.astimezone(UTC):%Y%m%dT%H%M%SZ}"  # last revision, as without METHOD (3.8.7.2)
    yield f"DTSTART;VALUE=DATE:{ends_at.astimezone(zone):%Y%m%d}"
    yield f"SUMMARY:{escaped(_summary(found, host))}"
    yield f"DESCRIPTION:{escaped(_description(found, zone, now))}"
    yield f"CATEGORIES:{_DATED[found.concern]}"
    yield "TRANSP:TRANSPARENT"
    yield "END:VEVENT"


def _summary(found: Finding, host: str) -> str:
    what = f"{thing(found.key)} {_DATED[found.concern]}"
    guess = " (estimate)" if found.forecast is not None else ""
    return f"{what}{guess}, {clean(host, 60)}"


def _description(found: Finding, zone: tzinfo, now: datetime) -> str:
    said = [f"{thing(found.key)} {time_left_phrase(found, now, zone)}."]
    if found.earliest_at is not None:
        last = f"{moment(found.latest_at, zone, now)}" if found.latest_at is not None else "no latest date"
        said.append(f"90 % range: {moment(found.earliest_at, zone, now)} to {last}.")
    if found.reason:
        said.append(clean(found.reason))
    return "\n".join([*said, f"Dates are in the time zone {zone_name(now, zone)}."])


def escaped(text: str) -> str:
    """A TEXT value (RFC 5545 3.3.11)."""
    return text.replace("\\", "\\\\").replace(";", "\\;").replace(",", "\\,").replace("\n", "\\n")


def fold(line: str) -> str:
    """A content line, folded at 75 octets and never within a character (RFC 5545 3.1), with its line break."""
    parts, part, octets = [], "", 0
    for sign in line:
        size = len(sign.encode())
        if octets + size > FOLD_OCTETS:
            parts.append(part)
            part, octets = " ", 1
        part, octets = part + sign, octets + size
    return "\r\n".join([*parts, part]) + "\r\n"
