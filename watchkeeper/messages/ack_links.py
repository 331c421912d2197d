"""Acknowledge tokens: signed, single-use links with which an alert can be acknowledged from a message.

A token names one notification of one alert at one priority. It is signed with a key of this installation (HMAC-SHA256),
so that nobody else can make one. Using it invalidates it: an acknowledged alert cannot be acknowledged again, and an
alert that has changed was notified again, with a new token. Following the link only opens a page with a form, and only
the form acts, because mail scanners follow links (web/auth/acknowledge.py). Pure.
"""

import base64
import binascii
import hashlib
import hmac
import json
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta

from watchkeeper.messages.build import thread_of
from watchkeeper.model.alert import Alert, Concern, NotificationKind, Priority, State
from watchkeeper.model.history.first_quantities import todays_key
from watchkeeper.model.message import Message
from watchkeeper.model.observation import SeriesKey

GOOD_FOR = timedelta(days=30)
"""An older mail should no longer be able to acknowledge anything; a reminder carries a new token."""

LONGEST = 4_096
"""Characters; a longer token is rejected unread."""

_KINDS = frozenset({NotificationKind.RAISED, NotificationKind.WORSE, NotificationKind.EASED, NotificationKind.REMINDED})


@dataclass(frozen=True, slots=True)
class AckToken:
    """One notification of one alert. until: when the token expires."""

    key: SeriesKey
    concern: Concern
    thread: str
    number: int
    priority: Priority
    until: datetime

    def fits(self, alert: Alert, host: str) -> bool:
        """Is the alert unchanged since this notification? Whether it is acknowledged already is not checked."""
        named = (self.key, self.concern) == (alert.key, alert.concern)
        as_notified = (self.thread, self.number) == (thread_of(alert, host), alert.message_count)
        return named and as_notified and alert.priority == self.priority


class AckLinks:
    """Makes and reads the tokens of one installation."""

    def __init__(self, secret: bytes, address: str) -> None:
        """address: of the page, as reached from where messages are read."""
        self._secret, self._address = secret, address.rstrip("/")

    def given(self, message: Message) -> Message:
        """Return the message with its link, if it reports something that can be acknowledged."""
        if message.link or message.test or message.kind not in _KINDS or message.state is not State.ACTIVE:
            return message
        if message.priority is None:
            return message
        link = f"{self._address}/acknowledge?pass={self.seal(_pass(message, message.priority))}"
        return replace(message.with_paragraph(invitation(link)), link=link)

    def seal(self, made: AckToken) -> str:
        """A token as it appears in a link: letters, digits, hyphens, underscores and one full stop."""
        named = [made.key.subject, made.key.quantity, made.concern.value, made.thread, made.number]
        content = json.dumps([*named, made.priority.value, int(made.until.timestamp())], separators=(",", ":")).encode()
        return f"{_text(content)}.{_text(self._mark(content))}"

    def read(self, text: str, now: datetime) -> AckToken | None:
        """The token in a link; None if it was not made here or has expired."""
        if len(text) > LONGEST or not text.isascii():
            return None
        content, _, mark = text.partition(".")
        try:
            raw = _raw(content)
            if not hmac.compare_digest(self._mark(raw), _raw(mark)):
                return None
        except binascii.Error:
            return None
        subject, quantity, concern, thread, number, priority, until_s = json.loads(raw)
        until = datetime.fromtimestamp(until_s, UTC)
        found = AckToken(
            todays_key(SeriesKey(subject, quantity)), Concern.named(concern), thread, number, Priority(priority), until
        )
        return found if now < until else None

    def _mark(self, content: bytes) -> bytes:
        return hmac.new(self._secret, b"acknowledge:" + content, hashlib.sha256).digest()[:16]


def invitation(link: str) -> str:
    """The sentence that introduces a link."""
    return f"Acknowledge it here: {link}"


def body_without_link(message: Message) -> str:
    """A message's body without its link."""
    return message.body.replace(f"\n{invitation(message.link)}\n", "") if message.link else message.body


def _pass(message: Message, priority: Priority) -> AckToken:
    # A reminder is numbered after everything that was sent; it repeats the notification before it.
    number = message.number - 1 if message.kind is NotificationKind.REMINDED else message.number
    return AckToken(message.key, message.concern, message.thread, number, priority, message.at + GOOD_FOR)


def _text(raw: bytes) -> str:
    return base64.urlsafe_b64encode(raw).decode().rstrip("=")


def _raw(text: str) -> bytes:
    return base64.b64decode(text + "=" * (-len(text) % 4), altchars=b"-_", validate=True)
