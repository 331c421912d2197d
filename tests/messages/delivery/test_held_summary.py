"""What quiet hours held, in one message: what is still active, and what happened and ended meanwhile."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta

from tests.support.messages import episode, messages, silence
from watchkeeper.messages.build import noted, thread_of
from watchkeeper.messages.delivery.held_summary import WHOLE, held_summary, says_too_much
from watchkeeper.model.alert import Alert, Concern, NotificationKind, Priority, State
from watchkeeper.model.message import Message
from watchkeeper.model.observation import SeriesKey

MORNING = datetime(2026, 11, 25, 7, 0, tzinfo=UTC)
MINUTE = timedelta(minutes=1)
FIRST = messages()[0]


def active(name: str, state: State = State.ACTIVE, minutes: int = 0) -> Alert:
    """An alert about the thing of that name, and so many minutes after midnight its end, if it has ended."""
    raised = MORNING - timedelta(hours=7)
    ended = None if state is State.ACTIVE else raised + minutes * MINUTE
    return Alert(SeriesKey(name, "space"), Concern.FULL, state, episode=1, raised_at=raised, ended_at=ended)


def told(name: str, priority: Priority | None, after: int) -> Message:
    """A message about the alert of that name, so many minutes after midnight."""
    at = MORNING - timedelta(hours=7) + after * MINUTE
    kind = NotificationKind.RAISED if priority else NotificationKind.ENDED
    body = f"Text about {name}.\n\nTimes are UTC.\n"
    thread = thread_of(active(name), FIRST.host)
    return replace(FIRST, thread=thread, priority=priority, at=at, since=at, kind=kind, headline=f"{name}!", body=body)


def test_most_urgent_first_and_then_what_has_ended() -> None:
    """Each thread once; what is active has the whole text of its newest message."""
    hub = told("hub", Priority.WARNING, 2)
    held = [
        told("backup", Priority.CAUTION, 1),
        hub,
        told("pool", Priority.WARNING, 3),
        replace(told("hub", None, 44), headline="hub again", since=hub.at, over_at=hub.at + 40 * MINUTE),
    ]
    one = held_summary("phone", held, [active("backup"), active("pool")], MORNING, UTC)
    assert one.headline == "quiet hours are over: 2 active, 1 ended; pool!"
    assert (one.priority, one.kind, one.number) == (Priority.WARNING, NotificationKind.NOTED, 1)
    assert one.body.startswith("4 messages were held until the quiet hours ended.")
    places = [
        one.body.index(each) for each in ("WARNING Wed 25 Nov 00:03: pool", "Text about pool", "CAUTION", "Ended")
    ]
    assert places == sorted(places)
    assert "  Wed 25 Nov 00:02 to 00:42 (40 min), warning: hub!; hub again" in one.body
    assert "Text about hub" not in one.body
    assert one.body.count("Times are") == 1


def test_real_messages_say_what_happened_and_when() -> None:
    """The service's true period, which is longer than its alert; the pool's from one day into the next."""
    raised, ended = silence()
    over = replace(ended.found, began_at=raised.found.since, over_at=ended.move.at - MINUTE)
    hub = [raised.message(), replace(ended, found=over).message()]
    pool = [each.message() for each in episode()]
    one = held_summary("phone", [*hub, *pool], [], pool[-1].at, UTC)
    assert one.headline.startswith("quiet hours are over: 2 ended; service hide-hub")
    text = " ".join(one.body.split())
    assert (
        "Tue 24 Nov 09:08 to 09:29 (21 min), warning: service hide-hub answering wrongly for 4 min: status 502, "
        "expected 200; service hide-hub answering again after 21 min (alert ended)"
    ) in text
    assert "Tue 24 Nov 09:12 to Thu 26 Nov 17:12 (2 days 8 h), alarm: pool skerry full in about 3 days" in text


def test_an_end_that_was_not_sent_is_said() -> None:
    """A receiver of warnings gets no end of what had eased to a caution: the alert itself says that it ended."""
    eased = replace(told("pool", Priority.CAUTION, 30), kind=NotificationKind.EASED, before=Priority.WARNING)
    held = [told("pool", Priority.WARNING, 0), eased]
    over = active("pool", State.RECTIFIED, 95)
    one = held_summary("phone", held, [over], MORNING, UTC)
    assert one.headline == "quiet hours are over: 1 ended; pool!"
    assert "  Wed 25 Nov 00:00 to 01:35 (1 h 35 min), warning: pool!" in one.body
    assert says_too_much(held, [over])
    assert not says_too_much(held, [active("pool")])
    assert not says_too_much([told("pool", None, 1)], [over])


def test_an_alert_that_is_not_known_any_more_has_ended() -> None:
    """It was removed, or another one began since: when it ended is not known."""
    one = held_summary("phone", [told("pool", Priority.CAUTION, 5)], [], MORNING, UTC)
    assert one.body.startswith("1 message was held")
    assert "  since Wed 25 Nov 00:05, ended since then, caution: pool!" in one.body


def test_what_happened_once_is_not_called_active() -> None:
    """A note about watchkeeper itself has no alert that could be active or end."""
    note = noted(FIRST.host, MORNING - timedelta(hours=2), UTC, "watchkeeper was not running for 3 h")
    one = held_summary("phone", [note, told("hub", None, 1)], [], MORNING, UTC)
    assert one.headline == "quiet hours are over: 1 ended, 1 more; watchkeeper was not running for 3 h"
    assert "Also happened:\n  Wed 25 Nov 05:00: watchkeeper was not running for 3 h" in one.body
    assert not says_too_much([note], [])


def test_only_ended_or_only_active() -> None:
    """The headline counts what there is."""
    over = held_summary("phone", [told("a", None, 1), told("b", None, 2)], [], MORNING, UTC)
    assert (over.headline, over.priority) == ("quiet hours are over: 2 ended; a!", Priority.CAUTION)
    both = [told("a", Priority.CAUTION, 1), told("b", Priority.CAUTION, 2)]
    one = held_summary("phone", both, [active("a"), active("b")], MORNING, UTC)
    assert one.headline == "quiet hours are over: 2 active; a!"
    assert "Ended" not in one.body


def test_many_are_listed() -> None:
    """The whole text of a few; every other one is a line."""
    names = [f"thing {n}" for n in range(WHOLE + 3)]
    held = [told(name, Priority.CAUTION, n) for n, name in enumerate(names)]
    one = held_summary("phone", held, map(active, names), MORNING, UTC)
    assert one.body.count("Text about") == WHOLE
    assert "Also active:" in one.body
    assert all(f"{name}!" in one.body for name in names)


def test_each_has_its_own_id() -> None:
    """By its receiver and what it holds."""
    held = [told("a", None, 1), told("b", None, 2)]
    ids = {held_summary(name, held, [], MORNING, UTC).id for name in ("phone", "mail")}
    assert len(ids) == 2
