"""The life of an alert, held against the standards that its words come from, and against its own table."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from watchkeeper.core import alerts
from watchkeeper.core.alerts import (
    LAPSE_AFTER,
    TABLE,
    Alert,
    Concern,
    Delays,
    Event,
    Priority,
    State,
    Telling,
    Transition,
    worth_telling,
)
from watchkeeper.core.observation import SeriesKey

START = datetime(2026, 3, 1, 6, 0, tzinfo=UTC)
POOL = Alert(SeriesKey("pool skerry", "space"), Concern.FULL)
AT_ONCE = Delays()
CAUTION, WARNING, ALARM = Priority


def live(steps: list[tuple[float, Priority | None]], delays: Delays = AT_ONCE) -> tuple[Alert, list[Transition]]:
    """An alert that is asked for each priority at each number of seconds from the start."""
    alert, moves = POOL, list[Transition]()
    for after_s, wanted in steps:
        alert, made = alerts.step(alert, wanted, START + timedelta(seconds=after_s), delays)
        moves += made
    return alert, moves


def test_the_worked_notification_sequence_of_rfc_8632() -> None:
    """With notifications from `major` on, the RFC's sequence T1 to T8 is told at T1, T2, T5, T6, T7 and T8.

    Source: RFC 8632, YANG module ietf-alarms, leaf notify-severity-level: major, minor, warning, minor, major,
    critical, major, clear. Its four severities are mapped on three priorities here: minor and warning lie below the
    threshold, and what matters between them is that nothing is told.
    """
    major, critical, minor, lower = WARNING, ALARM, CAUTION, None
    sequence: list[Priority | None] = [major, minor, lower, minor, major, critical, major, None]
    before: Priority | None = None
    told = []
    for moment, priority in enumerate(sequence, start=1):
        if worth_telling(before, priority, threshold=major):
            told.append(moment)
        before = priority
    assert told == [1, 2, 5, 6, 7, 8]


def test_an_unchanged_priority_is_never_told_again() -> None:
    """The same priority twice is one piece of news."""
    assert not worth_telling(ALARM, ALARM, CAUTION)


def test_one_episode_raised_worse_eased_and_ended() -> None:
    """A fill that gets worse, eases and ends makes one move for each change, in one episode."""
    alert, moves = live([(0, CAUTION), (1, WARNING), (2, ALARM), (3, WARNING), (4, None), (5, None)])
    assert [m.telling for m in moves] == [
        Telling.RAISED,
        Telling.WORSE,
        Telling.WORSE,
        Telling.EASED,
        Telling.ENDED,
    ]
    assert [m.after.tellings for m in moves] == [1, 2, 3, 4, 5]
    assert (alert.state, alert.priority, alert.episode) == (State.RECTIFIED, None, 1)
    assert (alert.raised_at, alert.ended_at) == (START, START + timedelta(seconds=4))
    assert not alert.standing


def test_acknowledged_then_gone_is_normal_and_the_end_is_told() -> None:
    """MSC.302(87): an acknowledged alert whose cause goes away needs nobody any more."""
    alert, _ = live([(0, WARNING)])
    known = alerts.acknowledge(alert, START)
    assert known is not None
    assert known.telling is None
    assert known.after.standing
    assert known.after.acknowledged_at == START
    gone, moves = alerts.step(known.after, None, START + timedelta(hours=1), AT_ONCE)
    assert (gone.state, [m.telling for m in moves]) == (State.NORMAL, [Telling.ENDED])


def test_rectified_is_acknowledged_into_normal() -> None:
    """MSC.302(87): a rectified alert that nobody had acknowledged still waits for it."""
    alert, _ = live([(0, WARNING), (1, None)])
    known = alerts.acknowledge(alert, START)
    assert known is not None
    assert known.after.state is State.NORMAL
    assert alerts.acknowledge(known.after, START) is None


def test_worse_than_acknowledged_is_active_again() -> None:
    """What gets worse after the keeper knew of it wants its own acknowledgement; what eases does not."""
    alert, _ = live([(0, WARNING)])
    known = alerts.acknowledge(alert, START)
    assert known is not None
    worse, _ = alerts.step(known.after, ALARM, START, AT_ONCE)
    eased, _ = alerts.step(known.after, CAUTION, START, AT_ONCE)
    assert (worse.state, eased.state) == (State.ACTIVE, State.ACKNOWLEDGED)


def test_a_rectified_alert_lapses_after_its_time_and_says_nothing() -> None:
    """Nothing stays rectified for ever."""
    almost, moves = live([(0, WARNING), (1, None), (LAPSE_AFTER.total_seconds(), None)])
    assert (almost.state, len(moves)) == (State.RECTIFIED, 2)
    alert, moves = live([(0, WARNING), (1, None), (1 + LAPSE_AFTER.total_seconds(), None)])
    assert alert.state is State.NORMAL
    assert (moves[-1].event, moves[-1].telling) == (Event.LAPSE, None)


def test_a_second_episode_has_its_own_number() -> None:
    """A cause that comes back starts a new episode with its own count of tellings."""
    alert, moves = live([(0, WARNING), (1, None), (2, WARNING)])
    assert (alert.episode, alert.tellings, alert.ended_at) == (2, 1, None)
    assert moves[-1].telling is Telling.RAISED


def test_on_delay_holds_back_what_does_not_last() -> None:
    """ISA-18.2: a rise shorter than the on-delay never becomes an alert, one as long as it does."""
    delays = Delays(on_delay_s=60)
    assert live([(0, WARNING), (59, WARNING), (59.5, None), (60, WARNING), (119, WARNING)], delays)[1] == []
    alert, moves = live([(0, WARNING), (60, WARNING)], delays)
    assert (alert.state, len(moves), alert.pending_since) == (State.ACTIVE, 1, None)


def test_on_delay_raises_what_held_all_through() -> None:
    """A flicker up to alarm within the delay does not raise an alarm: only the warning was there all the time."""
    alert, _ = live([(0, WARNING), (30, ALARM), (60, ALARM)], Delays(on_delay_s=60))
    assert alert.priority is WARNING


def test_off_delay_keeps_an_alert_through_a_short_dip() -> None:
    """ISA-18.2: an end, or an easing, must last as long as the off-delay; the highest of the delay counts."""
    delays = Delays(off_delay_s=60)
    assert len(live([(0, ALARM), (1, None), (60, None), (60.5, ALARM)], delays)[1]) == 1
    alert, _ = live([(0, ALARM), (1, None), (30, WARNING), (61, None)], delays)
    assert alert.priority is WARNING


def test_a_change_of_direction_starts_the_delay_anew() -> None:
    """A wish to rise does not shorten the delay of a later wish to fall."""
    delays = Delays(on_delay_s=60, off_delay_s=60)
    alert, moves = live([(0, WARNING), (60, WARNING), (61, ALARM), (100, None), (159, None)], delays)
    assert (alert.priority, len(moves)) == (WARNING, 1)
    assert live([(0, WARNING), (60, WARNING), (61, ALARM), (100, None), (160, None)], delays)[0].priority is None


def test_a_clock_set_back_does_not_hold_an_alert_up() -> None:
    """With the wall clock an hour back the delay starts anew, instead of lasting an hour longer."""
    alert, moves = live([(3600, WARNING), (0, WARNING), (60, WARNING)], Delays(on_delay_s=60))
    assert (alert.state, len(moves)) == (State.ACTIVE, 1)


def test_a_shelved_alert_moves_but_tells_nothing_until_its_time_is_up() -> None:
    """RFC 8632: shelved alarms send nothing; ISA-18.2: a shelving ends by itself."""
    alert = alerts.shelve(POOL, START + timedelta(hours=1))
    alert, moves = alerts.step(alert, WARNING, START, AT_ONCE)
    assert (alert.state, moves[0].telling, alert.tellings) == (State.ACTIVE, None, 0)
    alert, moves = alerts.step(alert, ALARM, START + timedelta(hours=1), AT_ONCE)
    assert (moves[0].telling, alert.shelved_until) == (Telling.WORSE, None)


def test_a_shelving_can_be_taken_back() -> None:
    """The keeper may change their mind."""
    assert alerts.unshelve(alerts.shelve(POOL, START)).shelved_until is None


def test_every_pair_of_the_table_is_reachable_and_no_other_happens() -> None:
    """The table holds each (state, event) that living produces, and nothing that it cannot."""
    seen = set()
    alert = POOL
    for wanted in (CAUTION, WARNING, CAUTION, None, CAUTION):
        alert, moves = alerts.step(alert, wanted, START, AT_ONCE)
        seen |= {(m.before.state, m.event) for m in moves}
    known = alerts.acknowledge(alert, START)
    assert known is not None
    seen.add((known.before.state, known.event))
    for wanted in (WARNING, CAUTION, None):
        _, moves = alerts.step(
            replace(known.after, priority=CAUTION if wanted is WARNING else WARNING), wanted, START, AT_ONCE
        )
        seen |= {(m.before.state, m.event) for m in moves}
    rectified, _ = live([(0, WARNING), (1, None)])
    for event in (
        alerts.acknowledge(rectified, START),
        alerts.step(rectified, None, START + LAPSE_AFTER * 2, AT_ONCE)[1][0],
    ):
        assert event is not None
        seen.add((event.before.state, event.event))
    assert seen == set(TABLE)


wishes = st.lists(st.tuples(st.floats(0, 500), st.sampled_from([None, *Priority])), max_size=40)


@given(wishes, st.floats(0, 300), st.floats(0, 300))
def test_no_two_raises_without_an_end(gaps: list[tuple[float, Priority | None]], on_s: float, off_s: float) -> None:
    """Whatever is asked for, raises and ends alternate, and each told change starts from what was last told."""
    now, steps = 0.0, []
    for gap, wanted in gaps:
        now += gap
        steps.append((now, wanted))
    alert, moves = live(steps, Delays(on_s, off_s))
    rounds = [m.telling for m in moves if m.telling in (Telling.RAISED, Telling.ENDED)]
    assert rounds == [Telling.RAISED, Telling.ENDED] * (len(rounds) // 2) + [Telling.RAISED] * (len(rounds) % 2)
    assert all(a.after.priority == b.before.priority for a, b in pairwise(moves))
    assert alert.standing == (alert.priority is not None) == bool(len(rounds) % 2)


@given(wishes)
def test_stopping_between_two_steps_changes_nothing(gaps: list[tuple[float, Priority | None]]) -> None:
    """An alert is all the state there is: going on from a copy of it reaches the same place."""
    alert, now = POOL, START
    again = POOL
    for gap, wanted in gaps:
        now += timedelta(seconds=gap)
        alert, _ = alerts.step(alert, wanted, now, Delays(30, 60))
        again, _ = alerts.step(replace(again), wanted, now, Delays(30, 60))
    assert alert == again


@pytest.mark.parametrize("priority", Priority)
def test_priorities_have_the_words_of_the_standard(priority: Priority) -> None:
    """IMO Resolution MSC.302(87) orders caution, warning, alarm."""
    assert [p.word for p in Priority] == ["caution", "warning", "alarm"]
    assert priority.word == priority.name.lower()
