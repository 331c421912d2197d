"""Messages as CloudEvents."""

import json
import re
from dataclasses import fields, replace
from datetime import datetime

from tests.support.messages import HOST, NOW, ZONE, messages
from watchkeeper.messages import build as messaging
from watchkeeper.model.message import Message
from watchkeeper.model.observation import SeriesKey
from watchkeeper.notifiers import cloudevent

SMALLEST_LIMIT_BYTES = 20_000
"""Standard Webhooks 1.0.0 asks for bodies below 20 kB; CloudEvents 1.0 wants 64 KiB forwarded."""


def test_required_attributes() -> None:
    """CloudEvents 1.0, "Required Attributes": id, source, specversion and type, all non-empty text."""
    found = cloudevent.as_event(messages()[0])
    assert found["specversion"] == "1.0"
    assert found["id"] == messages()[0].id
    assert found["source"] == "//gannet/watchkeeper"
    assert found["type"] == "watchkeeper.alert.raised"


def test_attribute_names() -> None:
    """CloudEvents 1.0, "Attribute Naming Convention": lower-case letters and digits, at most 20; RFC 3339 time."""
    found = cloudevent.as_event(messages()[0])
    assert all(re.fullmatch("[a-z0-9]{1,20}", name) for name in found)
    assert found["time"] == "2026-11-24T09:12:00Z"
    assert datetime.fromisoformat(found["time"]) == NOW
    assert found["datacontenttype"] == "application/json"
    assert found["subject"] == "pool skerry: space"


def test_types() -> None:
    """Each kind of notification has its type; a test message has its own, so that nobody is woken by it."""
    assert [cloudevent.event_type(each).rpartition(".")[2] for each in messages()] == [
        "raised",
        "worse",
        "eased",
        "ended",
    ]
    assert cloudevent.event_type(messaging.test_message(HOST, NOW, ZONE)) == "watchkeeper.test"


def test_data_has_every_field() -> None:
    """Every field of a message is in the data; a key is its subject and quantity."""
    data = cloudevent.as_event(messages()[1])["data"]
    assert set(data) == {f.name for f in fields(Message)} - {"key"} | {"subject", "quantity"}
    assert (data["priority"], data["before"], data["number"]) == ("alarm", "warning", 2)
    assert data["likely_at"] == "2026-11-27T08:48:00Z"
    assert cloudevent.as_event(messages()[3])["data"]["priority"] is None


def test_one_episode_correlates() -> None:
    """The events of one episode share their correlation id, and no two share their id."""
    found = [cloudevent.as_event(each) for each in messages()]
    assert len({each["correlationid"] for each in found}) == 1
    assert len({each["id"] for each in found}) == 4


def test_bytes_are_json_of_bounded_size() -> None:
    """The bytes are UTF-8 JSON of the event, the same each time, even if a name is not UTF-8."""
    hostile = replace(messages()[0], host="gan net/\udcff", key=SeriesKey("file system /srv/\udcff\n", "space"))
    body = cloudevent.as_bytes(hostile)
    assert body == cloudevent.as_bytes(hostile)
    found = json.loads(body.decode("utf-8"))
    assert found["source"] == "//gan%20net%2F%3F/watchkeeper"
    assert found["data"]["subject"] == "file system /srv/?\n"
    assert len(body) < SMALLEST_LIMIT_BYTES
