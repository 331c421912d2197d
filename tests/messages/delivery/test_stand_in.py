"""Who stands in: which messages they get, with which words, and what they are told at the begin and the end."""

from dataclasses import replace
from datetime import datetime, timedelta

import pytest

from tests.support.messages import HOST, NOW, ZONE, messages
from watchkeeper.messages.delivery.routing import Route
from watchkeeper.messages.delivery.stand_in import LISTED, StandIn, ahead, first_message, last_message, line
from watchkeeper.messages.reports.report import Report, section
from watchkeeper.model.alert import Alert, Concern, NotificationKind, Priority, State
from watchkeeper.model.message import Message
from watchkeeper.model.observation import SeriesKey

CAUTION, WARNING, ALARM = Priority
HOUR = timedelta(hours=1)
AWAY = StandIn("neighbour", NOW - HOUR, NOW + HOUR, WARNING, "the key is in the kitchen")
SHEET = Report("Sheet of gannet", "what there is", (), (section("Whom to call", ["the warden: 100"], "none"),))


def about(priority: Priority | None, at: datetime = NOW, kind: NotificationKind = NotificationKind.RAISED) -> Message:
    """A message at this priority."""
    return replace(messages()[0], priority=priority, before=None, kind=kind, at=at)


@pytest.mark.parametrize("only", [True, False])
def test_what_goes_to_somebody_who_stands_in(only: bool) -> None:  # noqa: FBT001
    """All of its priority and above while it lasts, whatever else the notifier gets."""
    route = Route(ALARM, subjects=("guest *",), stand_ins=(AWAY,), stand_in_only=only)
    assert [route.wants(about(each)) for each in Priority] == [False, True, True]
    assert route.wants(about(WARNING, NOW - HOUR))
    assert not route.wants(about(ALARM, NOW + HOUR))
    assert not route.wants(about(ALARM, NOW - 2 * HOUR))
    assert route.wants(about(WARNING, kind=NotificationKind.REMINDED))
    assert not route.wants(about(CAUTION, kind=NotificationKind.NOTED))
    assert not route.wants(about(None, kind=NotificationKind.DIGEST))


def test_a_rise_and_an_end_are_for_them_as_well() -> None:
    """As for any receiver: a change that starts or ends at or above the priority."""
    route = Route(stand_ins=(AWAY,), stand_in_only=True)
    change = replace(about(None), kind=NotificationKind.ENDED)
    assert route.wants(replace(change, before=WARNING))
    assert not route.wants(replace(change, before=CAUTION))


def test_why_not() -> None:
    """In the words of the configuration."""
    only = Route(stand_ins=(AWAY, replace(AWAY, at_least=ALARM)), stand_in_only=True)
    assert only.refusal(about(CAUTION)) == 'at_least of the stand-in is "warning"'
    assert only.refusal(about(ALARM, NOW + HOUR)) == "stand_in_only is set, and no stand-in is under way"
    digest = about(None, kind=NotificationKind.DIGEST)
    assert only.refusal(digest) == "stand_in_only is set, and no stand-in is under way"
    assert Route(digest_only=True, stand_ins=(AWAY,)).refusal(about(CAUTION)) == "digest_only is set"


def test_a_message_says_why_it_comes() -> None:
    """Until when, the note, and where the sheet is; nobody else gets those words, and only that one's messages."""
    message = about(ALARM)
    said = Route(zone=ZONE, stand_ins=(AWAY,)).as_sent(message)
    assert said.body == message.body + (
        "\nYou get this because you stand in for the operator of gannet until Tue\n24 Nov 11:12.\n"
        "Note: the key is in the kitchen\nThe sheet of the house came with your first message.\n"
    )
    assert said.id == message.id
    assert Route(zone=ZONE, stand_ins=(AWAY,)).as_sent(about(CAUTION)) == about(CAUTION)
    with_page = replace(AWAY, note="", sheet="https://watch.example.org/sheet")
    assert with_page.explained(message, ZONE).body.endswith(
        "24 Nov 11:12.\nThe sheet of the house: https://watch.example.org/sheet\n"
    )


def alert(n: int, priority: Priority | None, **changes: object) -> Alert:
    """An active alert."""
    key = SeriesKey(f"service {n}", "answer")
    found = Alert(key, Concern.NOT_ANSWERING, State.ACTIVE, priority=priority, raised_at=NOW - timedelta(minutes=n))
    return replace(found, **changes)  # type: ignore[arg-type]


def test_the_first_message() -> None:
    """Until when, what is active now with the most urgent first, and the whole sheet."""
    alerts = [alert(1, CAUTION), alert(2, ALARM), alert(3, WARNING, raised_at=None), alert(4, None)]
    held = replace(alerts[0], held_by=SeriesKey("pool skerry", "space"))
    found = first_message(AWAY, SHEET, [*alerts, held], HOST, ZONE, NOW)
    assert found.headline == "you stand in for gannet until Tue 24 Nov 11:12"
    assert found.body == (
        "You stand in for the operator of gannet until Tue 24 Nov 11:12. Until\n"
        "then you get messages of the priority warning and above.\n\nNote: the key is in the kitchen\n\n"
        "Active now:\n  ALARM service 2, not answering, since Tue 24 Nov 10:10\n  WARNING service 3, not answering\n"
        "  CAUTION service 1, not answering, since Tue 24 Nov 10:11\n\n"
        "Sheet of gannet\n\nWhom to call:\n  the warden: 100\n"
    )
    quiet = first_message(replace(AWAY, sheet="https://watch.example.org/sheet"), SHEET, [], HOST, ZONE, NOW)
    assert "No alert is active now.\n\nThe sheet of the house, always up to date: https://watch" in quiet.body
    assert found.kind is NotificationKind.DIGEST  # it is not put into another message after quiet hours


def test_the_last_message() -> None:
    """No more comes, and what is active still is named, up to a number."""
    found = last_message(AWAY.id, [alert(n, ALARM) for n in range(LISTED + 3)], HOST, ZONE, NOW)
    assert found.headline == "your stand-in for gannet is over"
    assert found.body.startswith(
        "Your stand-in for the operator of gannet is over. You get no further\n"
        "messages because of it.\n\nStill active:\n"
    )
    assert "\n  and 3 more\n\nTimes are " in found.body
    assert found.thread != first_message(AWAY, SHEET, [], HOST, ZONE, NOW).thread


def test_a_line() -> None:
    """What the page, the sheet and the commands say."""
    assert line(AWAY, ZONE, NOW) == "neighbour, until Tue 24 Nov 11:12, warning and above: the key is in the kitchen"
    later = replace(AWAY, begin_at=NOW + HOUR, end_at=NOW + 2 * HOUR, note="")
    assert line(later, ZONE, NOW) == "neighbour, from Tue 24 Nov 11:12 until Tue 24 Nov 12:12, warning and above"
    assert ahead([later, AWAY, replace(AWAY, end_at=NOW)], NOW) == [AWAY, later]
