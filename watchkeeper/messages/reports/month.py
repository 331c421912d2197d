"""The report of a month: what is recorded of it, as sections of plain lines. Only what is known is stated. Pure.

Not here: reading the record (web/reports/gather.py), and the page (web/templates/report.html).
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, tzinfo
from itertools import groupby

from watchkeeper.forecast.scoring import summary
from watchkeeper.messages import availability, wording
from watchkeeper.messages.body import LONGEST_HEADLINE
from watchkeeper.messages.build import of_no_alert, thread_id
from watchkeeper.messages.changes import ChangeGroup, text_of
from watchkeeper.messages.forecast_record import record_line
from watchkeeper.messages.happened import FOLLOWS
from watchkeeper.messages.reports.report import Report, report_text, section
from watchkeeper.model.alert import Concern, Event, NotificationKind, Priority, State
from watchkeeper.model.change import Change, ChangeKind
from watchkeeper.model.forecast_record import KeptForecast
from watchkeeper.model.history.availability import Availability, Period
from watchkeeper.model.message import Message
from watchkeeper.model.observation import SeriesKey, Unit
from watchkeeper.model.operator.simulation import is_simulated
from watchkeeper.model.records import Entry, EventLine
from watchkeeper.model.units import DAY_S

NOT_YET = "and not made up for"

FIRST_YEAR = 1970
"""Times are counted from it."""

UNKNOWN = "cannot tell: nothing was recorded"
"""What a section without lines says of a month that was not monitored."""

LEAST_GAP_S = 60.0
"""A shorter time without monitoring, such as a restart of the daemon, is not mentioned."""


@dataclass(frozen=True, slots=True)
class Growth:
    """How a level changed in a month. parts: what grew within it, the most first; parts_known: whether it has parts."""

    key: SeriesKey
    unit: Unit
    first: float
    last: float
    capacity: float
    first_at: datetime
    last_at: datetime
    parts: tuple[tuple[SeriesKey, float], ...] = ()
    parts_known: bool = False


@dataclass(frozen=True, slots=True)
class Month:
    """What is recorded of a month.

    begin, end: of the month in the operator's zone. until: its end, or now. known_from: the first reading; None if
    there is none. recurring: what must happen again and again; what is overdue of it was missed. overdue_since: what
    was overdue before the month and still is. events_cut: there were more events than were read.
    """

    host: str
    first_day: date
    begin: datetime
    end: datetime
    until: datetime
    known_from: datetime | None = None
    services: Mapping[str, Availability] = field(default_factory=dict)
    growth: Sequence[Growth] = ()
    changes: Sequence[Change] = ()
    events: Sequence[EventLine] = ()
    forecasts: Sequence[KeptForecast] = ()
    recurring: frozenset[SeriesKey] = frozenset()
    overdue_since: Mapping[SeriesKey, datetime] = field(default_factory=dict)
    events_cut: bool = False


def month_of(text: str) -> date | None:
    """The first day of a month that is written as `2026-11`; None if it is none."""
    year, _, month = text.partition("-")
    if not (text.isascii() and len(year) == 4 and year.isdecimal() and len(month) == 2 and month.isdecimal()):
        return None
    return date(int(year), int(month), 1) if int(year) >= FIRST_YEAR and 1 <= int(month) <= 12 else None


def monthly_report(month: Month, zone: tzinfo) -> Report:
    """What is known of a month, for people."""
    name = availability.period_name(Period.MONTH, month.first_day)
    parts = (
        ("Restarts of the host", _restarts(month, zone), "none recorded"),
        ("Services", availability.report(month.services), "no service is monitored"),
        ("Growth of stores", [_growth(each) for each in month.growth], "no store is recorded"),
        ("Backups, jobs and other things that were missed", _missed(month, zone), "none"),
        ("Alerts", _alerts(month, zone), "none"),
        ("Forecasts that came due", _forecasts(month), "none"),
        ("What was changed", _changed(month), "nothing recorded"),
        ("Messages that could not be sent", _failed(month, zone), "none"),
    )
    sections = tuple(section(head, lines, none if _recorded(month) else UNKNOWN) for head, lines, none in parts)
    remarks = tuple(_remarks(month, zone))
    return Report(f"Report of {wording.clean(month.host, 60)} for {name}", _headline(month, name), remarks, sections)


def report_message(report: Report, due_at: datetime, now: datetime, host: str) -> Message:
    """The message with a report that was due at `due_at`."""
    # With both: after the clock was set back the same time comes again.
    thread = thread_id(host, "monthly report", due_at.isoformat(), now.isoformat())
    return of_no_alert(
        thread,
        host=host,
        kind=NotificationKind.DIGEST,
        key=SeriesKey("watchkeeper", "monthly report"),
        concern=Concern.OVERDUE,
        state=State.NORMAL,
        priority=None,
        at=now,
        headline=wording.headed(report.headline, LONGEST_HEADLINE),
        body=report_text(report),
    )


def _headline(month: Month, name: str) -> str:
    """`November 2026: 1 restart, 3 outages, 2 alarms`."""
    if not _recorded(month):
        return f"report for {name}: nothing was recorded"
    said = [
        _count(sum(each.kind is ChangeKind.RESTART for each in month.changes), "restart"),
        _count(sum(each.outages for each in month.services.values()), "outage"),
        _count(len(_raised(month, Priority.ALARM)), "alarm"),
    ]
    return f"report for {name}: {', '.join(said)}"


def _recorded(month: Month) -> bool:
    """Return whether there are readings of the month."""
    return month.known_from is not None and month.known_from < month.until


def _remarks(month: Month, zone: tzinfo) -> Iterable[str]:
    known = month.known_from
    if known is None or not _recorded(month):
        yield "Nothing was recorded in this month."
        return
    days = (month.until - max(known, month.begin)).total_seconds() / DAY_S
    if known > month.begin or month.until < month.end:
        begin = max(known, month.begin)
        said = f"This report covers {_days(days)}, from {_at(begin, zone, month)} to {_at(month.until, zone, month)}"
        yield f"{said}: {'the record begins then' if known > month.begin else 'the month is not over'}."
    away = [float(each.details["away for"].removesuffix(" s")) for each in month.events if "away for" in each.details]
    long = [each for each in away if each >= LEAST_GAP_S]
    if long:
        times = "once" if len(long) == 1 else f"{len(long)} times"
        yield f"watchkeeper did not run {times}, for {wording.duration(sum(long))} in all: nothing is known of then."
    if month.events_cut:
        yield "There were more events than a report reads: alerts and messages are counted from the newest."


def _restarts(month: Month, zone: tzinfo) -> list[str]:
    return [
        f"{_at(each.at, zone, month)}: {text_of(ChangeGroup((each,)))}"
        for each in sorted(month.changes, key=_time)
        if each.kind is ChangeKind.RESTART
    ]


def _growth(each: Growth) -> str:
    """`pool skerry: from 1.2 TiB to 1.4 TiB, 6.7 GiB a day; nest-cams 150 GiB more`."""
    name = wording.thing(each.key)
    between = f"from {wording.amount(each.first, each.unit)} to {wording.amount(each.last, each.unit)}"
    of = f"{name}: {between} of {wording.amount(each.capacity, each.unit)}"
    days = (each.last_at - each.first_at).total_seconds() / DAY_S
    if days < 1:
        return f"{of}; too short for a rate"
    direction = "more" if each.last >= each.first else "less"
    rate = f"{wording.amount(abs(each.last - each.first) / days, each.unit)} {direction} a day"
    grew = ", ".join(f"{wording.thing(key)} {wording.amount(more, each.unit)} more" for key, more in each.parts)
    unknown = "" if each.parts_known else "; what grew in it is not recorded"
    return f"{of}, {rate}{'; most in ' + grew if grew else unknown}"


def _missed(month: Month, zone: tzinfo) -> list[str]:
    """What was overdue, with its times. A due date that was only near was not missed."""
    moves = _transitions(month)
    lines = [
        f"{wording.thing(key)}: overdue since {_at(at, zone, month)}, {NOT_YET}"
        for key, at in month.overdue_since.items()
        if key in month.recurring
    ]
    for key, each in ((each.key, each) for each in moves if each.concern is Concern.OVERDUE and _is(each, Event.RAISE)):
        if key is not None and key in month.recurring:
            ended = next((one for one in moves if _ends(one, each)), None)
            until = NOT_YET if ended is None else f"until {_at(ended.at, zone, month)}"
            lines.append(f"{wording.thing(key)}: overdue since {_at(each.at, zone, month)}, {until}")
    return lines


def _ends(move: EventLine, raised: EventLine) -> bool:
    return _episode(move) == _episode(raised) and (_is(move, Event.CLEAR) or _is(move, Event.LAPSE))


def _episode(move: EventLine) -> tuple[object, ...]:
    return move.key, move.concern, move.details.get("episode")


def _transitions(month: Month) -> list[EventLine]:
    """What became of alerts, oldest first; without simulated ones."""
    found = [each for each in month.events if each.entry is Entry.TRANSITION]
    return sorted((each for each in found if each.key is None or not is_simulated(each.key)), key=_time)


def _alerts(month: Month, zone: tzinfo) -> list[str]:
    """The number of each priority, then every alarm. What followed from another alert is only counted."""
    counts = [(each, len(_raised(month, each))) for each in sorted(Priority, reverse=True)]
    followed = sum(FOLLOWS in each.details for each in _rising(month))
    if not any(count for _, count in counts) and not followed:
        return []
    alarms = [
        f"{_at(each.at, zone, month)}: {wording.clean(each.text, 160)}" for each in _raised(month, Priority.ALARM)
    ]
    counted = ", ".join(_count(count, each.word) for each, count in counts)
    return [f"{counted}; and {followed} that followed from another" if followed else counted, *alarms]


def _raised(month: Month, priority: Priority) -> list[EventLine]:
    """The events by which an alert got this priority of its own, oldest first: raised with it, or risen to it."""
    own = [each for each in _rising(month) if FOLLOWS not in each.details]
    return [each for each in own if each.details.get("priority") == priority.word]


def _rising(month: Month) -> list[EventLine]:
    rises = (Event.RAISE, Event.WORSEN, Event.ESCALATE)
    return [each for each in _transitions(month) if any(_is(each, event) for event in rises)]


def _forecasts(month: Month) -> list[str]:
    """The score of those that were decided in the month."""
    decided = [each for each in month.forecasts if each.decided_at and month.begin <= each.decided_at < month.until]
    return [record_line(summary(decided))] if decided else []


def _changed(month: Month) -> list[str]:
    """One line for each kind of change: 34 packages are one line."""
    others = sorted(
        (each for each in month.changes if each.kind is not ChangeKind.RESTART),
        key=lambda each: (list(ChangeKind).index(each.kind), each.action),
    )
    return [
        text_of(ChangeGroup(tuple(group))) for _, group in groupby(others, key=lambda each: (each.kind, each.action))
    ]


def _failed(month: Month, zone: tzinfo) -> list[str]:
    """Deliveries that were given up; then how many attempts failed, by notifier."""
    events = sorted(month.events, key=_time)
    lines = [each for each in events if each.entry is Entry.DELIVERY and "error" in each.details]
    given_up = [each for each in lines if ", given up: " in each.text]
    late = sorted(each.details["notifier"] for each in lines if each not in given_up)
    said = [
        f"{_at(each.at, zone, month)}: {wording.clean(each.text, 160)} ({wording.clean(each.details['error'], 80)})"
        for each in given_up
    ]
    retried = [(name, len(list(group))) for name, group in groupby(late)]
    return said + [f"{wording.clean(name, 60)}: {_count(count, 'failed attempt')}" for name, count in retried]


def _is(line: EventLine, event: Event) -> bool:
    return line.details.get("event") == event.value


def _time(each: Change | EventLine) -> datetime:
    return each.at


def _at(at: datetime, zone: tzinfo, month: Month) -> str:
    return wording.instant(at, zone, month.until)


def _count(number: int, one: str) -> str:
    return f"{number} {one if number == 1 else one + 's'}"


def _days(days: float) -> str:
    return "less than a day" if days < 1 else _count(int(days), "day")
