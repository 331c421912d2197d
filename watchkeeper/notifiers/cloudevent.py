"""Format a message as a CloudEvents 1.0 event in JSON. Pure; the manual documents it with an event made by this code.

`data` holds every field of the message: times as RFC 3339 in UTC, priorities as their words, null for None. Not here:
HTTP and signatures.
"""

import json
from datetime import UTC, datetime
from typing import Any
from urllib.parse import quote

from watchkeeper.model.alert import Priority
from watchkeeper.model.message import Message

CONTENT_TYPE = "application/cloudevents+json"
"""Structured mode (CloudEvents 1.0, HTTP protocol binding): the event is the body."""

TEST_TYPE = "watchkeeper.test"


def event_type(message: Message) -> str:
    """`watchkeeper.alert.raised`, `.worse`, `.eased` or `.ended`; `watchkeeper.test` for a test message."""
    return TEST_TYPE if message.test else f"watchkeeper.alert.{message.kind.value}"


def as_event(message: Message) -> dict[str, Any]:
    """The event. Its id is the message's, the same on every try; `correlationid` links the events of one episode."""
    return {
        "specversion": "1.0",
        "id": message.id,
        "source": f"//{quote(message.host, safe='', errors='replace')}/watchkeeper",
        "type": event_type(message),
        "time": _stamp(message.at),
        "subject": str(message.key),
        "correlationid": message.thread,
        "datacontenttype": "application/json",
        "data": data(message),
    }


def as_bytes(message: Message) -> bytes:
    """The event as UTF-8 JSON, the same bytes for the same message, because a signature is made over them."""
    text = json.dumps(as_event(message), ensure_ascii=False, separators=(",", ":"), allow_nan=False)
    return text.encode("utf-8", errors="replace")  # a file name may contain what UTF-8 cannot encode


def data_bytes(message: Message) -> bytes:
    """The message alone as UTF-8 JSON on one line: the content of `data`, for receivers that want no envelope."""
    text = json.dumps(data(message), ensure_ascii=False, separators=(",", ":"), allow_nan=False)
    return f"{text}\n".encode("utf-8", errors="replace")


def data(message: Message) -> dict[str, Any]:
    """Every field of the message, as JSON values."""
    return {
        "id": message.id,
        "thread": message.thread,
        "number": message.number,
        "host": message.host,
        "kind": message.kind.value,
        "subject": message.key.subject,
        "quantity": message.key.quantity,
        "concern": message.concern.value,
        "state": message.state.value,
        "priority": _word(message.priority),
        "before": _word(message.before),
        "at": _stamp(message.at),
        "since": _stamp(message.since),
        "over_at": _stamp(message.over_at),
        "earliest_at": _stamp(message.earliest_at),
        "likely_at": _stamp(message.likely_at),
        "latest_at": _stamp(message.latest_at),
        "headline": message.headline,
        "body": message.body,
        "test": message.test,
        "late": message.late,
        "link": message.link,
    }


def _word(priority: Priority | None) -> str | None:
    return None if priority is None else priority.word


def _stamp(at: datetime | None) -> str | None:
    """RFC 3339, in UTC."""
    return None if at is None else at.astimezone(UTC).isoformat().replace("+00:00", "Z")
