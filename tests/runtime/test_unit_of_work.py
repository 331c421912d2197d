"""What a unit of work collects, and how transitions and gaps get into it, into messages and into the log."""

import logging
from dataclasses import fields
from datetime import UTC, timedelta

import pytest

from tests.support.house import HOUR, START, Desk
from watchkeeper.alerting import state_machine
from watchkeeper.alerting.clock_gaps import Gap
from watchkeeper.logs.fields import NOTICE
from watchkeeper.model.alert import Alert, Concern, Delays, Priority, Transition
from watchkeeper.model.finding import Finding
from watchkeeper.model.observation import SeriesKey
from watchkeeper.model.records import Commit, Entry, EventLine, Seen
from watchkeeper.runtime.unit_of_work import REPORTED_GAP_S, Notifications, UnitOfWork

HUB, POOL = SeriesKey("service hide-hub", "answer"), SeriesKey("pool skerry", "health")
LINE = EventLine(START, Entry.NOTE, "swept the hide")


def found(priority: Priority | None) -> Finding:
    """A finding about a service that is not answering."""
    return Finding(HUB, Concern.NOT_ANSWERING, START, priority, since=START, reason="no route")


def raised(priority: Priority = Priority.WARNING, alert: Alert | None = None) -> Transition:
    """A raise."""
    _, (move,) = state_machine.step(alert or Alert(HUB, Concern.NOT_ANSWERING), priority, START, Delays())
    return move


def test_a_later_alert_or_finding_replaces_an_earlier_one() -> None:
    """Only the newest of each is committed, with all samples, lines and messages."""
    unit = UnitOfWork(events=[LINE])
    first, second = found(None), found(Priority.WARNING)
    unit.found([first, Finding(POOL, Concern.FAULTY, START, None)])
    unit.found([second])
    worse = raised().after
    unit.collect([Alert(HUB, Concern.NOT_ANSWERING)])
    unit.collect([worse])
    commit = unit.commit()
    assert commit == Commit(
        findings=(second, Finding(POOL, Concern.FAULTY, START, None)), alerts=(worse,), events=(LINE,)
    )


def test_a_unit_that_waited_goes_into_the_next_one_whole() -> None:
    """First, and each part of it, also one that is added later: a part that is forgotten would be lost silently."""
    for each in fields(UnitOfWork):
        one, two = UnitOfWork(), UnitOfWork()
        as_dict = isinstance(getattr(one, each.name), dict)
        setattr(one, each.name, {"both": 1, "one": 1} if as_dict else [1])
        setattr(two, each.name, {"both": 2, "two": 2} if as_dict else [2])
        one.precede(two)
        assert getattr(two, each.name) == ({"both": 2, "one": 1, "two": 2} if as_dict else [1, 2]), each.name


def test_samples_and_findings_may_be_lost_and_nothing_else() -> None:
    """What must not be lost waits in memory if the store cannot be written."""
    unit = UnitOfWork()
    assert [unit.lasting for _ in "x"] == [False]
    unit.found([found(None)])
    assert [unit.lasting for _ in "x"] == [False]
    assert UnitOfWork(events=[LINE]).lasting
    alerts = UnitOfWork()
    alerts.collect([Alert(HUB, Concern.NOT_ANSWERING)])
    assert alerts.lasting
    assert UnitOfWork(deliveries=list(Desk().deliveries_for(None, START))).lasting  # type: ignore[arg-type]
    assert not UnitOfWork(seen=[Seen(START, None, "hub", 1.0)]).lasting  # type: ignore[arg-type]


def notified(move: Transition) -> UnitOfWork:
    """The unit that a transition was added to."""
    unit = UnitOfWork()
    dependents = {HUB.subject: ("guest tide-log", "probe guests")}  # the probe itself is of no interest
    Notifications(Desk(), "gannet", UTC).transition(
        unit, move, found(move.after.priority), None, lambda subject: dependents.get(subject, ())
    )
    return unit


def test_a_transition_with_something_to_notify_is_a_line_and_a_message() -> None:
    """The line says what the message says, with the alert's state, episode and priority."""
    unit = notified(raised())
    (delivery,), (line,) = unit.deliveries, unit.events
    assert (line.text, line.entry, line.key, line.concern) == (
        delivery.message.headline,
        Entry.TRANSITION,
        HUB,
        Concern.NOT_ANSWERING,
    )
    assert line.details == {"event": "raise", "state": "active", "episode": "1", "priority": "warning"}
    assert "guest tide-log" in delivery.message.body
    assert "probe guests" not in delivery.message.body


def test_what_depends_on_nothing_of_the_daemons_own() -> None:
    """If no dependents are known, the message mentions none."""
    unit = UnitOfWork()
    Notifications(Desk(), "gannet", UTC).transition(unit, raised(), found(Priority.WARNING))
    assert "rest" not in unit.deliveries[0].message.body


def test_a_transition_that_is_kept_back_is_a_line_alone() -> None:
    """The line names the alert that suppresses it."""
    held = state_machine.hold(Alert(HUB, Concern.NOT_ANSWERING), POOL)
    unit = notified(raised(alert=held))
    assert unit.deliveries == []
    assert (unit.events[0].text, unit.events[0].details["held by"]) == (
        "service hide-hub: not answering (warning); follows from pool skerry, no separate message",
        str(POOL),
    )


@pytest.mark.parametrize(
    ("priority", "level"), [(Priority.ALARM, logging.WARNING), (Priority.WARNING, NOTICE), (Priority.CAUTION, NOTICE)]
)
def test_how_loud_a_transition_is_in_the_log(priority: Priority, level: int, caplog: pytest.LogCaptureFixture) -> None:
    """An alarm is logged as a warning, because the daemon itself is OK; easing or ending is logged as information."""
    caplog.set_level(logging.DEBUG)
    move = raised(priority)
    notified(move)
    _, (ended, *_) = state_machine.step(move.after, None, START, Delays())
    notified(ended)
    assert [record.levelno for record in caplog.records] == [level, logging.INFO]
    fields = [record.__dict__["watchkeeper"] for record in caplog.records]
    assert [each["notified"] for each in fields] == ["raised", "ended"]
    assert [each["transition"] for each in fields] == ["raise", "clear"]
    assert fields[0]["alert"] == f"{HUB} not_answering 1"


def gap(away_s: float = 0.0, set_by_s: float = 0.0) -> UnitOfWork:
    """The unit that a gap was added to."""
    unit, both = UnitOfWork(), Gap(START, START + HOUR, away_s, set_by_s)
    Notifications(Desk(), "gannet", UTC).gap(unit, both, Entry.START, "It slept.")
    return unit


def test_a_clock_that_was_set_is_a_note() -> None:
    """And no message: monitoring continued."""
    unit = gap(set_by_s=-61.0)
    assert [(line.entry, line.text, line.at) for line in unit.events] == [
        (Entry.NOTE, "the clock was changed by -61 s", START + HOUR)
    ]
    assert unit.deliveries == []


@pytest.mark.parametrize(("away_s", "messages"), [(REPORTED_GAP_S - 1, 0), (REPORTED_GAP_S, 1)])
def test_time_away_is_a_line_and_a_message_where_it_was_long(away_s: float, messages: int) -> None:
    """From five minutes on."""
    unit = gap(away_s=away_s)
    (line,) = unit.events
    assert line.entry is Entry.START
    assert line.details == {"away since": START.isoformat(), "away for": f"{away_s:.0f} s"}
    assert len(unit.deliveries) == messages
    assert timedelta(minutes=5).total_seconds() == REPORTED_GAP_S


def test_both_at_once_are_two_lines() -> None:
    """A host that slept, and whose clock was set when it woke."""
    assert [line.entry for line in gap(away_s=10.0, set_by_s=10.0).events] == [Entry.NOTE, Entry.START]
