"""The life of an alert, held against the standards that its words come from, and against its own table."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from random import Random
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from watchkeeper.alerting import state_machine
from watchkeeper.model.alert import (
    LAPSE_AFTER,
    LONGEST_SHELVED,
    TABLE,
    Alert,
    Concern,
    Delays,
    Event,
    NotificationKind,
    Priority,
    State,
    Transition,
    is_notifiable,
)
from watchkeeper.model.chattering import Chattering
from watchkeeper.model.observation import SeriesKey

START = datetime(2026, 3, 1, 6, 0, tzinfo=UTC)
POOL = Alert(SeriesKey("pool skerry", "space"), Concern.FULL)
AT_ONCE = Delays()
CAUTION, WARNING, ALARM = Priority


def live(steps: list[tuple[float, Priority | None]], delays: Delays = AT_ONCE) -> tuple[Alert, list[Transition]]:
    """An alert that is asked for each priority at each number of seconds from the start."""
    alert, moves = POOL, list[Transition]()
    for after_s, wanted in steps:
        alert, made = state_machine.step(alert, wanted, START + timedelta(seconds=after_s), delays)
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
        if is_notifiable(before, priority, lowest=major):
            told.append(moment)
        before = priority
    assert told == [1, 2, 5, 6, 7, 8]


def test_an_unchanged_priority_is_never_told_again() -> None:
    """The same priority twice is one piece of news."""
    assert not is_notifiable(ALARM, ALARM, CAUTION)


def test_one_episode_raised_worse_eased_and_ended() -> None:
    """A fill that gets worse, eases and ends makes one move for each change, in one episode."""
    alert, moves = live([(0, CAUTION), (1, WARNING), (2, ALARM), (3, WARNING), (4, None), (5, None)])
    assert [m.notification for m in moves] == [
        NotificationKind.RAISED,
        NotificationKind.WORSE,
        NotificationKind.WORSE,
        NotificationKind.EASED,
        NotificationKind.ENDED,
    ]
    assert [m.after.message_count for m in moves] == [1, 2, 3, 4, 5]
    assert (alert.state, alert.priority, alert.episode) == (State.RECTIFIED, None, 1)
    assert (alert.raised_at, alert.ended_at) == (START, START + timedelta(seconds=4))
    assert not alert.standing


def test_acknowledged_then_gone_is_normal_and_the_end_is_told() -> None:
    """MSC.302(87): an acknowledged alert whose cause goes away needs nobody any more."""
    alert, _ = live([(0, WARNING)])
    known = state_machine.acknowledge(alert, START)
    assert known is not None
    assert known.notification is None
    assert known.after.standing
    assert known.after.acknowledged_at == START
    gone, moves = state_machine.step(known.after, None, START + timedelta(hours=1), AT_ONCE)
    assert (gone.state, [m.notification for m in moves]) == (State.NORMAL, [NotificationKind.ENDED])


def test_rectified_is_acknowledged_into_normal() -> None:
    """MSC.302(87): a rectified alert that nobody had acknowledged still waits for it."""
    alert, _ = live([(0, WARNING), (1, None)])
    known = state_machine.acknowledge(alert, START)
    assert known is not None
    assert known.after.state is State.NORMAL
    assert state_machine.acknowledge(known.after, START) is None


def test_worse_than_acknowledged_is_active_again() -> None:
    """What gets worse after the operator knew of it wants its own acknowledgement; what eases does not."""
    alert, _ = live([(0, WARNING)])
    known = state_machine.acknowledge(alert, START)
    assert known is not None
    worse, _ = state_machine.step(known.after, ALARM, START, AT_ONCE)
    eased, _ = state_machine.step(known.after, CAUTION, START, AT_ONCE)
    assert (worse.state, eased.state) == (State.ACTIVE, State.ACKNOWLEDGED)


@pytest.mark.parametrize(
    ("priority", "kind"),
    [
        (Priority.ALARM, NotificationKind.WORSE),
        (Priority.WARNING, NotificationKind.WORSE),
        (Priority.CAUTION, NotificationKind.RAISED),
    ],
)
def test_what_was_foretold_and_happens_is_told_once(priority: Priority, kind: NotificationKind) -> None:
    """At any priority, also of what was acknowledged; a receiver of that priority gets it."""
    alert, _ = state_machine.step(POOL, priority, START, AT_ONCE)
    known = state_machine.acknowledge(alert, START)
    assert known is not None
    reached, move = state_machine.reach(known.after, START, known=False)
    assert move is not None
    assert (reached.state, reached.notified_priority, reached.reached) == (State.ACTIVE, priority, True)
    assert (move.event, move.notification, move.reaches) == (Event.WORSEN, kind, True)
    assert is_notifiable(move.before.notified_priority, move.after.notified_priority, priority)
    assert state_machine.step(reached, priority, START, AT_ONCE) == (reached, ())
    # What eases may happen again.
    eased, _ = state_machine.step(reached, None, START, AT_ONCE)
    assert not eased.reached


def test_what_another_message_says_is_not_told_again() -> None:
    """Nor what nobody was told of: that message will say it all."""
    alert, _ = state_machine.step(POOL, Priority.ALARM, START, AT_ONCE)
    for before, known in ((alert, True), (replace(alert, notified_priority=None), False)):
        reached, move = state_machine.reach(before, START, known=known)
        assert reached.reached
        assert move is None


def test_a_rectified_alert_lapses_after_its_time_and_says_nothing() -> None:
    """Nothing stays rectified without an end."""
    almost, moves = live([(0, WARNING), (1, None), (LAPSE_AFTER.total_seconds(), None)])
    assert (almost.state, len(moves)) == (State.RECTIFIED, 2)
    alert, moves = live([(0, WARNING), (1, None), (1 + LAPSE_AFTER.total_seconds(), None)])
    assert alert.state is State.NORMAL
    assert (moves[-1].event, moves[-1].notification) == (Event.LAPSE, None)


def test_a_second_episode_has_its_own_number() -> None:
    """A cause that comes back starts a new episode with its own count of message_count."""
    alert, moves = live([(0, WARNING), (1, None), (2, WARNING)])
    assert (alert.episode, alert.message_count, alert.ended_at) == (2, 1, None)
    assert moves[-1].notification is NotificationKind.RAISED


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


def test_a_change_of_direction_starts_the_delay_again() -> None:
    """A wish to rise does not shorten the delay of a later wish to fall."""
    delays = Delays(on_delay_s=60, off_delay_s=60)
    alert, moves = live([(0, WARNING), (60, WARNING), (61, ALARM), (100, None), (159, None)], delays)
    assert (alert.priority, len(moves)) == (WARNING, 1)
    assert live([(0, WARNING), (60, WARNING), (61, ALARM), (100, None), (160, None)], delays)[0].priority is None


def test_a_clock_set_back_does_not_hold_an_alert_up() -> None:
    """With the wall clock an hour back the delay starts again, instead of lasting an hour longer."""
    alert, moves = live([(3600, WARNING), (0, WARNING), (60, WARNING)], Delays(on_delay_s=60))
    assert (alert.state, len(moves)) == (State.ACTIVE, 1)


def shelved(alert: Alert = POOL, hours: float | None = 1, *, once: bool = False, at: datetime = START) -> Alert:
    """The alert, set aside by the operator for so many hours; None: without a word about the time."""
    until = None if hours is None else at + timedelta(hours=hours)
    return state_machine.shelve(alert, at, until, once=once).after


def go_on(alert: Alert, steps: list[tuple[float, Priority | None]], delays: Delays = AT_ONCE) -> list[Transition]:
    """The moves of an alert that is asked for each priority at each number of seconds from the start."""
    moves = list[Transition]()
    for after_s, wanted in steps:
        alert, made = state_machine.step(alert, wanted, START + timedelta(seconds=after_s), delays)
        moves += made
    return moves


def test_a_shelved_alert_moves_but_tells_nothing_until_its_time_is_up() -> None:
    """RFC 8632: shelved alarms send nothing; ISA-18.2: a shelving ends by itself. What stands then is told once."""
    moves = go_on(shelved(), [(0, WARNING), (5, ALARM), (3600, ALARM), (3601, ALARM)])
    assert [(m.event, m.notification) for m in moves] == [
        (Event.RAISE, None),
        (Event.WORSEN, None),
        (Event.UNSHELVE, None),
        (Event.NOTIFY, NotificationKind.RAISED),
    ]
    assert (moves[-1].after.notified_priority, moves[-1].after.message_count, moves[-1].after.shelved_until) == (
        ALARM,
        1,
        None,
    )


def test_what_began_and_ended_while_shelved_is_never_told_and_needs_nobody() -> None:
    """The operator set it aside: there is nothing to tell, and nothing to acknowledge."""
    moves = go_on(shelved(), [(0, WARNING), (5, None), (3600, None)])
    assert [(m.event, m.notification) for m in moves] == [
        (Event.RAISE, None),
        (Event.CLEAR, None),
        (Event.LAPSE, None),
        (Event.UNSHELVE, None),
    ]
    assert moves[-1].after.state is State.NORMAL


def test_an_end_while_shelved_is_told_when_the_shelving_ends() -> None:
    """The operator heard of the raise, so they hear of the end, in the same episode."""
    alert, _ = live([(0, WARNING)])
    moves = go_on(shelved(alert), [(5, None), (3600, None)])
    assert [(m.event, m.notification) for m in moves] == [
        (Event.CLEAR, None),
        (Event.UNSHELVE, None),
        (Event.NOTIFY, NotificationKind.ENDED),
    ]
    assert (moves[-1].after.episode, moves[-1].after.message_count) == (1, 2)


def test_what_comes_back_before_its_end_was_told_goes_on_in_its_episode() -> None:
    """The operator believes that it stands, and it does: nothing is owed, and no second raise is told."""
    alert, _ = live([(0, WARNING)])
    moves = go_on(shelved(alert), [(5, None), (6, WARNING), (3600, WARNING)])
    assert [m.notification for m in moves] == [None] * 3
    assert (moves[-1].after.episode, moves[-1].after.raised_at) == (1, START)


def test_shelved_once_is_over_with_the_next_end() -> None:
    """ISA-18.2, one-shot shelving: the end that the operator waited for is told, and a later raise as ever."""
    alert, _ = live([(0, WARNING)])
    moves = go_on(shelved(alert, None, once=True), [(60, ALARM), (90, None), (120, WARNING)])
    assert [(m.event, m.notification) for m in moves] == [
        (Event.WORSEN, None),
        (Event.CLEAR, None),
        (Event.UNSHELVE, None),
        (Event.NOTIFY, NotificationKind.ENDED),
        (Event.RAISE, NotificationKind.RAISED),
    ]


def test_shelved_once_before_it_is_raised_lasts_through_the_next_episode() -> None:
    """Once means the next time that it comes and goes."""
    moves = go_on(shelved(POOL, None, once=True), [(60, WARNING), (90, None), (120, WARNING)])
    assert [m.notification for m in moves if m.event is not Event.LAPSE] == [None, None, None, NotificationKind.RAISED]


@pytest.mark.parametrize("once", [False, True])
def test_nothing_is_shelved_without_an_end(once: bool) -> None:  # noqa: FBT001  a parameter of the test
    """Whatever the operator asks for, and wherever the clock goes, the bound is the bound."""
    until = shelved(POOL, 24 * 365, once=once).shelved_until
    assert until == shelved(POOL, None, once=once).shelved_until == START + LONGEST_SHELVED
    earlier = START - timedelta(days=20)
    (set_back, _) = state_machine.step(shelved(POOL, None, once=once), None, earlier, AT_ONCE)
    assert set_back.shelved_until == earlier + LONGEST_SHELVED


def test_a_shelving_can_be_taken_back() -> None:
    """The operator may change their mind, and hears at once what they missed."""
    alert, _ = state_machine.step(shelved(), WARNING, START, AT_ONCE)
    taken_back = state_machine.unshelve(alert, START)
    assert taken_back is not None
    assert not taken_back.after.shelved(START)
    assert [m.notification for m in go_on(taken_back.after, [(1, WARNING)])] == [NotificationKind.RAISED]
    assert state_machine.unshelve(POOL, START) is None


def test_acknowledging_what_was_kept_back_leaves_nothing_to_tell() -> None:
    """Who acknowledges it on the page knows how it stands."""
    alert, _ = state_machine.step(shelved(), WARNING, START, AT_ONCE)
    known = state_machine.acknowledge(alert, START)
    assert known is not None
    assert [m.notification for m in go_on(known.after, [(3600, WARNING), (3601, None)])] == [
        None,
        NotificationKind.ENDED,
    ]


ESCALATING = Delays(escalate_s=600)


def test_a_warning_that_nobody_acknowledges_becomes_an_alarm() -> None:
    """MSC.302(87) 6.2.2, at the second that was set; the facts that say warning do not ease it again."""
    moves = go_on(POOL, [(0, WARNING), (599, WARNING), (600, WARNING), (9999, WARNING)], ESCALATING)
    assert [(m.event, m.notification) for m in moves] == [
        (Event.RAISE, NotificationKind.RAISED),
        (Event.ESCALATE, NotificationKind.WORSE),
    ]
    assert moves[-1].after.priority is ALARM
    assert moves[-1].at == START + timedelta(seconds=600)


def test_an_escalated_warning_eases_when_the_facts_do() -> None:
    """Better than a warning is better, and an alarm by the facts is one like any other."""
    until_alarm: list[tuple[float, Priority | None]] = [(0, WARNING), (600, WARNING)]
    assert go_on(POOL, [*until_alarm, (700, CAUTION)], ESCALATING)[-1].notification is NotificationKind.EASED
    assert (
        go_on(POOL, [*until_alarm, (700, ALARM), (710, WARNING)], ESCALATING)[-1].notification is NotificationKind.EASED
    )
    assert go_on(POOL, [*until_alarm, (700, None)], ESCALATING)[-1].notification is NotificationKind.ENDED


def test_what_was_acknowledged_or_set_aside_does_not_escalate() -> None:
    """It is for warnings of which nobody has said that they know; and off unless it is set."""
    alert, _ = state_machine.step(POOL, WARNING, START, ESCALATING)
    known = state_machine.acknowledge(alert, START)
    assert known is not None
    assert go_on(known.after, [(9999, WARNING)], ESCALATING) == []
    assert go_on(shelved(alert), [(3599, WARNING)], ESCALATING) == []
    assert go_on(alert, [(9999, WARNING)]) == []
    assert go_on(POOL, [(0, CAUTION), (9999, CAUTION)], ESCALATING)[1:] == []


def test_the_time_to_acknowledge_counts_from_what_was_told() -> None:
    """A warning that was kept back for hours is not an alarm the moment that it is told."""
    moves = go_on(shelved(), [(0, WARNING), (3600, WARNING), (4199, WARNING), (4200, WARNING)], ESCALATING)
    assert [m.event for m in moves[-2:]] == [Event.NOTIFY, Event.ESCALATE]
    assert (moves[-1].at - moves[-2].at).total_seconds() == 600


CHATTER = Delays(chattering=Chattering(raises=3, within_s=600, calm_s=300))


def test_an_alert_that_comes_and_goes_is_told_as_that_once() -> None:
    """The third raise within ten minutes is chattering: what follows is one episode, with its count."""
    flaps = [(100.0 * n + part, wanted) for n in range(20) for part, wanted in ((0.0, WARNING), (50.0, None))]
    moves = go_on(POOL, [*flaps, (1950 + 299, None), (1950 + 300, None)], CHATTER)
    told = [(m.notification, m.after.raise_count) for m in moves if m.notification]
    assert told == [
        (NotificationKind.RAISED, 0),
        (NotificationKind.ENDED, 0),
        (NotificationKind.RAISED, 0),
        (NotificationKind.ENDED, 0),
        (NotificationKind.RAISED, 3),
        (NotificationKind.ENDED, 20),
    ]
    assert moves[-1].at == START + timedelta(seconds=1950 + 300)


def test_two_raises_or_three_far_apart_are_ordinary() -> None:
    """Chattering is a matter of time too, and after a calm the count starts again."""
    far = go_on(POOL, [(0, WARNING), (10, None), (700, WARNING), (710, None), (1400, WARNING), (1410, None)], CHATTER)
    assert [m.after.raise_count for m in far] == [0] * 6
    flaps: list[tuple[float, Priority | None]] = [(t * 60.0, None if t % 2 else WARNING) for t in range(6)]
    moves = go_on(POOL, [*flaps, (600, None), (602, WARNING)], CHATTER)
    assert [(m.notification, m.after.raise_count) for m in moves[-2:]] == [
        (NotificationKind.ENDED, 3),
        (NotificationKind.RAISED, 0),
    ]


def test_what_stands_through_the_calm_chatters_no_longer() -> None:
    """It came to stay: its end counts again without the long delay."""
    moves = go_on(
        POOL,
        [
            (0, WARNING),
            (10, None),
            (20, WARNING),
            (30, None),
            (40, WARNING),
            (339, WARNING),
            (340, WARNING),
            (350, None),
        ],
        CHATTER,
    )
    assert (moves[-1].notification, moves[-1].at) == (NotificationKind.ENDED, START + timedelta(seconds=350))


def test_an_alert_that_worsens_and_eases_by_turns_chatters_too() -> None:
    """Up and down between two priorities is forty messages as well."""
    turns: list[tuple[float, Priority | None]] = [(60.0 * n, ALARM if n % 2 else WARNING) for n in range(12)]
    moves = go_on(POOL, turns, CHATTER)
    assert [m.notification for m in moves] == [
        NotificationKind.RAISED,
        NotificationKind.WORSE,
        NotificationKind.EASED,
        NotificationKind.WORSE,
        NotificationKind.EASED,
        NotificationKind.WORSE,
    ]
    assert moves[-1].after.chattering
    higher = state_machine.step(replace(moves[-1].after, priority=WARNING, pending=None), ALARM, START, CHATTER)
    assert higher[0].raise_count >= 3


def test_what_comes_back_worse_while_it_chatters_is_counted_and_told() -> None:
    """A chattering alert still gets worse at once."""
    start: list[tuple[float, Priority | None]] = [(10.0 * n, None if n % 2 else WARNING) for n in range(5)]
    moves = go_on(POOL, [*start, (50, None), (60, ALARM)], CHATTER)
    assert (moves[-1].notification, moves[-1].after.raise_count, moves[-1].after.priority) == (
        NotificationKind.WORSE,
        4,
        ALARM,
    )


def test_a_clock_that_was_set_back_does_not_make_chattering() -> None:
    """Falls that lie in the future are of another time, and do not count."""
    assert Chattering().recent((START + timedelta(seconds=1),), START) == ()


def test_a_held_alert_is_sent_when_it_is_released() -> None:
    """What outlives its cause is told then, as raised; what does not, never."""
    moves = go_on(state_machine.hold(POOL, POOL.key), [(0, WARNING), (60, ALARM)])
    assert [m.notification for m in moves] == [None, None]
    told = go_on(state_machine.release(moves[-1].after), [(120, ALARM)])
    assert [(m.event, m.notification) for m in told] == [(Event.NOTIFY, NotificationKind.RAISED)]


def test_what_a_summary_told_is_not_told_again() -> None:
    """The operator has read of it: only what happens after that is told."""
    held = go_on(state_machine.hold(POOL, POOL.key), [(0, WARNING)])[-1].after
    summed = state_machine.mark_summarized(held, START)
    assert summed.notification is None
    assert [m.notification for m in go_on(summed.after, [(60, WARNING), (61, ALARM)])] == [NotificationKind.WORSE]


def test_a_gap_is_left_out_of_what_is_measured() -> None:
    """A delay, and the time to acknowledge, go on after three days away as if they had not been."""
    three = timedelta(days=3)
    pending, _ = live([(0, WARNING)], Delays(on_delay_s=60))
    later, moves = state_machine.step(
        state_machine.shifted(pending, three), WARNING, START + three + timedelta(seconds=59), Delays(on_delay_s=60)
    )
    assert moves == ()
    assert state_machine.step(later, WARNING, START + three + timedelta(seconds=60), Delays(on_delay_s=60))[1] != ()
    waiting, _ = live([(0, WARNING)], ESCALATING)
    moved = state_machine.shifted(waiting, three)
    assert state_machine.step(moved, WARNING, START + three + timedelta(seconds=599), ESCALATING)[1] == ()
    assert moved.raised_at == START


def test_every_pair_of_the_table_is_reachable_and_no_other_happens() -> None:
    """The table holds each (state, event) that living produces, and nothing that it cannot, with its telling."""
    day = timedelta(days=1)
    seen = dict[tuple[State, Event], tuple[State, NotificationKind | None]]()
    rng = Random(20260301)
    for _ in range(300):
        alert, now = POOL, START
        for _ in range(30):
            now += day * rng.choice([0.01, 1, 8])
            act = rng.choice([None, None, state_machine.acknowledge, state_machine.unshelve, state_machine.shelve])
            moves = tuple(filter(None, [act(alert, now)])) if act else ()
            alert = moves[-1].after if moves else alert
            alert, made = state_machine.step(
                alert, rng.choice([None, *Priority]), now, Delays(escalate_s=day.total_seconds())
            )
            for move in (*moves, *made):
                pair = (move.before.state, move.event)
                known = move.before.notified_priority == move.before.priority and not move.before.kept_back(now)
                assert move.after.state is TABLE[pair][0]
                if known and move.event not in (Event.NOTIFY, Event.SHELVE, Event.UNSHELVE):
                    seen[pair] = (move.after.state, move.notification)
                else:
                    seen.setdefault(pair, TABLE[pair])
    assert seen == TABLE


wishes = st.lists(st.tuples(st.floats(0, 500), st.sampled_from([None, *Priority])), max_size=40)


@given(wishes, st.floats(0, 300), st.floats(0, 300))
def test_no_two_raises_without_an_end(gaps: list[tuple[float, Priority | None]], on_s: float, off_s: float) -> None:
    """Whatever is asked for, raises and ends alternate, and each told change starts from what was last told."""
    now, steps = 0.0, []
    for gap, wanted in gaps:
        now += gap
        steps.append((now, wanted))
    alert, moves = live(steps, Delays(on_s, off_s))
    rounds = [m.notification for m in moves if m.notification in (NotificationKind.RAISED, NotificationKind.ENDED)]
    assert rounds == [NotificationKind.RAISED, NotificationKind.ENDED] * (len(rounds) // 2) + [
        NotificationKind.RAISED
    ] * (len(rounds) % 2)
    assert all(a.after.priority == b.before.priority for a, b in pairwise(moves))
    assert alert.standing == (alert.priority is not None) == bool(len(rounds) % 2)


@given(wishes)
def test_stopping_between_two_steps_changes_nothing(gaps: list[tuple[float, Priority | None]]) -> None:
    """An alert is all the state there is: going on from a copy of it reaches the same place."""
    alert, now = POOL, START
    again = POOL
    for gap, wanted in gaps:
        now += timedelta(seconds=gap)
        alert, _ = state_machine.step(alert, wanted, now, Delays(30, 60))
        again, _ = state_machine.step(replace(again), wanted, now, Delays(30, 60))
    assert alert == again


@pytest.mark.parametrize("priority", Priority)
def test_priorities_have_the_words_of_the_standard(priority: Priority) -> None:
    """IMO Resolution MSC.302(87) orders caution, warning, alarm."""
    assert [p.word for p in Priority] == ["caution", "warning", "alarm"]
    assert priority.word == priority.name.lower()


def test_concerns_have_the_names_of_the_first_version_too() -> None:
    """Links and ids of version 0.1.0 name them so (tests/store has a database of it)."""
    first = {"silent": Concern.NOT_ANSWERING, "unsound": Concern.FAULTY, "stale": Concern.NOT_REPORTING}
    for name, concern in first.items():
        assert Concern.named(name) is concern
        assert Concern.named(concern.value) is concern
        assert concern.first_name == name
    for concern in (Concern.FULL, Concern.OVERDUE):
        assert Concern.named(concern.value) is concern
        assert concern.first_name == concern.value
    with pytest.raises(ValueError, match="unheard"):
        Concern.named("unheard")


@pytest.mark.parametrize(
    "change",
    [
        {"state": State.ACTIVE},
        {"notified_priority": CAUTION},
        {"pending_since": START},
        {"held_by": SeriesKey("pool skerry", "space")},
        {"shelved_until": START},
    ],
    ids=lambda change: next(iter(change)),
)
def test_each_of_these_is_not_at_rest(change: dict[str, Any]) -> None:
    """Anything that a later sample could change or end."""
    assert POOL.at_rest
    assert not replace(POOL, **change).at_rest


def test_chattering_as_documented() -> None:
    """alerting.md: three raises within six hours, calm after three."""
    usual = Chattering()
    ends = (START, START + timedelta(hours=3))
    assert usual.raise_count(ends, START + timedelta(hours=6)) == 3
    assert usual.raise_count(ends, START + timedelta(hours=6, seconds=1)) == 0
    assert usual.calm(START, START + timedelta(hours=3))
    assert not usual.calm(START, START + timedelta(hours=3) - timedelta(seconds=1))
