"""The vocabulary of a log call: which event it reports, and what that is about.

    log.warning("put off: %s", trouble, extra=about(Event.PUT_OFF, notifier="mail"))

A call reports one event in one sentence. Its fields are what a person filters by; they contain nothing that is secret.
"""

import logging
from enum import StrEnum
from typing import Final

from watchkeeper.model.alert import Concern, Priority
from watchkeeper.model.observation import SeriesKey

NOTICE: Final = 25
"""Between a warning and mere information, as in syslog(3): what a healthy daemon reports of what it monitors."""

ATTRIBUTE: Final = "watchkeeper"
"""The attribute of a record that holds its fields."""

logging.addLevelName(NOTICE, "NOTICE")


class Event(StrEnum):
    """Every type of event that is logged. Types are stable: people filter by them."""

    START = "start"
    STOP = "stop"
    RELOAD = "reload"
    ALERT = "alert"  # an alert changed state
    REASON = "reason"  # why a rule decided as it did; with --verbose
    GAP = "gap"  # monitoring was interrupted, or the clock was set
    PROBE_BROKE = "probe-broke"  # a probe failed in a way that it does not handle
    PROBE_NOTES = "probe-notes"
    PROBE_KIND = "probe-kind"  # a kind of probe from a package cannot be used
    PUT_OFF = "put-off"
    SET_ASIDE = "set-aside"
    DELIVERS_AGAIN = "delivers-again"
    DELIVERY_BROKE = "delivery-broke"  # a delivery failed in a way that its notifier does not handle
    LINK = "link"  # a notifier's permanent connection is down
    LINK_HELD = "link-held"
    OUTBOX = "outbox"
    ROUNDS = "rounds"
    DATABASE = "database"
    KEEPING = "keeping"
    CHECK_IN = "check-in"
    PAGE = "page"
    SERVICE = "service"  # what is sent to systemd
    ALIVE = "alive"


EACH_TOLD: Final = frozenset({Event.START, Event.STOP, Event.RELOAD, Event.ALERT, Event.GAP, Event.REASON})
"""Logged every time: their rate is limited where they are made, and each one is news."""


def about(
    event: Event,
    *,
    key: SeriesKey | None = None,
    concern: Concern | None = None,
    priority: Priority | None = None,
    **more: str,
) -> dict[str, dict[str, str]]:
    """The `extra` of a log call: the event and its fields. more: probe, notifier, state and so on."""
    found = {"event": event.value}
    if key is not None:
        found |= {"subject": key.subject, "quantity": key.quantity}
    if concern is not None:
        found["concern"] = concern.value
    if priority is not None:
        found["priority"] = priority.word
    return {ATTRIBUTE: found | more}


def fields_of(record: logging.LogRecord) -> dict[str, str]:
    """The fields of a record; empty where it comes from a library."""
    found: dict[str, str] = getattr(record, ATTRIBUTE, {})
    return found


def kind_of(record: logging.LogRecord) -> tuple[str, ...]:
    """Records of the same kind report the same type of event about the same thing."""
    fields = fields_of(record)
    if not fields:
        return (record.name, str(record.lineno))
    # What fails in a notifier fails for every message; what is about a probe or a subject is about that one.
    whom = next((name for name in ("notifier", "probe") if name in fields), None)
    names = (whom,) if whom else ("subject", "quantity")
    return (fields["event"], record.name, *(fields.get(name, "") for name in names))
