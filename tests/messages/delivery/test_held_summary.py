"""What quiet hours held, in one message."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta

from tests.support.messages import messages
from watchkeeper.messages.delivery.held_summary import WHOLE, held_summary
from watchkeeper.model.alert import NotificationKind, Priority
from watchkeeper.model.message import Message

MORNING = datetime(2026, 11, 25, 7, 0, tzinfo=UTC)
MINUTE = timedelta(minutes=1)
FIRST = messages()[0]


def told(name: str, priority: Priority | None, after: int, thread: str = "") -> Message:
    """A message about a thing of that name, so many minutes after midnight."""
    at = MORNING - timedelta(hours=7) + after * MINUTE
    kind = NotificationKind.RAISED if priority else NotificationKind.ENDED
    body = f"Text about {name}.\n\nTimes are UTC.\n"
    return replace(FIRST, thread=thread or name, priority=priority, at=at, kind=kind, headline=f"{name}!", body=body)


def test_most_urgent_first_and_then_what_has_ended() -> None:
    """Each thread once, by its newest message; what is active has its whole text."""
    held = [
        told("backup late", Priority.CAUTION, 1),
        told("hub down", Priority.WARNING, 2, "hub"),
        told("pool filling", Priority.WARNING, 3),
        told("hub back", None, 4, "hub"),
    ]
    one = held_summary("phone", held, MORNING, UTC)
    assert one.headline == "quiet hours are over: 2 active, 1 ended; pool filling!"
    assert (one.priority, one.kind, one.number) == (Priority.WARNING, NotificationKind.NOTED, 1)
    assert one.body.startswith("4 messages were held until the quiet hours ended.")
    places = [
        one.body.index(each) for each in ("WARNING Wed 25 Nov 00:03: pool", "Text about pool", "CAUTION", "Ended")
    ]
    assert places == sorted(places)
    assert "ended Wed 25 Nov 00:04: hub back!" in one.body
    assert "Text about hub" not in one.body
    assert one.body.count("Times are") == 1


def test_only_ended_or_only_active() -> None:
    """The headline counts what there is."""
    over = held_summary("phone", [told("a", None, 1), told("b", None, 2)], MORNING, UTC)
    assert (over.headline, over.priority) == ("quiet hours are over: 2 ended; a!", Priority.CAUTION)
    active = held_summary("phone", [told("a", Priority.CAUTION, 1), told("b", Priority.CAUTION, 2)], MORNING, UTC)
    assert active.headline == "quiet hours are over: 2 active; a!"
    assert "Ended" not in active.body


def test_many_are_listed() -> None:
    """The whole text of a few; every other one is a line."""
    held = [told(f"thing {n}", Priority.CAUTION, n) for n in range(WHOLE + 3)]
    one = held_summary("phone", held, MORNING, UTC)
    assert one.body.count("Text about") == WHOLE
    assert "Also active:" in one.body
    assert all(f"thing {n}!" in one.body for n in range(WHOLE + 3))


def test_each_has_its_own_id() -> None:
    """By its receiver and what it holds."""
    held = [told("a", None, 1), told("b", None, 2)]
    ids = {held_summary(name, held, MORNING, UTC).id for name in ("phone", "mail")}
    assert len(ids) == 2
