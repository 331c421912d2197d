"""What a message says of an alert that comes and goes, was kept back, or carries others; and of the watch itself."""

from dataclasses import replace
from datetime import UTC, timedelta

from tests.support.messages import HIDE_HUB, HOST, NOW, after
from watchkeeper.alerting import state_machine
from watchkeeper.alerting.group_alerts import DATABASE, FLOOD, GROUP, Flood, Group
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
    """Unsound or silent since NOW, at so many minutes after it."""
    return Finding(key, concern, after(minutes=minutes), priority, since=NOW if priority else None, reason=reason)


def flapping() -> list[Message]:
    """hide-hub falls silent every ten minutes, and answers in between."""
    alert, told = Alert(HIDE_HUB, Concern.NOT_ANSWERING), []
    for minutes in (0, 5, 10, 15, 20, 25, 36):
        priority = Priority.WARNING if minutes % 10 == 0 else None
        each = found(HIDE_HUB, Concern.NOT_ANSWERING, minutes, priority)
        alert, moves = state_machine.step(alert, priority, each.at, FLAPPING)
        told += [compose(m, each, None, HOST, UTC) for m in moves if m.notification]
    return told


def test_an_alert_that_comes_and_goes_says_so_with_its_count() -> None:
    """In the headline, because that is what a phone shows; its end says how often, and why it counts as over."""
    *_, raised, ended = flapping()
    assert raised.headline == "comes and goes: service hide-hub silent for 20 min"
    assert "It comes and goes: 3 times lately." in plain(raised)
    assert ended.kind is NotificationKind.ENDED
    assert "came and went 3 times; it counts as over because it stayed away" in plain(ended)


def kept_back(*, ended: bool = False) -> Message:
    """hide-hub was silent while its guest was down, and is told half an hour later."""
    silent = found(HIDE_HUB, Concern.NOT_ANSWERING, 0, Priority.WARNING)
    alert = Alert(HIDE_HUB, Concern.NOT_ANSWERING)
    if ended:
        alert, _ = state_machine.step(alert, Priority.WARNING, NOW, Delays())
        silent = found(HIDE_HUB, Concern.NOT_ANSWERING, 5, None)
    held, _ = state_machine.step(state_machine.hold(alert, DATABASE), silent.priority, silent.at, Delays())
    late = replace(silent, at=after(minutes=30))
    _, (move, *_) = state_machine.step(state_machine.release(held), silent.priority, late.at, Delays())
    return compose(move, late, None, HOST, UTC)


def test_what_was_kept_back_says_since_when() -> None:
    """A message that comes half an hour late is honest about it."""
    assert "It began Tue 24 Nov 09:12 and was kept back until now." in plain(kept_back())


def test_an_end_that_was_kept_back_is_told_with_its_own_time() -> None:
    """It lasted five minutes, whenever that is told."""
    message = kept_back(ended=True)
    assert "It lasted 5 min: raised Tue 24 Nov 09:12, ended Tue 24 Nov 09:17." in plain(message)


def test_a_cause_says_what_rests_on_it() -> None:
    """So that the keeper does not wonder why nothing is told of those; the list is bounded, and its end needs none."""
    pool = SeriesKey("pool skerry", "health")
    bad = found(pool, Concern.FAULTY, 0, Priority.ALARM, "suspended")
    alert, (move,) = state_machine.step(Alert(pool, Concern.FAULTY), Priority.ALARM, NOW, Delays())
    few = compose(move, bad, None, HOST, UTC, ("guest hide-hub", "service hide-hub"))
    assert "On it rest guest hide-hub, service hide-hub: nothing is told of them while it is down." in plain(few)
    many = compose(move, bad, None, HOST, UTC, tuple(f"guest g{n}" for n in range(11)))
    assert "guest g7 and 3 more: nothing" in plain(many)
    _, (end,) = state_machine.step(alert, None, after(minutes=5), Delays())
    assert "rest" not in compose(end, found(pool, Concern.FAULTY, 5, None), None, HOST, UTC, ("guest x",)).body


def standing(name: str) -> Alert:
    """A service that is silent since NOW."""
    key = SeriesKey(f"service {name}", "answer")
    return Alert(key, Concern.NOT_ANSWERING, State.ACTIVE, Priority.WARNING, 1, 0, NOW)


def test_answers_lost_at_once_make_one_message_that_names_them() -> None:
    """Headline, what to look at first, and an end that names them again."""
    group, members = Group(), [standing("hide-hub"), standing("nest-cams")]
    finding, alert, (move,) = group.step(
        Alert(GROUP, Concern.NOT_ANSWERING), members, after(minutes=1), gathering=False
    )
    raised = compose(move, finding, None, HOST, UTC)
    assert raised.headline == "group of services silent for 60 s: service hide-hub, service nest-cams"
    assert "look first at what they share" in plain(raised)
    _, alert, moves = group.step(alert, [], after(minutes=2), gathering=False)
    assert moves == ()
    finding, _, (move,) = group.step(alert, [], after(minutes=8), gathering=False)
    ended = compose(move, finding, None, HOST, UTC)
    assert ended.headline == "ended: group of services answers again: service hide-hub, service nest-cams"


def test_a_group_that_ends_after_a_restart_no_longer_knows_its_names() -> None:
    """What is only for words is not stored; the end is told all the same."""
    group = Group()
    alert = replace(standing("x"), key=GROUP, notified_priority=Priority.WARNING)
    _, alert, _ = group.step(alert, [], after(minutes=1), gathering=False)
    finding, _, (move,) = group.step(alert, [], after(minutes=8), gathering=False)
    assert compose(move, finding, None, HOST, UTC).headline == "ended: group of services answers again"


def test_a_flood_makes_one_message_with_what_is_most_urgent_first() -> None:
    """And one at its end, with what is still there."""
    flood = Flood()
    for _ in range(10):
        flood.count(NOW)
    members = [standing("hide-hub"), replace(standing("tide-log"), priority=Priority.ALARM)]
    finding, alert, (move,) = flood.step(Alert(FLOOD, Concern.FAULTY), members, NOW)
    raised = compose(move, finding, None, HOST, UTC)
    assert raised.headline.startswith("alerts in flood since 09:12: 10 alerts within 10 min; kept")
    assert "until it is calm: service tide-log (alarm), service hide-hub (warning)" in plain(raised)
    finding, _, (move,) = flood.step(alert, members[:1], after(minutes=20))
    ended = compose(move, finding, None, HOST, UTC)
    assert ended.key == FLOOD
    assert ended.headline.startswith("ended: alerts calm again after 10 alerts; still there:")


def test_a_database_that_cannot_be_written_is_told_in_words() -> None:
    """What is wrong, and where to make room."""
    bad = found(DATABASE, Concern.FAULTY, 0, Priority.ALARM, "there is no room left to write /var/lib/w.db")
    _, (move,) = state_machine.step(Alert(DATABASE, Concern.FAULTY), Priority.ALARM, NOW, Delays())
    message = compose(move, bad, None, HOST, UTC)
    assert message.headline.startswith("watchkeeper cannot write its database since 09:12: there is no room left")
    assert "make room on it, and the watch writes on by itself" in plain(message)


def test_what_happened_to_the_watch_is_a_message_without_an_alert() -> None:
    """Nothing to acknowledge and nothing to end; a thread of its own each time."""
    message = noted(HOST, NOW, UTC, "watchkeeper was away for 3 days", "From here to there.", "")
    again = noted(HOST, NOW + timedelta(days=9), UTC, "watchkeeper was away for 3 days", "From here to there.")
    assert (message.kind, message.state, message.before, message.number) == (
        NotificationKind.NOTED,
        State.NORMAL,
        None,
        1,
    )
    assert message.body == "From here to there.\n\nTimes are UTC.\n"
    assert message.thread != again.thread


def test_a_move_that_tells_nothing_makes_no_message_of_a_resting_house() -> None:
    """A tell without anything owed is none: what was summed up was told elsewhere."""
    summed = state_machine.mark_summarized(state_machine.hold(standing("x"), FLOOD), NOW)
    assert isinstance(summed, Transition)
    assert (summed.event, summed.notification, summed.after.notified_priority) == (Event.NOTIFY, None, Priority.WARNING)
