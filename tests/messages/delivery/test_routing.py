"""Who is told what, and when."""

from dataclasses import replace
from datetime import UTC, datetime
from itertools import product
from zoneinfo import ZoneInfo

import pytest

from tests.support.messages import messages
from watchkeeper.messages.delivery.quiet_hours import parse_span
from watchkeeper.messages.delivery.routing import Route
from watchkeeper.model.alert import Concern, NotificationKind, Priority
from watchkeeper.model.message import Message

NIGHT = datetime(2026, 11, 24, 23, 0, tzinfo=UTC)
MORNING = datetime(2026, 11, 25, 6, 0, tzinfo=UTC)
CAUTION, WARNING, ALARM = Priority


def route(quiet_for: Priority = CAUTION, at_least: Priority = CAUTION) -> Route:
    """A receiver who sleeps from ten to seven."""
    return Route(at_least, (parse_span("22:00-07:00"),), quiet_for, zone=ZoneInfo("CET"))


def about(priority: Priority | None, telling: NotificationKind = NotificationKind.RAISED) -> Message:
    """A message that leaves an alert at this priority."""
    return replace(messages()[0], priority=priority, before=None, kind=telling)


@pytest.mark.parametrize(("quiet_for", "priority"), list(product((CAUTION, WARNING), Priority)))
def test_what_waits_for_the_morning(quiet_for: Priority, priority: Priority) -> None:
    """A caution waits, a warning where that is set, an alarm never."""
    leaves_at = route(quiet_for).leaves_at(about(priority), NIGHT)
    assert leaves_at == (MORNING if priority <= quiet_for else NIGHT)


def test_an_end_waits() -> None:
    """That an alarm has ended wakes nobody."""
    assert route().leaves_at(messages()[3], NIGHT) == MORNING


def test_outside_the_hours_nothing_waits() -> None:
    """In the daytime, and for who has no quiet hours, a message leaves at once."""
    assert route().leaves_at(about(CAUTION), MORNING) == MORNING
    assert Route().leaves_at(about(CAUTION), NIGHT) == NIGHT


def test_what_an_alarm_waits_for_does_not_wait() -> None:
    """A thread is told in its order: a caution goes at once where an alarm stands behind it."""
    assert route().leaves_at(about(CAUTION), NIGHT, [about(ALARM)]) == NIGHT
    assert route().leaves_at(about(CAUTION), NIGHT, [messages()[3]]) == MORNING


@pytest.mark.parametrize("kind", [NotificationKind.REMINDED, NotificationKind.NOTED])
def test_what_is_no_change_goes_by_its_priority(kind: NotificationKind) -> None:
    """A reminder changes no priority, and yet is for who wants to hear of that one."""
    assert [route(at_least=p).wants(about(WARNING, kind)) for p in Priority] == [True, True, False]
    assert [route(at_least=p).wants(about(None, kind)) for p in Priority] == [True, False, False]


def test_changes_go_by_what_they_pass() -> None:
    """RFC 8632, notify-status-changes: a change is told if it starts or ends at or above the priority."""
    assert [route(at_least=ALARM).wants(each) for each in messages()] == [False, True, True, False]


def test_a_digest_goes_to_whom_it_is_due_for() -> None:
    """It is nobody's by its priority."""
    assert not route().wants(about(None, NotificationKind.DIGEST))


def change(before: Priority | None, after: Priority | None) -> Message:
    """A message about a change."""
    return replace(messages()[0], before=before, priority=after, kind=NotificationKind.WORSE)


@pytest.mark.parametrize(
    ("before", "after", "sent"),
    [
        (None, CAUTION, False), (None, WARNING, True), (None, ALARM, False), (WARNING, ALARM, True),
        (ALARM, None, False), (ALARM, WARNING, True), (WARNING, None, True), (CAUTION, ALARM, False),
        (WARNING, WARNING, False),
    ],
)  # fmt: skip
def test_a_receiver_of_warnings_alone(before: Priority | None, after: Priority | None, *, sent: bool) -> None:
    """It gets every change into the range and out of it, so that it never believes in what is over."""
    assert Route(WARNING, at_most=WARNING).wants(change(before, after)) is sent


def test_a_reminder_above_the_range() -> None:
    """Another receiver is reminded of an alarm."""
    reminders = [about(p, NotificationKind.REMINDED) for p in Priority]
    assert [Route(at_most=WARNING).wants(each) for each in reminders] == [True, True, False]


def test_a_receiver_of_the_digest_alone() -> None:
    """Nothing else goes there."""
    assert not any(Route(digest_only=True).wants(each) for each in messages())


@pytest.mark.parametrize(
    ("subjects", "concerns", "sent"),
    [
        ((), (), True), (("pool *",), (), True), (("file system *", "pool skerry"), (), True), (("pool",), (), False),
        ((), (Concern.FULL,), True), ((), (Concern.FAULTY, Concern.OVERDUE), False),
        (("pool *",), (Concern.FAULTY,), False), (("Pool *",), (), False),
    ],
)  # fmt: skip
def test_chosen_subjects_and_concerns(subjects: tuple[str, ...], concerns: tuple[Concern, ...], *, sent: bool) -> None:
    """Both must fit; a glob fits the whole name."""
    assert Route(subjects=subjects, concerns=frozenset(concerns)).wants(messages()[0]) is sent


@pytest.mark.parametrize(
    ("receiver", "why"),
    [
        (Route(), ""),
        (Route(digest_only=True), "digest_only is set"),
        (Route(subjects=("guest *", "host *")), "none of its subjects fits: guest *, host *"),
        (Route(concerns=frozenset({Concern.OVERDUE})), "full is not one of its concerns"),
        (Route(at_least=ALARM), 'at_least is "alarm"'),
        (Route(at_most=CAUTION), 'at_most is "caution"'),
    ],
)
def test_why_a_message_is_not_for_a_receiver(receiver: Route, why: str) -> None:
    """In terms of its settings; empty if it is."""
    assert receiver.refusal(about(WARNING)) == why
    assert receiver.wants(about(WARNING)) is not bool(why)


def test_a_digest_is_refused_by_its_kind() -> None:
    """It goes to whom it is due for."""
    assert Route().refusal(about(None, NotificationKind.DIGEST)) == "it is no digest of this receiver's"
