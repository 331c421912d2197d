"""Tokens: signed, bound to one notification of one alert, and invalid if changed."""

from dataclasses import replace
from datetime import timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.support.messages import HOST, NOW, ZONE, episode
from watchkeeper.manual.runbook import first_step
from watchkeeper.messages.ack_links import GOOD_FOR, AckLinks
from watchkeeper.messages.build import test_message as trial_message
from watchkeeper.messages.delivery.superseded import rewrite_superseded
from watchkeeper.messages.reminders import Reminder, remind
from watchkeeper.model.alert import Alert, NotificationKind, Priority, State
from watchkeeper.model.message import Message

PASSES = AckLinks(b"k" * 32, "https://watch.example.org/watch/")


def told(number: int = 0) -> tuple[Alert, Message]:
    """The alert and its message, with a link, after so many notifications."""
    each = episode()[number]
    return each.move.after, PASSES.given(each.message())


def sealed(message: Message) -> str:
    """The token in a message's link."""
    return message.link.partition("?pass=")[2]


def test_a_message_has_a_link_and_says_what_it_is_for() -> None:
    """It is in the body too, for receivers that show nothing else."""
    _, message = told()
    assert message.link.startswith("https://watch.example.org/watch/acknowledge?pass=")
    assert message.body.endswith(f"\n\nAcknowledge it here: {message.link}\n")
    assert PASSES.given(message) == message


def test_what_cannot_be_acknowledged_has_none() -> None:
    """An end, a test message, a message without an alert, an acknowledged alert."""
    alert, message = episode()[0].move.after, episode()[0].message()
    assert not PASSES.given(episode()[3].message()).link
    assert not PASSES.given(trial_message(HOST, NOW, ZONE)).link
    assert not PASSES.given(replace(message, kind=NotificationKind.DIGEST)).link
    assert not PASSES.given(replace(message, state=State.ACKNOWLEDGED)).link
    assert not PASSES.given(replace(message, priority=None)).link
    assert alert.state is State.ACTIVE


def test_a_token_is_valid_for_its_notification_alone() -> None:
    """After another notification of the alert the older link is no longer valid."""
    (alert, message), (later, newer) = told(), told(1)
    first, second = PASSES.read(sealed(message), NOW), PASSES.read(sealed(newer), NOW)
    assert first is not None
    assert second is not None
    assert (first.fits(alert, HOST), first.fits(later, HOST)) == (True, False)
    assert (second.fits(alert, HOST), second.fits(later, HOST)) == (False, True)
    assert not first.fits(replace(alert, priority=Priority.ALARM), HOST)
    assert not first.fits(replace(alert, episode=2), HOST)
    assert not first.fits(alert, "hide-hub")


def test_a_reminder_has_the_pass_of_what_it_reminds_of() -> None:
    """It comes later, and so is good for longer."""
    each, now = episode()[0], NOW + timedelta(days=29)
    reminder = remind(each.move.after, each.found, each.seen, Reminder(1, now, NOW), now, HOST, ZONE, first_step)
    found = PASSES.read(sealed(PASSES.given(reminder)), NOW + GOOD_FOR)
    assert found is not None
    assert found.fits(each.move.after, HOST)


def test_a_late_message_has_no_link() -> None:
    """Things are otherwise by then; the newest message has the link that is good."""
    (_, message), (_, newer) = told(), told(1)
    late = rewrite_superseded(message, newer, NOW + timedelta(hours=9), ZONE)
    assert (late.link, "acknowledge" in late.body) == ("", False)
    assert message.link


def test_a_pass_is_good_for_a_time() -> None:
    """A month after its message it is none any more."""
    _, message = told()
    assert PASSES.read(sealed(message), message.at + GOOD_FOR - timedelta(seconds=1)) is not None
    assert PASSES.read(sealed(message), message.at + GOOD_FOR) is None


@given(st.integers(0, 400), st.sampled_from("Aa0-_.=%/é"))
def test_what_was_changed_is_none(place: int, sign: str) -> None:
    """RFC 2104: without the key no other text has the right mark."""
    text = sealed(told()[1])
    place %= len(text)
    changed = text[:place] + sign + text[place + 1 :]
    found, original = PASSES.read(changed, NOW), PASSES.read(text, NOW)
    # The last sign of a part holds bits that base64 does not use: what reads as the same bytes is the same pass.
    assert found in (None, original)
    assert AckLinks(b"x" * 32, "").read(text, NOW) is None


@pytest.mark.parametrize("text", ["", ".", "a", "a.b", "x" * 5_000, "é.é", "====.===="])
def test_what_is_no_pass(text: str) -> None:
    """Nothing that a stranger writes is read any further."""
    assert PASSES.read(text, NOW) is None
