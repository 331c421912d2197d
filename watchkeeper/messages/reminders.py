"""Reminders of alerts that nobody has acknowledged: when one is due, and what it says.

When they are due follows from the alert alone, so that no state is needed: each check asks what has become due since
the last check. Each wait is twice as long as the one before, up to a maximum. Pure.

Not here: who checks (periodic/messages.py).
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta, tzinfo
from itertools import takewhile

from watchkeeper.messages import wording
from watchkeeper.messages.body import wrapped
from watchkeeper.messages.build import compose
from watchkeeper.messages.runbook import FirstStep
from watchkeeper.model.alert import Alert, Event, NotificationKind, Priority, State, Transition
from watchkeeper.model.finding import Finding
from watchkeeper.model.message import Message, message_id
from watchkeeper.model.observation import Observation


@dataclass(frozen=True, slots=True)
class Reminders:
    """first_s: by priority, the time from the last notification to the first reminder; a missing priority gets none.

    longest_s: the longest wait between two reminders.
    """

    first_s: Mapping[Priority, float] = field(default_factory=dict)
    longest_s: float = 7 * 86_400.0


@dataclass(frozen=True, slots=True)
class Reminder:
    """One reminder.

    number: counts the reminders since the alert last changed, from 1. before_at: when the previous reminder was due, or
    when the notification that it repeats was made.
    """

    number: int
    due_at: datetime
    before_at: datetime


def newest_due(alert: Alert, plan: Reminders, after: datetime, now: datetime) -> Reminder | None:
    """The newest reminder of an alert that is due after `after` and not after `now`; None if there is none."""
    if (
        alert.state is not State.ACTIVE
        or alert.priority is None
        or alert.notified_priority is None
        or alert.kept_back(now)
    ):
        return None
    if alert.pending_since is not None and (alert.pending or 0) < alert.priority:
        return None  # it is about to ease or end: a reminder would mention that and contradict itself
    first_s = plan.first_s.get(alert.priority)
    if first_s is None or alert.changed_at is None:
        return None
    planned = _schedule(alert.changed_at, first_s, plan.longest_s)
    due = list(takewhile(lambda each: each.due_at <= now, planned))
    return due[-1] if due and due[-1].due_at > after else None


def _schedule(began_at: datetime, first_s: float, longest_s: float) -> Iterator[Reminder]:
    number, at, wait_s = 0, began_at, first_s
    while True:
        number, before_at, at = number + 1, at, at + timedelta(seconds=wait_s)
        yield Reminder(number, at, before_at)
        wait_s = max(first_s, min(2 * wait_s, longest_s))


def remind(
    alert: Alert,
    found: Finding,
    seen: Observation | None,
    reminder: Reminder,
    now: datetime,
    host: str,
    zone: tzinfo,
    first_step: FirstStep,
) -> Message:
    """Build the message that an alert is still active. It follows everything that was sent in the alert's thread."""
    move = Transition(alert, alert, Event.WORSEN, NotificationKind.REMINDED, now)
    original = compose(move, found, seen, host, zone, first_step)
    changed_at = alert.changed_at or now
    lasted = wording.duration((now - changed_at).total_seconds())
    opening = (
        f"Reminder: this alert was last reported {lasted} ago and is not acknowledged. Reminders become less frequent; "
        "they stop when you acknowledge the alert or it ends."
    )
    return replace(
        original,
        # With the time: after the clock was set back, the same reminder is due again.
        id=f"{message_id(original.thread, alert.message_count)}-again-{reminder.number}-{int(now.timestamp())}",
        number=alert.message_count + 1,
        body=f"{wrapped(opening)}\n\n{original.body}",
    )
