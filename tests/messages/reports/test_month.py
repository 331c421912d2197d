"""The report of a month: only what is known, each thing once, and the same as text and by section."""

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from watchkeeper.messages.reports.month import Growth, Month, month_of, monthly_report, report_message
from watchkeeper.messages.reports.report import LISTED, report_text
from watchkeeper.model.alert import Concern
from watchkeeper.model.change import Change, ChangeKind
from watchkeeper.model.forecast_record import KeptForecast, Outcome
from watchkeeper.model.history.availability import Availability, Period, period_of
from watchkeeper.model.observation import SeriesKey, Unit
from watchkeeper.model.operator.simulation import SIMULATED
from watchkeeper.model.records import Entry, EventLine

BERLIN = ZoneInfo("Europe/Berlin")
HOUR, DAY = timedelta(hours=1), timedelta(days=1)
FIRST = date(2026, 10, 1)
BEGIN, END = period_of(Period.MONTH, FIRST, BERLIN)
SKERRY, CAMS = SeriesKey("pool skerry", "space"), SeriesKey("skerry/nest-cams", "space")
BACKUP, CERTIFICATE = SeriesKey("backup of hide-hub", "newest copy"), SeriesKey("service hide-hub", "certificate")
TIB, GIB = 2.0**40, 2.0**30


def october(**what: object) -> Month:
    """October 2026 as it was recorded, with what is given; the record began long before."""
    values = {"known_from": BEGIN - 100 * DAY, "until": END} | what
    return Month("gannet", FIRST, BEGIN, END, **values)  # type: ignore[arg-type]


def part(month: Month, heading: str) -> tuple[str, ...]:
    """The lines of the section that begins so."""
    return next(each.lines for each in monthly_report(month, BERLIN).sections if each.heading.startswith(heading))


def move(at: datetime, key: SeriesKey, event: str, concern: Concern = Concern.FULL, **details: str) -> EventLine:
    """A transition."""
    known = {"event": event, "state": "active", "episode": "1"} | details
    return EventLine(at, Entry.TRANSITION, f"{key.subject} {event}", key, concern, known)


def test_a_month_of_745_hours() -> None:
    """October has an hour more in Berlin; it is a whole month all the same."""
    assert END - BEGIN == 31 * DAY
    assert END.astimezone(UTC) - BEGIN.astimezone(UTC) == 31 * DAY + HOUR
    report = monthly_report(october(), BERLIN)
    assert (report.title, report.remarks) == ("Report of gannet for October 2026", ())


def test_nothing_is_stated_where_nothing_is_known() -> None:
    """A month without readings has every section, and says of none that nothing happened."""
    assert monthly_report(october(known_from=None), BERLIN).headline == "report for October 2026: nothing was recorded"
    assert report_text(monthly_report(october(known_from=None), BERLIN)) == (
        "Report of gannet for October 2026\n\n"
        "Nothing was recorded in this month.\n\n"
        + "\n".join(
            f"{each}:\n  cannot tell: nothing was recorded\n"
            for each in (
                "Restarts of the host",
                "Services",
                "Growth of stores",
                "Backups, jobs and other things that were missed",
                "Alerts",
                "Forecasts that came due",
                "What was changed",
                "Messages that could not be sent",
            )
        )
    )


@pytest.mark.parametrize(
    ("known", "said"),
    [
        (
            {"known_from": END - 10 * DAY},
            "covers 10 days, from Thu 22 Oct 00:00 to Sun 1 Nov 00:00: the record begins then.",
        ),
        ({"until": BEGIN + 36 * HOUR}, "covers 1 day, from Thu 1 Oct 00:00 to Fri 2 Oct 12:00: the month is not over."),
        (
            {"until": BEGIN + HOUR},
            "covers less than a day, from Thu 1 Oct 00:00 to Thu 1 Oct 01:00: the month is not over.",
        ),
        ({"known_from": END}, "Nothing was recorded in this month."),
    ],
)
def test_a_part_of_a_month_is_called_so(known: dict[str, datetime], said: str) -> None:
    """How many days, which, and why."""
    (remark,) = monthly_report(october(**known), BERLIN).remarks
    assert remark.removeprefix("This report ") == said


def test_when_the_daemon_did_not_run() -> None:
    """Counted apart; a restart of seconds is not mentioned."""
    gaps = [
        EventLine(BEGIN + 3 * DAY, Entry.START, "resumed", details={"away for": "7200 s"}),
        EventLine(BEGIN + 4 * DAY, Entry.START, "resumed", details={"away for": "20 s"}),
    ]
    (remark,) = monthly_report(october(events=gaps), BERLIN).remarks
    assert remark == "watchkeeper did not run once, for 2 h in all: nothing is known of then."
    twice, cut = monthly_report(october(events=[*gaps, gaps[0]], events_cut=True), BERLIN).remarks
    assert twice == "watchkeeper did not run 2 times, for 4 h in all: nothing is known of then."
    assert cut.startswith("There were more events than a report reads")
    assert monthly_report(october(events=gaps[1:]), BERLIN).remarks == ()


def test_restarts_and_changes() -> None:
    """A restart with how it came about; the rest by kind, so that many packages are one line."""
    changes = [
        Change(BEGIN + 9 * DAY, ChangeKind.RESTART, "the host", "restarted", "after a power cut"),
        *(Change(BEGIN + n * DAY, ChangeKind.PACKAGE, f"package-{n}", "upgraded", "from 1 to 2") for n in range(5)),
        Change(BEGIN + DAY, ChangeKind.GUEST, "ringing-db", "enlarged", "memory 2 GiB to 4 GiB"),
        Change(BEGIN + 2 * DAY, ChangeKind.RESTART, "the host", "restarted", "after a shutdown"),
    ]
    found = october(changes=changes)
    assert part(found, "Restarts") == (
        "Sat 3 Oct 00:00: the host restarted after a shutdown",
        "Sat 10 Oct 00:00: the host restarted after a power cut",
    )
    assert part(found, "What was changed") == (
        "5 packages upgraded: package-0, package-1, package-2 and 2 more",
        "guest ringing-db enlarged memory 2 GiB to 4 GiB",
    )


def test_growth() -> None:
    """From, to and rate; what grew where it is known, and that it is not where it is not."""
    whole = Growth(
        SKERRY, Unit.BYTES, TIB, 1.3 * TIB, 2 * TIB, BEGIN, BEGIN + 30 * DAY, ((CAMS, 0.25 * TIB),), parts_known=True
    )
    less = Growth(
        SeriesKey("file system /srv", "space"), Unit.BYTES, 50 * GIB, 20 * GIB, 100 * GIB, BEGIN, BEGIN + 30 * DAY
    )
    young = Growth(SeriesKey("file system /", "space"), Unit.BYTES, GIB, 2 * GIB, 10 * GIB, BEGIN, BEGIN + HOUR)
    quiet = Growth(CAMS, Unit.BYTES, GIB, GIB, 10 * GIB, BEGIN, BEGIN + 30 * DAY, (), parts_known=True)
    assert part(october(growth=[whole, less, young, quiet]), "Growth") == (
        "pool skerry: from 1 TiB to 1.3 TiB of 2 TiB, 10.2 GiB more a day; most in skerry/nest-cams 256 GiB more",
        "file system /srv: from 50 GiB to 20 GiB of 100 GiB, 1 GiB less a day; what grew in it is not recorded",
        "file system /: from 1 GiB to 2 GiB of 10 GiB; too short for a rate",
        "skerry/nest-cams: from 1 GiB to 1 GiB of 10 GiB, 0 B more a day",
    )


def test_what_was_missed() -> None:
    """What must happen again and again and did not; a due date that is only near was not missed."""
    overdue = Concern.OVERDUE
    events = [
        move(BEGIN + DAY, BACKUP, "raise", overdue, priority="caution"),
        move(BEGIN + 2 * DAY, BACKUP, "worsen", overdue, priority="warning"),
        move(BEGIN + 3 * DAY, BACKUP, "clear", overdue),
        move(BEGIN + 9 * DAY, BACKUP, "raise", overdue, priority="caution", episode="2"),
        move(BEGIN + 5 * DAY, CERTIFICATE, "raise", overdue, priority="caution"),
        move(BEGIN + 6 * DAY, SKERRY, "raise", priority="alarm"),
    ]
    long = {SeriesKey("job pruning", "report"): BEGIN - DAY, CERTIFICATE: BEGIN - DAY}
    found = october(events=events, recurring=frozenset({BACKUP, *long} - {CERTIFICATE}), overdue_since=long)
    assert part(found, "Backups") == (
        "job pruning: overdue since Wed 30 Sep 00:00, and not made up for",
        "backup of hide-hub: newest copy: overdue since Fri 2 Oct 00:00, until Sun 4 Oct 00:00",
        "backup of hide-hub: newest copy: overdue since Sat 10 Oct 00:00, and not made up for",
    )


def test_alerts() -> None:
    """Counted by priority, with every alarm; simulated ones are none."""
    events = [
        move(BEGIN + DAY, SKERRY, "raise", priority="warning"),
        move(BEGIN + 2 * DAY, SKERRY, "worsen", priority="alarm"),
        move(BEGIN + 3 * DAY, SKERRY, "ease", priority="warning"),
        move(BEGIN + 4 * DAY, CAMS, "escalate", priority="alarm"),
        move(BEGIN + 4 * DAY, SeriesKey("pool skerry", SIMULATED), "raise", priority="alarm"),
        EventLine(BEGIN, Entry.NOTE, "new disk"),
    ]
    follows = move(BEGIN + 4 * DAY, SeriesKey("guest tide-log", "state"), "raise", priority="alarm")
    follows = replace(follows, details={**follows.details, "held by": "pool skerry"})
    assert part(october(events=[*events, follows]), "Alerts")[0] == (
        "2 alarms, 1 warning, 0 cautions; and 1 that followed from another"
    )
    assert part(october(events=[follows]), "Alerts") == (
        "0 alarms, 0 warnings, 0 cautions; and 1 that followed from another",
    )
    found = october(events=events)
    assert part(found, "Alerts") == (
        "2 alarms, 1 warning, 0 cautions",
        "Sat 3 Oct 00:00: pool skerry worsen",
        "Mon 5 Oct 00:00: skerry/nest-cams escalate",
    )
    assert monthly_report(found, BERLIN).headline == "report for October 2026: 0 restarts, 0 outages, 2 alarms"


def test_services() -> None:
    """The one that did not answer for longest comes first, and outages are in the headline."""
    day_s = 86_400.0
    services = {
        "service hide-hub": Availability(0, day_s, day_s, 0, 0, at_least=False),
        "service nest-cams": Availability(0, day_s, day_s, 68, 1, at_least=False),
    }
    found = october(services=services)
    assert part(found, "Services") == (
        "service nest-cams: no answer for 68 s, 1 outage; answered 99.92 %", "service hide-hub: always answered",
    )  # fmt: skip
    assert "1 outage," in monthly_report(found, BERLIN).headline


def test_forecasts_that_came_due() -> None:
    """Those that were decided in the month, as everywhere else."""

    def kept(day: int, decided: datetime | None, *, held: bool = True) -> KeptForecast:
        at = BEGIN - 60 * DAY + day * HOUR
        return KeptForecast(
            SKERRY, at, 1.0, 2.0, 3.0, GIB, TIB, outcome=Outcome.FILLED, decided_at=decided, held=held, error=0.1
        )

    inside = [kept(n, BEGIN + n * DAY, held=n > 0) for n in range(12)]
    found = october(forecasts=[*inside, kept(20, BEGIN - DAY), kept(21, END), kept(22, None)])
    (line,) = part(found, "Forecasts")
    assert line.startswith("of 12 forecasts whose time has come, 11 held")


def test_messages_that_could_not_be_sent() -> None:
    """What was given up, and how often an attempt failed by notifier."""
    gone = {"notifier": "mail", "error": "the server refused"}
    events = [
        EventLine(
            BEGIN + DAY,
            Entry.DELIVERY,
            "not sent yet by phone: skerry",
            details={"notifier": "phone", "error": "refused"},
        ),
        EventLine(
            BEGIN + DAY,
            Entry.DELIVERY,
            "not sent yet by phone: skerry",
            details={"notifier": "phone", "error": "refused"},
        ),
        EventLine(BEGIN + 8 * DAY, Entry.DELIVERY, "not sent by mail, given up: skerry", details=gone),
        EventLine(BEGIN + 9 * DAY, Entry.DELIVERY, "sent by mail: skerry", details={"notifier": "mail"}),
    ]
    assert part(october(events=events), "Messages") == (
        "Fri 9 Oct 00:00: not sent by mail, given up: skerry (the server refused)",
        "phone: 2 failed attempts",
    )


def test_long_sections_are_counted() -> None:
    """So that the report fits on two sheets."""
    many = [Change(BEGIN + n * HOUR, ChangeKind.RESTART, "the host", "restarted") for n in range(LISTED + 3)]
    report = monthly_report(october(changes=many), BERLIN)
    assert (len(report.sections[0].lines), report.sections[0].more) == (LISTED, 3)
    assert "\n  and 3 more\n" in report_text(report)


def test_the_message() -> None:
    """It has no priority, and a thread for each month."""
    report = monthly_report(october(), BERLIN)
    message = report_message(report, END, END, "gannet")
    assert (message.priority, message.headline, message.body) == (None, report.headline, report_text(report))
    assert report_message(report, END, END + DAY, "gannet").thread != message.thread


@pytest.mark.parametrize(
    ("text", "first"),
    [
        ("2026-11", date(2026, 11, 1)),
        ("1970-01", date(1970, 1, 1)),
        *(
            (each, None)
            for each in ("2026", "2026-13", "0001-01", "2026-1", "x-11", "२०२६-11", "2026-11-01", "2026-00")
        ),
    ],
)
def test_the_names_of_months(text: str, first: date | None) -> None:
    """As ISO 8601 writes them."""
    assert month_of(text) == first
