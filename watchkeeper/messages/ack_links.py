"""Passes: signed links with which an alert can be acknowledged from a message, once.

A pass names one telling of one alert at one priority, and is signed with a key of this installation (HMAC-SHA256), so
that nobody can make one. It is used up by what it does: an acknowledged alert has nothing to acknowledge, and one that
moved on was told again, with a pass of its own. What following the link does is the page's matter: it asks, and acts
only on its own form, because mail scanners follow links (web/auth/acknowledge.py). Pure.
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
from watchkeeper.model.message import Message
from watchkeeper.model.observation import SeriesKey

GOOD_FOR = timedelta(days=30)
"""A mail that lies about for longer is no way to act any more; a reminder has a new one."""

LONGEST = 4_096
"""Signs of a pass that is looked at."""

_TELLINGS = frozenset(
    {NotificationKind.RAISED, NotificationKind.WORSE, NotificationKind.EASED, NotificationKind.REMINDED}
)


@dataclass(frozen=True, slots=True)
class AckToken:
    """One telling of one alert. until: it is good no longer than this."""

    key: SeriesKey
    concern: Concern
    thread: str
    number: int
    priority: Priority
    until: datetime

    def fits(self, alert: Alert, host: str) -> bool:
        """Is the alert still as it was told? Whether it is acknowledged already is not asked."""
        named = (self.key, self.concern) == (alert.key, alert.concern)
        as_told = (self.thread, self.number) == (thread_of(alert, host), alert.tellings)
        return named and as_told and alert.priority == self.priority


class AckLinks:
    """Makes and reads the passes of one installation."""

    def __init__(self, secret: bytes, address: str) -> None:
        """address: of the page, as it is reached from where messages are read."""
        self._secret, self._address = secret, address.rstrip("/")

    def given(self, message: Message) -> Message:
        """The message with its link, where it tells of something that can be acknowledged."""
        if message.link or message.trial or message.telling not in _TELLINGS or message.state is not State.ACTIVE:
            return message
        if message.priority is None:
            return message
        link = f"{self._address}/acknowledge?pass={self.seal(_pass(message, message.priority))}"
        return replace(message, link=link, body=f"{message.body}\n{invitation(link)}\n")

    def seal(self, made: AckToken) -> str:
        """A pass as it stands in a link: letters, digits, hyphens, underscores and one full stop."""
        named = [made.key.subject, made.key.quantity, made.concern.value, made.thread, made.number]
        content = json.dumps([*named, made.priority.value, int(made.until.timestamp())], separators=(",", ":")).encode()
        return f"{_text(content)}.{_text(self._mark(content))}"

    def read(self, text: str, now: datetime) -> AckToken | None:
        """The pass in a link; None where it is none of ours, or too old."""
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
        found = AckToken(SeriesKey(subject, quantity), Concern(concern), thread, number, Priority(priority), until)
        return found if now < until else None

    def _mark(self, content: bytes) -> bytes:
        return hmac.new(self._secret, b"acknowledge:" + content, hashlib.sha256).digest()[:16]


def invitation(link: str) -> str:
    """The words that a link stands behind."""
    return f"To say that you know of it: {link}"


def _pass(message: Message, priority: Priority) -> AckToken:
    # A reminder counts as after all that was told; what it reminds of is the telling before it.
    number = message.number - 1 if message.telling is NotificationKind.REMINDED else message.number
    return AckToken(message.key, message.concern, message.thread, number, priority, message.at + GOOD_FOR)


def _text(raw: bytes) -> str:
    return base64.urlsafe_b64encode(raw).decode().rstrip("=")


def _raw(text: str) -> bytes:
    return base64.b64decode(text + "=" * (-len(text) % 4), altchars=b"-_", validate=True)
