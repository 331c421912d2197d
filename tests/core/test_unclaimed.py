"""What becomes of series whose probe has left the configuration: waited for, claimed, or let go."""

from datetime import UTC, datetime, timedelta

from watchkeeper.core import alert_steps
from watchkeeper.core.absence import is_gone
from watchkeeper.core.alerts import Alert, Concern, Event, Priority, State, Telling
from watchkeeper.core.observation import SeriesKey
from watchkeeper.core.rules import Finding
from watchkeeper.core.ties import Ties
from watchkeeper.core.unclaimed import CLAIM_S, UNWATCHED, Unclaimed

NOW = datetime(2026, 3, 1, 6, 0, tzinfo=UTC)
HUB, LOG = SeriesKey("service hide-hub", "answer"), SeriesKey("service tide-log", "answer")
STANDING = Alert(
    HUB, Concern.SILENT, State.ACTIVE, Priority.WARNING, 1, tellings=1, raised_at=NOW, told=Priority.WARNING
)


def test_nothing_is_let_go_before_each_new_probe_has_looked() -> None:
    """A probe with another name may bring the same series; what it brings is claimed, the rest is let go."""
    found = Unclaimed()
    assert found.settled(NOW) == frozenset()
    found.begin([HUB, LOG], ["new"], ["new", "old"], NOW)
    assert found.settled(NOW) == frozenset()
    assert found.claimed(LOG)
    assert not found.claimed(LOG)
    found.looked("old")
    assert found.settled(NOW) == frozenset()
    found.looked("new")
    assert found.settled(NOW) == {HUB}
    assert found.settled(NOW) == frozenset()


def test_a_probe_that_hangs_is_not_waited_for_longer_than_it_may_take() -> None:
    """After two minutes, or where the clock was set back, what nobody brought is let go."""
    for later in (timedelta(seconds=CLAIM_S), -timedelta(days=1)):
        found = Unclaimed()
        found.begin([HUB], ["new"], ["new"], NOW)
        assert found.settled(NOW + timedelta(seconds=CLAIM_S - 1)) == frozenset()
        assert found.settled(NOW + later) == {HUB}


def test_what_is_dropped_is_told_and_waits_for_nobody() -> None:
    """An end is told where the keeper knows of it, chattering or shelved; nothing is left to be acknowledged."""
    for kept in ({}, {"comings": 4, "falls": (NOW,)}, {"shelved_until": NOW + timedelta(days=3)}, {"held_by": LOG}):
        standing = Alert(**{**{name: getattr(STANDING, name) for name in STANDING.__slots__}, **kept})
        ended, moves = alert_steps.dropped(standing, NOW)
        assert ended.state is State.NORMAL
        assert [(m.event, m.telling) for m in moves if m.event in (Event.CLEAR, Event.LAPSE)] == [
            (Event.CLEAR, Telling.ENDED),
            (Event.LAPSE, None),
        ]
        assert not ended.kept_back(NOW)


def test_what_was_never_told_ends_in_silence() -> None:
    """An alert that was kept back from the first leaves no message."""
    known = Alert(HUB, Concern.SILENT, State.ACKNOWLEDGED, Priority.WARNING, 1, held_by=LOG)
    ended, moves = alert_steps.dropped(known, NOW)
    assert ended.state is State.NORMAL
    assert [m.telling for m in moves] == [None]


def test_what_is_no_longer_watched_has_no_place_on_the_board() -> None:
    """Its finding says so, as that of a series that is gone for good."""
    assert is_gone(Finding(HUB, Concern.STALE, NOW, None, reason=UNWATCHED))


def test_ties_can_be_said_otherwise() -> None:
    """What rested on a pool rests on another one from then on."""
    ties = Ties({"hub": ["pool skerry"]})
    ties.place(HUB.subject, "hub")
    assert ties.beneath(HUB.subject) == ("pool skerry",)
    ties.change({"hub": ["pool reef"]})
    assert ties.beneath(HUB.subject) == ("pool reef",)
