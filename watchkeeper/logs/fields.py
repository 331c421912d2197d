"""The fields of a log call: which event it reports, and what that is about.

    log.warning("%s; retrying in %s", error, wait, extra=about(Event.DELIVERY_DEFERRED, notifier="mail"))

A call reports one event in one sentence. Its fields are what a person filters by; they contain nothing that is secret.
"""

import logging
from enum import StrEnum
from typing import Final

from watchkeeper.model.alert import Concern, Priority
from watchkeeper.model.observation import SeriesKey

NOTICE: Final = 25
"""Between a warning and information, as in syslog(3): what a healthy daemon reports about what it monitors."""

ATTRIBUTE: Final = "watchkeeper"
"""Of a record: where its fields are."""

logging.addLevelName(NOTICE, "NOTICE")


class Event(StrEnum):
    """Every kind of event that is logged. A kind keeps its name: people filter by it."""

    START = "start"
    STOP = "stop"
    RELOAD = "reload"
    ALERT = "alert"  # an alert changed
    REASON = "reason"  # why a rule decided as it did; with --verbose
    GAP = "gap"  # nothing was monitored, or the clock was set
    PROBE_ERROR = "probe-error"  # a probe, or the evaluation of what it measured, failed in an unexpected way
    PROBE_STATE = "probe-state"  # the state of a probe cannot be kept
    PROBE_KIND = "probe-kind"  # a package's kind of probe cannot be used
    NOTIFIER_KIND = "notifier-kind"  # a package's kind of notifier cannot be used
    DELIVERY_DEFERRED = "delivery-deferred"
    UNDELIVERABLE = "undeliverable"
    DELIVERY_RESUMED = "delivery-resumed"
    DELIVERY_ERROR = "delivery-error"  # a delivery failed in an unexpected way
    DISCONNECTED = "disconnected"  # a notifier has no persistent connection
    CONNECTED = "connected"
    OUTBOX = "outbox"
    PERIODIC_MESSAGES = "periodic-messages"
    DATABASE = "database"
    RETENTION = "retention"
    JOB_REPORT = "job-report"
    PAGE = "page"
    CONTROL = "control"  # the local socket on which commands act
    SERVICE = "service"  # the messages to systemd
    HEARTBEAT = "heartbeat"
    ARCHIVE = "archive"  # the copy to the archive of several hosts


NEVER_LIMITED: Final = frozenset({Event.START, Event.STOP, Event.RELOAD, Event.ALERT, Event.GAP, Event.REASON})
"""Logged each time: how often they come is bounded where they are made."""


def about(
    event: Event,
    *,
    key: SeriesKey | None = None,
    concern: Concern | None = None,
    priority: Priority | None = None,
    **more: str,
) -> dict[str, dict[str, str]]:
    """What `extra` of a log call is: the event and its fields. more: probe, notifier, state and the like."""
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
    """Records of the same kind report the same kind of event about the same thing."""
    fields = fields_of(record)
    if not fields:
        return (record.name, str(record.lineno))
    # What fails by a notifier fails for every message; what is about a probe or a subject is about that one.
    whom = next((name for name in ("notifier", "probe") if name in fields), None)
    names = (whom,) if whom else ("subject", "quantity")
    return (fields["event"], record.name, *(fields.get(name, "") for name in names))
