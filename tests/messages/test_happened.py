"""What happened since a digest: outages, ended alerts, gaps and lost messages, from the record's own lines."""

from dataclasses import replace
from datetime import datetime, timedelta

from tests.support.messages import NOW, ZONE
from watchkeeper.messages.happened import Happened, began_since, lines
from watchkeeper.model.alert import Alert, Concern, Priority, State
from watchkeeper.model.history.availability import Outage
from watchkeeper.model.observation import SeriesKey
from watchkeeper.model.operator.simulation import SIMULATED
from watchkeeper.model.records import Entry, EventLine

HOUR = timedelta(hours=1)
SINCE = NOW - 24 * HOUR
HUB, POOL = SeriesKey("service hide-hub", "answer"), SeriesKey("pool skerry", "space")
GUEST = SeriesKey("guest tide-log", "state")


def line(
    hours: float,
    event: str,
    state: State,
    text: str,
    key: SeriesKey = GUEST,
    concern: Concern = Concern.FAULTY,
    **more: str,
) -> EventLine:
    """A transition so many hours before now."""
    details = {"event": event, "state": state.value, **{name.replace("_", " "): each for name, each in more.items()}}
    return EventLine(NOW - hours * HOUR, Entry.TRANSITION, text, key, concern, details)


def raised(hours: float, text: str = "guest tide-log paused", **more: str) -> EventLine:
    """The begin of an alert."""
    return line(hours, "raise", State.ACTIVE, text, GUEST, Concern.FAULTY, **{"priority": "warning", **more})


def cleared(hours: float, text: str = "guest tide-log running again (alert ended)") -> EventLine:
    """Its end."""
    return line(hours, "clear", State.RECTIFIED, text)


def said(
    *events: EventLine, outages: dict[SeriesKey, tuple[Outage, ...]] | None = None, alerts: tuple[Alert, ...] = ()
) -> list[str]:
    """The lines; the events come newest first, as the store gives them."""
    return lines(Happened(SINCE, events[::-1], outages or {}, alerts), NOW, ZONE)


def outage(hours: float, length_s: float | None, reason: str = "") -> Outage:
    """An outage that began so many hours before now."""
    begin_s = (NOW - hours * HOUR).timestamp()
    return Outage(begin_s, None if length_s is None else begin_s + length_s, length_s or 60.0, reason)


def test_an_alert_that_ended() -> None:
    """From when to when, how long, its highest priority, and what it was; what is still active is not here."""
    worse = line(5, "worsen", State.ACTIVE, "guest tide-log stopped", priority="alarm")
    eased = line(4.5, "ease", State.ACTIVE, "guest tide-log paused", priority="warning")
    acknowledged = line(4.4, "acknowledge", State.ACKNOWLEDGED, "guest tide-log: alert acknowledged")
    ended = line(4, "clear", State.NORMAL, "guest tide-log running again (alert ended)")
    assert said(raised(6), worse, eased, acknowledged, ended) == [
        "Tue 24 Nov 04:12 to Tue 24 Nov 06:12 (2 h), alarm: guest tide-log paused"
    ]
    assert said(raised(6)) == []
    assert said(raised(6), cleared(4), line(3, "acknowledge", State.NORMAL, "guest tide-log: alert acknowledged")) == [
        "Tue 24 Nov 04:12 to Tue 24 Nov 06:12 (2 h), warning: guest tide-log paused"
    ]


def test_a_level_says_how_it_ended() -> None:
    """It may have room again, or only have stopped growing."""
    about = {"key": POOL, "concern": Concern.FULL}
    first = line(6, "raise", State.ACTIVE, "pool skerry full in about 3 h", priority="alarm", **about)  # type: ignore[arg-type]
    last = line(1, "clear", State.RECTIFIED, "pool skerry stopped growing at 46 %", **about)  # type: ignore[arg-type]
    (only,) = said(first, last)
    assert only.endswith(", alarm: pool skerry full in about 3 h; then pool skerry stopped growing at 46 %")
    assert said(last) == ["until Tue 24 Nov 09:12: pool skerry stopped growing at 46 %"]


def test_an_alert_from_before() -> None:
    """Its begin is what the alert still says, if that is the same one; else only the end is known."""
    alert = Alert(GUEST, Concern.FAULTY, State.RECTIFIED, raised_at=NOW - 30 * HOUR, ended_at=NOW - 4 * HOUR)
    end = "guest tide-log running again (alert ended)"
    assert said(cleared(4), alerts=(alert,)) == [f"Mon 23 Nov 04:12 to Tue 24 Nov 06:12 (1 day 2 h): {end}"]
    assert said(cleared(5), alerts=(alert,)) == [f"until Tue 24 Nov 05:12: {end}"]
    known = line(6, "acknowledge", State.ACKNOWLEDGED, "guest tide-log: alert acknowledged")
    assert said(known, cleared(4)) == ["until Tue 24 Nov 06:12: guest tide-log: alert acknowledged"]
    assert said(line(3, "lapse", State.NORMAL, "guest tide-log: ended alert no longer listed")) == []


def test_what_came_again_and_again_is_one_line() -> None:
    """With the number of times, and the last of them."""
    events = [each for hours in (9, 7, 5) for each in (raised(hours), cleared(hours - 1))]
    assert said(*events) == [
        "3 times, the last time Tue 24 Nov 05:12 to Tue 24 Nov 06:12 (1 h), warning: guest tide-log paused"
    ]


def test_what_followed_is_counted() -> None:
    """An alert that was never sent on its own has no line of its own; one that was sent later has."""
    assert said(raised(6, held_by="pool skerry: space"), cleared(4)) == [
        "1 more alert without a message: followed from another, or in maintenance"
    ]
    other = [replace(each, key=HUB) for each in (raised(6, held_by="pool skerry: space"), cleared(4))]
    (two,) = said(raised(6, held_by="pool skerry: space"), cleared(4), *other)
    assert two.startswith("2 more alerts without a message")
    sent = line(5, "notify", State.ACTIVE, "guest tide-log paused", priority="warning")
    (only,) = said(raised(6, held_by="pool skerry: space"), sent, cleared(4))
    assert only.startswith("Tue 24 Nov 04:12 to Tue 24 Nov 06:12")


def test_a_test_alert_did_not_happen() -> None:
    """Nor does a line about something else count."""
    test = SeriesKey("pool skerry", SIMULATED)
    events = [
        line(6, "raise", State.ACTIVE, "TEST", test, priority="alarm"),
        line(5, "clear", State.NORMAL, "TEST", test),
        EventLine(NOW - HOUR, Entry.NOTE, "a note"),
        EventLine(NOW - HOUR, Entry.TRANSITION, "about nothing"),
        EventLine(NOW - HOUR, Entry.TRANSITION, "about nothing", GUEST),
    ]
    assert said(*events) == []


def test_outages_have_their_true_times() -> None:
    """In place of the alert about them, and also without one; what lasts is an active alert."""
    about = {"key": HUB, "concern": Concern.NOT_ANSWERING}
    first = line(2, "raise", State.ACTIVE, "service hide-hub not answering for 20 s", priority="warning", **about)  # type: ignore[arg-type]
    last = line(1, "clear", State.RECTIFIED, "service hide-hub answering again", **about)  # type: ignore[arg-type]
    one = said(first, last, outages={HUB: (outage(2.1, 3_700, "refused"), outage(0.2, None))})
    assert one == ["service hide-hub did not answer: Tue 24 Nov 08:06:00 to Tue 24 Nov 09:07:40, 1 h 2 min: refused"]
    several = said(outages={HUB: (outage(50, 60), outage(9, 10), outage(5, 40), outage(3, 10))})
    (sums,) = several
    assert sums.startswith(
        "service hide-hub did not answer: 3 outages, 60 s in all; the longest Tue 24 Nov 05:12:00 to "
    )
    (alone,) = said(first, last, outages={HUB: ()})
    assert alone.endswith("warning: service hide-hub not answering for 20 s")


def test_gaps_and_lost_messages() -> None:
    """In the order of their begins; lost messages come last."""
    away = {"away since": (NOW - 8 * HOUR).isoformat(), "away for": "7200 s"}
    events = [
        EventLine(
            NOW - 10 * HOUR,
            Entry.DELIVERY,
            "not sent by mail, given up: pool skerry",
            POOL,
            Concern.FULL,
            {"error": "x"},
        ),
        EventLine(NOW - 9 * HOUR, Entry.DELIVERY, "not sent by mail, given up: digest"),
        EventLine(NOW - 9 * HOUR, Entry.DELIVERY, "sent by mail: digest"),
        EventLine(NOW - 6 * HOUR, Entry.START, "monitoring resumed", details=away),
    ]
    assert said(*events, raised(6), cleared(4)) == [
        "Tue 24 Nov 02:12 to Tue 24 Nov 04:12 (2 h): nothing was monitored",
        "Tue 24 Nov 04:12 to Tue 24 Nov 06:12 (2 h), warning: guest tide-log paused",
        "Tue 24 Nov 00:12: not sent by mail, given up: pool skerry (x)",
        "Tue 24 Nov 01:12: not sent by mail, given up: digest (no reason given)",
    ]


def test_what_is_new() -> None:
    """Raised after the digest before."""
    new = Alert(GUEST, Concern.FAULTY, State.ACTIVE, Priority.ALARM, raised_at=SINCE + HOUR)
    old = Alert(POOL, Concern.FULL, State.ACTIVE, Priority.ALARM, raised_at=SINCE - HOUR)
    unknown = Alert(HUB, Concern.NOT_ANSWERING, State.ACTIVE, Priority.ALARM)
    found: Happened = Happened(SINCE, alerts=(new, old, unknown))
    assert began_since(found) == {(GUEST, Concern.FAULTY)}
    assert isinstance(found.since, datetime)
