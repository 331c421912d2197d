"""What becomes of series whose probe has left the configuration: waited for, claimed, or removed."""

from datetime import UTC, datetime, timedelta

from watchkeeper.alerting import state_machine
from watchkeeper.alerting.correlation.dependencies import Dependencies
from watchkeeper.alerting.missing_data import is_gone
from watchkeeper.alerting.orphans import CLAIM_S, UNWATCHED, OrphanWait
from watchkeeper.model.alert import Alert, Concern, Event, NotificationKind, Priority, State
from watchkeeper.model.finding import Finding
from watchkeeper.model.observation import SeriesKey

NOW = datetime(2026, 3, 1, 6, 0, tzinfo=UTC)
HUB, LOG = SeriesKey("service hide-hub", "answer"), SeriesKey("service tide-log", "answer")
STANDING = Alert(
    HUB,
    Concern.NOT_ANSWERING,
    State.ACTIVE,
    Priority.WARNING,
    1,
    message_count=1,
    raised_at=NOW,
    notified_priority=Priority.WARNING,
)


def test_nothing_is_dropped_before_each_new_probe_has_looked() -> None:
    """A probe with another name may bring the same series. A probe that has left is not waited for."""
    wait = OrphanWait()
    assert wait.over(NOW)
    wait.begin(["new"], ["new", "old"], NOW)
    assert not wait.over(NOW)
    wait.looked("old")
    assert not wait.over(NOW)
    wait.begin([], ["new", "old"], NOW)
    assert not wait.over(NOW)
    wait.looked("new")
    assert wait.over(NOW)
    wait.begin(["new"], ["new"], NOW)
    wait.begin([], ["old"], NOW)
    assert wait.over(NOW)


def test_a_probe_that_hangs_is_not_waited_for_longer_than_it_may_take() -> None:
    """After two minutes, or where the clock was set back, what nobody brought is dropped."""
    for later in (timedelta(seconds=CLAIM_S), -timedelta(days=1)):
        wait = OrphanWait()
        wait.begin(["new"], ["new"], NOW)
        assert not wait.over(NOW + timedelta(seconds=CLAIM_S - 1))
        assert wait.over(NOW + later)


def test_what_is_dropped_is_told_and_waits_for_nobody() -> None:
    """An end is told where the operator knows of it, chattering or shelved; nothing is left to be acknowledged."""
    for kept in (
        {},
        {"raise_count": 4, "recent_ends": (NOW,)},
        {"shelved_until": NOW + timedelta(days=3)},
        {"held_by": LOG},
    ):
        standing = Alert(**{**{name: getattr(STANDING, name) for name in STANDING.__slots__}, **kept})
        ended, moves = state_machine.dropped(standing, NOW)
        assert ended.state is State.NORMAL
        assert [(m.event, m.notification) for m in moves if m.event in (Event.CLEAR, Event.LAPSE)] == [
            (Event.CLEAR, NotificationKind.ENDED),
            (Event.LAPSE, None),
        ]
        assert not ended.kept_back(NOW)


def test_what_was_never_told_ends_in_silence() -> None:
    """An alert that was kept back from the first leaves no message."""
    known = Alert(HUB, Concern.NOT_ANSWERING, State.ACKNOWLEDGED, Priority.WARNING, 1, held_by=LOG)
    ended, moves = state_machine.dropped(known, NOW)
    assert ended.state is State.NORMAL
    assert [m.notification for m in moves] == [None]


def test_what_is_no_longer_watched_has_no_place_on_the_board() -> None:
    """Its finding says so, like that of a series that was removed."""
    assert is_gone(Finding(HUB, Concern.NOT_REPORTING, NOW, None, reason=UNWATCHED))


def test_another_configuration_says_dependencies_otherwise() -> None:
    """What depended on a pool depends on another one from then on; which probe brings a subject is still known."""
    first = Dependencies({"hub": ["pool skerry"]})
    first.place(HUB.subject, "hub")
    assert first.dependencies_of(HUB.subject) == ("pool skerry",)
    assert Dependencies({"hub": ["pool reef"]}, first).dependencies_of(HUB.subject) == ("pool reef",)
