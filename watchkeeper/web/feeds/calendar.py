"""Forecasts and due dates as an iCalendar file (RFC 5545), for the operator's own calendar.

Each concern is one event with a UID that never changes: if the forecast moves, the event moves with it. Events take the
whole day, in the operator's zone, and block no time (TRANSPARENT). Pure. Not here: routes (handlers.py).
"""

from collections.abc import Mapping, Sequence
from datetime import UTC, datetime, timedelta, tzinfo
from typing import TYPE_CHECKING

from watchkeeper import __version__
from watchkeeper.messages.build import thread_id
from watchkeeper.messages.wording import clean, moment, thing, time_left_phrase, zone_name
from watchkeeper.model.alert import Concern
from watchkeeper.model.finding import Finding
from watchkeeper.model.history.first_quantities import first_quantity
from watchkeeper.model.observation import Observation, SeriesKey

if TYPE_CHECKING:
    from icalendar import Event

MEDIA = "text/calendar"

FAR = timedelta(days=10 * 366)
"""What is further ahead is not worth an event, and would make some calendars slow."""

_DATED = {Concern.FULL: "full", Concern.OVERDUE: "due"}
"""The concerns that have a day, and the word for their event."""


def calendar(
    findings: Sequence[Finding],
    host: str,
    zone: tzinfo,
    now: datetime,
    seen: Mapping[SeriesKey, Observation] | None = None,
) -> bytes:
    """The calendar of what is known at `now`. seen: the newest observations, with the operator's own names of disks."""
    from icalendar import Calendar, vText  # noqa: PLC0415  3.7 MiB, only where somebody reads the calendar

    made = Calendar()
    made.add("version", "2.0")
    made.add("prodid", f"-//watchkeeper//watchkeeper {__version__}//EN")
    made.add("name", vText(f"watchkeeper on {clean(host, 60)}"))  # RFC 7986 5.1; escaped only as such
    made.add("refresh-interval", timedelta(hours=1), {"VALUE": "DURATION"})  # RFC 7986 5.7
    for found in sorted(findings, key=lambda each: (str(each.key), each.concern)):
        if found.concern in _DATED and not found.early and found.ends_at is not None and found.ends_at - now < FAR:
            name = thing(found.key, seen=(seen or {}).get(found.key))
            made.add_component(_event(found, found.ends_at, name, host, zone, now))
    return bytes(made.to_ical(sorted=False))


def _event(found: Finding, ends_at: datetime, name: str, host: str, zone: tzinfo, now: datetime) -> "Event":
    from icalendar import Event  # noqa: PLC0415  as above

    made = Event()
    made.add("uid", thread_id(host, "calendar", found.key.subject, first_quantity(found.key), found.concern.value))
    made.add("dtstamp", found.at.astimezone(UTC))  # last revision, as without METHOD (3.8.7.2)
    made.add("dtstart", ends_at.astimezone(zone).date())
    made.add("summary", _summary(found, name, host))
    made.add("description", _description(found, name, zone, now))
    made.add("categories", [_DATED[found.concern]])
    made.add("transp", "TRANSPARENT")
    return made


def _summary(found: Finding, name: str, host: str) -> str:
    what = f"{name} {_DATED[found.concern]}"
    guess = " (estimate)" if found.forecast is not None else ""
    return f"{what}{guess}, {clean(host, 60)}"


def _description(found: Finding, name: str, zone: tzinfo, now: datetime) -> str:
    said = [f"{name} {time_left_phrase(found, now, zone)}."]
    if found.earliest_at is not None:
        last = f"{moment(found.latest_at, zone, now)}" if found.latest_at is not None else "no latest date"
        said.append(f"90 % range: {moment(found.earliest_at, zone, now)} to {last}.")
    if found.reason:
        said.append(clean(found.reason))
    return "\n".join([*said, f"Dates are in the time zone {zone_name(now, zone)}."])
