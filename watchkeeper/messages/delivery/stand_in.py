"""Somebody else gets messages as well while the operator is away: when, which, and what they are told. Pure.

Not here: the tables of the configuration (config/tables/stand_in.py), and when a begin or an end is due
(periodic/stand_ins.py).
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, tzinfo

from watchkeeper.messages import wording
from watchkeeper.messages.body import LONGEST_HEADLINE, wrapped
from watchkeeper.messages.build import of_no_alert, thread_id
from watchkeeper.messages.reports.report import Report, report_text
from watchkeeper.model.alert import Alert, Concern, NotificationKind, Priority, State
from watchkeeper.model.message import Message
from watchkeeper.model.observation import SeriesKey

KEY = SeriesKey("watchkeeper", "stand-in")
"""What its messages and event log lines are about."""

LISTED = 10
"""Alerts that the first and the last message name."""

NOTE_LIMIT = 300
"""Characters of the note."""


@dataclass(frozen=True, slots=True)
class StandIn:
    """The notifier of somebody who gets messages from `begin_at` until `end_at`, at this priority or above.

    note: what they need to know, in the operator's words. sheet: the address of the sheet of the house; empty if the
    page has none that can be opened from elsewhere.
    """

    notifier: str
    begin_at: datetime
    end_at: datetime
    at_least: Priority = Priority.WARNING
    note: str = ""
    sheet: str = ""

    @property
    def id(self) -> str:
        """The same while notifier and begin are; a changed end continues it."""
        return f"{self.notifier} {self.begin_at.isoformat()}"

    def covers(self, at: datetime) -> bool:
        """Is it under way at this time?"""
        return self.begin_at <= at < self.end_at

    def explained(self, message: Message, zone: tzinfo) -> Message:
        """The same message, with why it comes to them, until when, the note, and where the sheet is."""
        return message.with_paragraph(wrapped("\n".join(self._reason(message, zone))))

    def _reason(self, message: Message, zone: tzinfo) -> Iterable[str]:
        until = wording.instant(self.end_at, zone, message.at)
        yield f"You get this because you stand in for the operator of {wording.clean(message.host, 60)} until {until}."
        if self.note:
            yield f"Note: {wording.clean(self.note, NOTE_LIMIT)}"
        if self.sheet:
            yield f"The sheet of the house: {self.sheet}"
        else:
            yield "The sheet of the house came with your first message."


def line(each: StandIn, zone: tzinfo, now: datetime) -> str:
    """`neighbour, until Sun 20 Dec 18:00, "warning" and above: the key is in the kitchen`."""
    begin = "" if each.begin_at <= now else f"from {wording.instant(each.begin_at, zone, now)} "
    note = f": {wording.clean(each.note, NOTE_LIMIT)}" if each.note else ""
    until = wording.instant(each.end_at, zone, now)
    return f"{wording.clean(each.notifier, 60)}, {begin}until {until}, {each.at_least.word} and above{note}"


def ahead(every: Iterable[StandIn], now: datetime) -> list[StandIn]:
    """Those that are under way or still to come, the first to begin first."""
    return sorted((each for each in every if now < each.end_at), key=lambda each: (each.begin_at, each.notifier))


def first_message(
    each: StandIn, sheet: Report, alerts: Iterable[Alert], host: str, zone: tzinfo, now: datetime
) -> Message:
    """What somebody gets when their stand-in begins: until when, what is active now, and the whole sheet."""
    name, until = wording.clean(host, 60), wording.instant(each.end_at, zone, now)
    opening = (
        f"You stand in for the operator of {name} until {until}. Until then you get messages of the priority "
        f"{each.at_least.word} and above."
    )
    parts = [wrapped(opening), *([wrapped(f"Note: {wording.clean(each.note, NOTE_LIMIT)}")] if each.note else [])]
    parts.append(_active("Active now:", alerts, zone, now) or "No alert is active now.")
    if each.sheet:
        parts.append(f"The sheet of the house, always up to date: {each.sheet}")
    return _message(
        (each.id, "begin"), host, now, f"you stand in for {name} until {until}", [*parts, report_text(sheet)]
    )


def last_message(id_: str, alerts: Iterable[Alert], host: str, zone: tzinfo, now: datetime) -> Message:
    """What somebody gets when their stand-in is over: no further messages come for it; what is still active."""
    name = wording.clean(host, 60)
    parts = [
        wrapped(f"Your stand-in for the operator of {name} is over. You get no further messages because of it."),
        _active("Still active:", alerts, zone, now) or "No alert is active now.",
        f"Times are {wording.zone_name(now, zone)}.",
    ]
    return _message((id_, "end"), host, now, f"your stand-in for {name} is over", parts)


def _active(title: str, alerts: Iterable[Alert], zone: tzinfo, now: datetime) -> str:
    """The active alerts, the most urgent first; empty if there is none."""
    standing = sorted(
        (each for each in alerts if each.standing and each.priority is not None and each.held_by is None),
        key=lambda each: (-(each.priority or 0), each.raised_at or now),
    )
    if not standing:
        return ""
    lines = [_alert(each, zone, now) for each in standing[:LISTED]]
    if len(standing) > LISTED:
        lines.append(f"  and {len(standing) - LISTED} more")
    return "\n".join([title, *lines])


def _alert(alert: Alert, zone: tzinfo, now: datetime) -> str:
    since = f", since {wording.instant(alert.raised_at, zone, now)}" if alert.raised_at else ""
    word = alert.priority.word.upper() if alert.priority else ""
    return wrapped(f"  {word} {wording.thing(alert.key, 100)}, {alert.concern.words}{since}")


def _message(named: tuple[str, str], host: str, now: datetime, headline: str, parts: Sequence[str]) -> Message:
    return of_no_alert(
        thread_id(host, "stand-in", *named, now.isoformat()),
        host=host,
        kind=NotificationKind.DIGEST,  # it goes to one receiver, and is not put into another message
        key=KEY,
        concern=Concern.OVERDUE,
        state=State.NORMAL,
        priority=None,
        at=now,
        headline=wording.clean(headline, LONGEST_HEADLINE),
        body="\n\n".join(each.rstrip() for each in parts) + "\n",
    )
