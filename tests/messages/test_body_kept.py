"""Messages about intermittent alerts, suppressed ones and groups, and about gaps in monitoring."""

from dataclasses import replace
from datetime import UTC, timedelta

from tests.support.messages import HIDE_HUB, HOST, NOW, after
from watchkeeper.alerting import state_machine
from watchkeeper.alerting.correlation.group_alerts import DATABASE, FLOOD, GROUP, Flood, Group
from watchkeeper.manual.runbook import first_step
from watchkeeper.messages.build import compose, noted
from watchkeeper.model.alert import Alert, Concern, Delays, Event, NotificationKind, Priority, State, Transition
from watchkeeper.model.chattering import Chattering
from watchkeeper.model.finding import Finding
from watchkeeper.model.message import Message
from watchkeeper.model.observation import SeriesKey

FLAPPING = Delays(chattering=Chattering(raises=3, within_s=3600, calm_s=600))


def plain(message: Message) -> str:
    """The body on one line."""
    return " ".join(message.body.split())


def found(key: SeriesKey, concern: Concern, minutes: float, priority: Priority | None, reason: str = "") -> Finding:
    """Faulty or not answering since NOW, at so many minutes after it."""
    return Finding(key, concern, after(minutes=minutes), priority, since=NOW if priority else None, reason=reason)


def flapping() -> list[Message]:
    """hide-hub stops answering every ten minutes, and answers in between."""
    alert, told = Alert(HIDE_HUB, Concern.NOT_ANSWERING), []
    for minutes in (0, 5, 10, 15, 20, 25, 36):
        priority = Priority.WARNING if minutes % 10 == 0 else None
        each = found(HIDE_HUB, Concern.NOT_ANSWERING, minutes, priority)
        alert, moves = state_machine.step(alert, priority, each.at, FLAPPING)
        told += [compose(m, each, None, HOST, UTC, first_step) for m in moves if m.notification]
    return told


def test_an_intermittent_alert_says_so_with_its_count() -> None:
    """In the headline, because that is what a phone shows; its end says how often it was raised, and why it ended."""
    *_, raised, ended = flapping()
    assert raised.headline == "service hide-hub not answering for 20 min, intermittent"
    assert "This is intermittent: raised 3 times recently." in plain(raised)
    assert ended.kind is NotificationKind.ENDED
    assert "It was intermittent: raised 3 times. It has not come back for some hours" in plain(ended)


def kept_back(*, ended: bool = False) -> Message:
    """hide-hub did not answer while its guest was down; the message is sent half an hour later."""
    silent = found(HIDE_HUB, Concern.NOT_ANSWERING, 0, Priority.WARNING)
    alert = Alert(HIDE_HUB, Concern.NOT_ANSWERING)
    if ended:
        alert, _ = state_machine.step(alert, Priority.WARNING, NOW, Delays())
        silent = found(HIDE_HUB, Concern.NOT_ANSWERING, 5, None)
    held, _ = state_machine.step(state_machine.hold(alert, DATABASE), silent.priority, silent.at, Delays())
    late = replace(silent, at=after(minutes=30))
    _, (move, *_) = state_machine.step(state_machine.release(held), silent.priority, late.at, Delays())
    return compose(move, late, None, HOST, UTC, first_step)


def test_a_message_that_was_held_back_says_since_when() -> None:
    """It gives the time of the raise, and says that it was held back."""
    assert "Raised Tue 24 Nov 09:12; the message was held back until now." in plain(kept_back())


def test_an_end_that_was_held_back_is_sent_with_its_own_time() -> None:
    """It lasted five minutes, whenever that is sent."""
    message = kept_back(ended=True)
    assert "Raised Tue 24 Nov 09:12, ended Tue 24 Nov 09:17 (5 min)." in plain(message)


def test_a_cause_lists_what_depends_on_it() -> None:
    """It says that they send no messages; the list is bounded, and the message at the end needs none."""
    pool = SeriesKey("pool skerry", "health")
    bad = found(pool, Concern.FAULTY, 0, Priority.ALARM, "suspended")
    alert, (move,) = state_machine.step(Alert(pool, Concern.FAULTY), Priority.ALARM, NOW, Delays())
    few = compose(move, bad, None, HOST, UTC, first_step, ("guest hide-hub", "service hide-hub"))
    assert "These depend on it: guest hide-hub, service hide-hub. No separate messages about them" in plain(few)
    many = compose(move, bad, None, HOST, UTC, first_step, tuple(f"guest g{n}" for n in range(11)))
    assert "guest g7 and 3 more. No separate" in plain(many)
    _, (end,) = state_machine.step(alert, None, after(minutes=5), Delays())
    assert (
        "depend"
        not in compose(end, found(pool, Concern.FAULTY, 5, None), None, HOST, UTC, first_step, ("guest x",)).body
    )


def test_a_cause_names_what_was_reported_before_it() -> None:
    """What came earlier belongs to this event; only the others are said to send nothing."""
    pool = SeriesKey("pool skerry", "health")
    bad = found(pool, Concern.FAULTY, 0, Priority.ALARM, "suspended")
    _, (move,) = state_machine.step(Alert(pool, Concern.FAULTY), Priority.ALARM, NOW, Delays())
    both = ("guest hide-hub", "service hide-hub")
    text = plain(compose(move, bad, None, HOST, UTC, first_step, both, ("guest hide-hub",)))
    assert "Already reported, and part of this event: guest hide-hub." in text
    assert "These depend on it: service hide-hub. No separate" in text
    assert "depend on it" not in plain(compose(move, bad, None, HOST, UTC, first_step, both, both))


def standing(name: str) -> Alert:
    """A service that has not answered since NOW."""
    key = SeriesKey(f"service {name}", "answer")
    return Alert(key, Concern.NOT_ANSWERING, State.ACTIVE, Priority.WARNING, 1, 0, NOW)


def test_answers_lost_at_once_make_one_message_that_names_them() -> None:
    """Headline, what to do first, and an end that names them again."""
    group, members = Group(), [standing("hide-hub"), standing("nest-cams")]
    finding, alert, (move,) = group.step(
        Alert(GROUP, Concern.NOT_ANSWERING), members, after(minutes=1), gathering=False
    )
    raised = compose(move, finding, None, HOST, UTC, first_step)
    assert raised.headline == "group of services not answering for 60 s: hide-hub, nest-cams"
    assert "check first what they share" in plain(raised)
    _, alert, moves = group.step(alert, [], after(minutes=2), gathering=False)
    assert moves == ()
    finding, _, (move,) = group.step(alert, [], after(minutes=8), gathering=False)
    ended = compose(move, finding, None, HOST, UTC, first_step)
    assert ended.headline == "group of services answering again: hide-hub, nest-cams (alert ended)"


def test_a_group_that_ends_after_a_restart_no_longer_knows_its_names() -> None:
    """The names are not stored; the end is sent without them."""
    group = Group()
    alert = replace(standing("x"), key=GROUP, notified_priority=Priority.WARNING)
    _, alert, _ = group.step(alert, [], after(minutes=1), gathering=False)
    finding, _, (move,) = group.step(alert, [], after(minutes=8), gathering=False)
    assert (
        compose(move, finding, None, HOST, UTC, first_step).headline
        == "group of services answering again (alert ended)"
    )


def test_a_flood_makes_one_message_with_what_is_most_urgent_first() -> None:
    """And one at its end, with what is still there."""
    flood = Flood()
    for _ in range(10):
        flood.count(NOW)
    members = [standing("hide-hub"), replace(standing("tide-log"), priority=Priority.ALARM)]
    finding, alert, (move,) = flood.step(Alert(FLOOD, Concern.FAULTY), members, NOW)
    raised = compose(move, finding, None, HOST, UTC, first_step)
    assert raised.headline.startswith("alerts unusually frequent since 09:12: 10 in 10 min; most urgent: ")
    assert "most urgent: service tide-log (alarm), service hide-hub (warning)" in plain(raised)
    finding, _, (move,) = flood.step(alert, members[:1], after(minutes=20))
    ended = compose(move, finding, None, HOST, UTC, first_step)
    assert ended.key == FLOOD
    assert ended.headline.startswith("alerts at a normal rate again after 10 alerts; still active:")


def test_a_database_that_cannot_be_written() -> None:
    """What is wrong, and where to free space."""
    bad = found(DATABASE, Concern.FAULTY, 0, Priority.ALARM, "there is no room left to write /var/lib/w.db")
    _, (move,) = state_machine.step(Alert(DATABASE, Concern.FAULTY), Priority.ALARM, NOW, Delays())
    message = compose(move, bad, None, HOST, UTC, first_step)
    assert message.headline.startswith("watchkeeper cannot write its database since 09:12: there is no room left")
    assert "Free some space on it; watchkeeper then writes again without a restart." in plain(message)


def test_a_gap_in_monitoring_is_a_message_without_an_alert() -> None:
    """Nothing to acknowledge and nothing to end; a thread of its own each time."""
    message = noted(HOST, NOW, UTC, "monitoring was interrupted for 3 days", "From here to there.", "")
    again = noted(HOST, NOW + timedelta(days=9), UTC, "monitoring was interrupted for 3 days", "From here to there.")
    assert (message.kind, message.state, message.before, message.number) == (
        NotificationKind.NOTED,
        State.NORMAL,
        None,
        1,
    )
    assert message.body == "From here to there.\n\nTimes are UTC.\n"
    assert message.thread != again.thread


def test_a_transition_without_a_notification_makes_no_message() -> None:
    """Nothing is pending after a summary: that has reported the alert."""
    summed = state_machine.mark_summarized(state_machine.hold(standing("x"), FLOOD), NOW)
    assert isinstance(summed, Transition)
    assert (summed.event, summed.notification, summed.after.notified_priority) == (Event.NOTIFY, None, Priority.WARNING)
