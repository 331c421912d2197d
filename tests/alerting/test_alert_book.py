"""All alerts in one place: which changed, which are held, and what a gap does to them."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta

from watchkeeper.alerting.alert_book import AlertBook
from watchkeeper.model.alert import Alert, Concern, Delays, Priority, State
from watchkeeper.model.finding import Finding
from watchkeeper.model.observation import SeriesKey

NOW = datetime(2026, 3, 1, 6, 0, tzinfo=UTC)
MINUTE = timedelta(minutes=1)
HUB, LOG, POOL = (
    SeriesKey("service hide-hub", "answer"),
    SeriesKey("service tide-log", "answer"),
    SeriesKey("p", "x"),
)
STANDING = Alert(
    HUB, Concern.NOT_ANSWERING, State.ACTIVE, Priority.WARNING, 1, message_count=1, notified_priority=Priority.WARNING
)


def asks(priority: Priority | None, key: SeriesKey = HUB) -> Finding:
    """A finding about the silence of a series."""
    return Finding(key, Concern.NOT_ANSWERING, NOW, priority)


def test_an_alert_that_nobody_knew_is_normal() -> None:
    """Looking for it does not put it into the book; asking for it does, and writes nothing."""
    book = AlertBook()
    assert book.find(HUB, Concern.NOT_ANSWERING) is None
    assert book.priority_of(HUB, Concern.NOT_ANSWERING) is None
    assert book.get(HUB, Concern.NOT_ANSWERING) == Alert(HUB, Concern.NOT_ANSWERING)
    assert book.find(HUB, Concern.NOT_ANSWERING) is book.get(HUB, Concern.NOT_ANSWERING)
    assert book.collect_changed() == []


def test_only_what_changed_is_collected_and_only_once() -> None:
    """What was restored counts as written; what is moved and moved back did not change."""
    book = AlertBook([STANDING])
    book.put(book.get(HUB, Concern.NOT_ANSWERING))
    assert not book.any_changed()
    worse = replace(STANDING, priority=Priority.ALARM)
    book.put(worse)
    book.put(Alert(LOG, Concern.NOT_ANSWERING, episode=1))
    book.put(Alert(LOG, Concern.NOT_ANSWERING))
    assert book.any_changed()
    assert book.collect_changed() == [worse]
    assert not book.any_changed()
    assert book.collect_changed() == []
    book.put(STANDING)
    assert book.collect_changed() == [STANDING]


def test_a_finding_moves_its_alert_alone() -> None:
    """The move is returned, and the book holds the alert as it stands then."""
    book = AlertBook()
    (move,) = book.step(asks(Priority.WARNING), NOW, Delays())
    assert move.after == book.get(HUB, Concern.NOT_ANSWERING)
    assert book.priority_of(HUB, Concern.NOT_ANSWERING) is Priority.WARNING
    assert book.standing() == [move.after]
    assert book.get(LOG, Concern.NOT_ANSWERING).priority is None


def test_a_finding_that_asks_for_nothing_concerns_an_alert_that_is_not_at_rest() -> None:
    """One that stands, waits, is held, is shelved or is owed: a step may move it. A normal one stays as it is."""
    book = AlertBook()
    assert not book.concerned([asks(None)])
    assert book.concerned([asks(Priority.CAUTION)])
    normal = Alert(HUB, Concern.NOT_ANSWERING)
    for busy in (
        STANDING,
        replace(normal, state=State.RECTIFIED),
        replace(normal, notified_priority=Priority.WARNING),
        replace(normal, pending_since=NOW),
        replace(normal, held_by=POOL),
        replace(normal, shelved_until=NOW),
    ):
        book.put(busy)
        assert book.concerned([asks(None)]), busy
        book.put(normal)
        assert not book.concerned([asks(None)])
    assert AlertBook([STANDING]).concerned([asks(None)])


def test_who_is_held_by_whom_in_their_order() -> None:
    """The first that came to be held is named first, however it moves meanwhile."""
    book = AlertBook()
    assert book.none_held()
    held = [Alert(key, Concern.NOT_ANSWERING, held_by=POOL) for key in (LOG, HUB)]
    for alert in (*held, replace(held[0], episode=2)):
        book.put(alert)
    assert not book.none_held()
    assert [alert.key for alert in book.held_by(POOL)] == [LOG, HUB]
    assert book.held_by(POOL)[0].episode == 2
    assert book.held_by(HUB) == []
    book.put(replace(held[0], held_by=None))
    assert [alert.key for alert in book.held_by(POOL)] == [HUB]


def test_a_gap_shifts_what_waits_and_writes_only_that() -> None:
    """A delay is as long as it was; an alert for which nothing waits is as it was stored."""
    waiting = Alert(LOG, Concern.NOT_ANSWERING, pending=Priority.WARNING, pending_since=NOW)
    book = AlertBook([replace(STANDING, raised_at=NOW), waiting])
    book.bridge(MINUTE)
    assert book.get(LOG, Concern.NOT_ANSWERING).pending_since == NOW + MINUTE
    assert book.get(HUB, Concern.NOT_ANSWERING).raised_at == NOW
    assert [alert.key for alert in book.collect_changed()] == [LOG]
