"""The words of a log call: which event it tells of, and what that is about.

    log.warning("put off: %s", trouble, extra=about(Event.PUT_OFF, notifier="mail"))

A call tells of one event in one sentence. Its fields are what a person filters by; they repeat nothing that is secret.
"""

import logging
from enum import StrEnum
from typing import Final

from watchkeeper.model.alert import Concern, Priority
from watchkeeper.model.observation import SeriesKey

NOTICE: Final = 25
"""Between a warning and mere information, as in syslog(3): what a healthy daemon has to say of what it watches."""

ATTRIBUTE: Final = "watchkeeper"
"""Of a record: where its fields are."""

logging.addLevelName(NOTICE, "NOTICE")


class Event(StrEnum):
    """Every sort of event that is logged. A sort is stable: people filter by it."""

    START = "start"
    STOP = "stop"
    RELOAD = "reload"
    ALERT = "alert"  # an alert moved
    REASON = "reason"  # why a rule decided as it did; with --verbose
    GAP = "gap"  # the watch was away, or the clock was set
    PROBE_BROKE = "probe-broke"  # a probe failed in a way that it does not know
    PROBE_NOTES = "probe-notes"
    PROBE_KIND = "probe-kind"  # a package's kind of probe cannot be used
    NOTIFIER_KIND = "notifier-kind"  # a package's kind of notifier cannot be used
    PUT_OFF = "put-off"
    SET_ASIDE = "set-aside"
    DELIVERS_AGAIN = "delivers-again"
    DELIVERY_BROKE = "delivery-broke"  # a delivery failed in a way that its notifier does not know
    LINK = "link"  # a notifier's lasting connection is not there
    LINK_HELD = "link-held"
    OUTBOX = "outbox"
    ROUNDS = "rounds"
    DATABASE = "database"
    KEEPING = "keeping"
    JOB_REPORT = "job-report"
    PAGE = "page"
    SERVICE = "service"  # what systemd is told
    ALIVE = "alive"


EACH_TOLD: Final = frozenset({Event.START, Event.STOP, Event.RELOAD, Event.ALERT, Event.GAP, Event.REASON})
"""Told each time: how often they come is bounded where they are made, and each one is news."""


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
    """Records of the same kind tell of the same sort of event about the same thing."""
    fields = fields_of(record)
    if not fields:
        return (record.name, str(record.lineno))
    # What fails by a notifier fails for every message; what is about a probe or a subject is about that one.
    whom = next((name for name in ("notifier", "probe") if name in fields), None)
    names = (whom,) if whom else ("subject", "quantity")
    return (fields["event"], record.name, *(fields.get(name, "") for name in names))
