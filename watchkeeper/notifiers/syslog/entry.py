"""Format a message as a syslog entry: RFC 5424, or the short form that local log daemons read. Pure.

The same message has the same bytes on every try, so an entry has no process id. Not here: transport (syslog.py).
"""

from datetime import UTC, datetime
from enum import IntEnum

from watchkeeper.messages.ack_links import body_without_link
from watchkeeper.messages.wording import clean
from watchkeeper.model.alert import NotificationKind, Priority
from watchkeeper.model.message import Message

APP_NAME = "watchkeeper"

ENTERPRISE = 32473
"""The enterprise number that RFC 5612 keeps for documentation and examples: watchkeeper has no number of its own."""

SD_ID = f"watchkeeper@{ENTERPRISE}"

LARGEST_BYTES = 2_048
"""RFC 5424, 6.1, and RFC 5425, 4.3.1: every receiver should (over TLS: must) accept entries of this size."""

LONGEST_VALUE = 160
"""Characters of a value of the structured data."""

BOM = "\ufeff"
"""Begins a text in UTF-8 (RFC 5424, 6.4)."""


class Severity(IntEnum):
    """RFC 5424, table 2. Those that are used here."""

    ALERT = 1  # action must be taken immediately
    WARNING = 4
    NOTICE = 5  # normal but significant
    INFORMATIONAL = 6


SEVERITIES = {Priority.ALARM: Severity.ALERT, Priority.WARNING: Severity.WARNING, Priority.CAUTION: Severity.NOTICE}

FACILITIES = {"user": 1, "daemon": 3, **{f"local{number}": 16 + number for number in range(8)}}
"""RFC 5424, table 1. Those that a program of the operator's may use."""


def severity(message: Message) -> Severity:
    """The severity of the present priority; an end is a notice, and what is no alert is informational."""
    if message.test or message.kind in {NotificationKind.DIGEST, NotificationKind.NOTED}:
        return Severity.INFORMATIONAL
    return Severity.NOTICE if message.priority is None else SEVERITIES[message.priority]


def as_entry(message: Message, facility: str) -> bytes:
    """The entry of RFC 5424: header, structured data, and the text as far as there is room."""
    header = " ".join(
        (
            f"<{_priority(message, facility)}>1",
            _stamp(message.at),
            _header_word(message.host, 255),
            APP_NAME,
            "-",
            message.kind.value,
        )
    )
    return _cut(f"{header} {_structured(message)} {BOM}{_text(message)}")


def as_local_entry(message: Message, facility: str) -> bytes:
    """The form that syslog(3) writes to a local socket, without its time: the receiver takes its own."""
    return _cut(f"<{_priority(message, facility)}>{APP_NAME}: {_text(message)}")


def _priority(message: Message, facility: str) -> int:
    """PRIVAL, RFC 5424, 6.2.1."""
    return FACILITIES[facility] * 8 + severity(message)


def _stamp(at: datetime) -> str:
    return at.astimezone(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def _header_word(text: str, longest: int) -> str:
    """A field of the header: printable ASCII without spaces."""
    plain = "".join(sign if "!" <= sign <= "~" else "_" for sign in text)[:longest]
    return plain or "-"


def _structured(message: Message) -> str:
    values = {
        "id": message.id,
        "thread": message.thread,
        "subject": message.key.subject,
        "quantity": message.key.quantity,
        "concern": message.concern.value,
        "state": message.state.value,
        "priority": message.priority.word if message.priority else "none",
        "before": message.before.word if message.before else "none",
        "since": _optional(message.since),
        "earliest": _optional(message.earliest_at),
        "likely": _optional(message.likely_at),
        "latest": _optional(message.latest_at),
        "test": "yes" if message.test else "",
    }
    parameters = "".join(f' {name}="{_escaped(value)}"' for name, value in values.items() if value)
    return f"[{SD_ID}{parameters}]"


def _optional(at: datetime | None) -> str:
    return "" if at is None else _stamp(at)


def _escaped(text: str) -> str:
    """A value of the structured data: RFC 5424, 6.3.3, asks to escape three characters."""
    plain = clean(text, LONGEST_VALUE)
    return plain.replace("\\", "\\\\").replace('"', '\\"').replace("]", "\\]")


def _text(message: Message) -> str:
    """Headline and body on one line: RFC 5424, 8.2, advises against control characters.

    Without the link that acknowledges: many may read a log.
    """
    body = " ".join(body_without_link(message).split())
    return clean(body if message.headline in body else f"{message.headline}. {body}", LARGEST_BYTES)


def _cut(entry: str) -> bytes:
    """As UTF-8, without half a character at the end. Only the text can be too long, and it is last."""
    return entry.encode("utf-8", "replace")[:LARGEST_BYTES].decode("utf-8", "ignore").encode()
