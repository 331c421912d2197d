"""Why something was or was not sent, in words."""

from datetime import UTC, datetime, timedelta

from watchkeeper.messages.delivery.explained import deliveries_of, explained, route_words
from watchkeeper.messages.delivery.quiet_hours import parse_span
from watchkeeper.messages.delivery.routing import Route
from watchkeeper.model.alert import Concern, Priority
from watchkeeper.model.observation import SeriesKey
from watchkeeper.model.operator.decision import Decision, RouteChoice
from watchkeeper.model.records import Entry, EventLine

NOW = datetime(2026, 11, 24, 9, 12, tzinfo=UTC)
MINUTE = timedelta(minutes=1)
HUB = SeriesKey("service hide-hub", "answer")
HEADLINE = "service hide-hub not answering"
RULE = Decision(HUB, Concern.NOT_ANSWERING, NOW, ("no answer", "calls for a warning"))
CHOICES = (
    RouteChoice("mail"),
    RouteChoice("phone", held_until=NOW + 60 * MINUTE),
    RouteChoice("hook", 'at_least is "alarm"'),
)
SENT = Decision(HUB, Concern.NOT_ANSWERING, NOW, (), "t-1", HEADLINE, CHOICES)


def line(text: str, after: timedelta, notifier: str = "mail", **details: str) -> EventLine:
    """A line of the event log about the delivery of that message."""
    about = {"message": "t-1", "notifier": notifier, **details}
    return EventLine(NOW + after, Entry.DELIVERY, text, HUB, Concern.NOT_ANSWERING, about)


def test_the_rule_and_its_message_are_one_entry() -> None:
    """What each notifier got stands below the reason."""
    (found,) = explained([RULE, SENT], {}, UTC, NOW)
    assert found.title == "service hide-hub, not answering"
    assert found.steps == ("no answer", "calls for a warning")
    assert found.sent == (
        f"message: {HEADLINE}",
        "mail: sent at once",
        "phone: held for quiet hours until Tue 24 Nov 10:12",
        'hook: not sent: at_least is "alarm"',
    )


def test_two_decisions_after_each_other_stay_apart() -> None:
    """At another time, about another alert, or after a message."""
    later = Decision(HUB, Concern.NOT_ANSWERING, NOW + MINUTE, ("answering",))
    other = Decision(HUB, Concern.NOT_REPORTING, NOW + MINUTE, ("no reading",))
    assert len(explained([RULE, later, other], {}, UTC, NOW)) == 3
    assert len(explained([SENT, SENT], {}, UTC, NOW)) == 2


def test_what_became_of_it() -> None:
    """Each attempt that the event log knows, with its error; lines about other things are ignored."""
    lines = [
        line(f"not sent yet by mail: {HEADLINE}", MINUTE, error="mail: cannot connect"),
        line(f"sent by mail, 5 min after the event: {HEADLINE}", 5 * MINUTE),
        EventLine(NOW, Entry.NOTE, "something else"),
    ]
    (found,) = explained([SENT], deliveries_of(lines), UTC, NOW)
    assert found.sent[1] == (
        "mail: not sent yet Tue 24 Nov 09:13 (mail: cannot connect); then sent, 5 min after the event Tue 24 Nov 09:17"
    )


def test_without_a_notifier() -> None:
    """It says that nobody gets it."""
    (found,) = explained([Decision(HUB, Concern.NOT_ANSWERING, NOW, (), "t-1", HEADLINE)], {}, UTC, NOW)
    assert found.sent[1] == "sent to nobody: no notifier is configured"


def test_what_a_receiver_would_get() -> None:
    """By priority, with the reason in terms of its settings."""
    quiet = Route(at_least=Priority.WARNING, quiet=(parse_span("08:00-10:00"),), quiet_for=Priority.WARNING)
    assert route_words(quiet, HUB, Concern.NOT_ANSWERING, NOW) == (
        'caution: not sent: at_least is "warning"; warning: held for quiet hours until Tue 24 Nov 10:00; '
        "alarm: sent at once"
    )
    assert route_words(Route(), HUB, Concern.NOT_ANSWERING, NOW) == "caution, warning, alarm: sent at once"
