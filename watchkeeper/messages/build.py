"""A message: what the operator is notified of about one transition, before any notifier formats it.

A message is made once, stored in the outbox as it is, and sent with the same id on every attempt. The sentences come
from body.py and wording.py; the formats (mail, CloudEvents) from notifiers/.
"""

import json
import uuid
from datetime import datetime, tzinfo

from watchkeeper.messages import body as letter
from watchkeeper.messages import wording
from watchkeeper.messages.deletions import Deletions
from watchkeeper.messages.runbook import FirstStep
from watchkeeper.model.alert import Alert, Concern, NotificationKind, Priority, State, Transition
from watchkeeper.model.change import Change
from watchkeeper.model.finding import Finding
from watchkeeper.model.history.first_quantities import first_quantity
from watchkeeper.model.message import Message, message_id
from watchkeeper.model.observation import Observation, SeriesKey
from watchkeeper.model.operator.simulation import is_simulated

THREADS = uuid.UUID("e603e11c-b3ab-484e-886d-9541769179ff")
"""The namespace of thread ids (RFC 9562, version 5). Generated once for watchkeeper; it must never change."""


def thread_id(host: str, *parts: str) -> str:
    """A thread's id: the same for the same parts on every start, and different for any others."""
    # JSON keeps the parts apart, and escapes to ASCII a name that is not UTF-8, which uuid5 would refuse.
    return str(uuid.uuid5(THREADS, json.dumps([host, *parts])))


def thread_of(alert: Alert, host: str) -> str:
    """The thread of an alert's episode."""
    raised_at = alert.raised_at.isoformat() if alert.raised_at else ""
    key = alert.key
    # The first names: an alert that began before an upgrade ends in its own thread.
    return thread_id(host, key.subject, first_quantity(key), alert.concern.first_name, str(alert.episode), raised_at)


def compose(
    move: Transition,
    found: Finding,
    seen: Observation | None,
    host: str,
    zone: tzinfo,
    first_step: FirstStep,
    dependents: tuple[str, ...] = (),
    sent_before: tuple[str, ...] = (),
    *,
    changed: tuple[Change, ...] = (),
    deletions: Deletions | None = None,
) -> Message:
    """Build the message about a transition. Raises ValueError if there is nothing to notify.

    found: the finding that changed the alert; seen: the newest observation; zone: the operator's; first_step: what
    the runbook says to look at first; dependents: the subjects that depend on this one, whose messages are suppressed
    while it is down; sent_before: those of them that were reported before this cause was known; changed: what changed
    on the host before it began; deletions: the snapshots that hold most of the store, if that is known.
    """
    if move.notification is None:
        raise ValueError(f"{move.event.value} of {move.after.key} sends no notification")
    after = move.after
    case = letter.MessageContext(move, found, seen, host, zone, first_step, dependents, sent_before, changed, deletions)
    raised_at = after.raised_at or move.at
    began_at, over_at = letter.period(case) if move.notification is NotificationKind.ENDED else (None, None)
    thread = thread_of(after, host)
    return Message(
        id=message_id(thread, after.message_count),
        thread=thread,
        number=after.message_count,
        host=host,
        kind=move.notification,
        key=after.key,
        concern=after.concern,
        state=after.state,
        priority=after.priority,
        before=move.before.notified_priority,
        at=move.at,
        since=began_at or found.since or raised_at,
        earliest_at=found.earliest_at,
        likely_at=found.ends_at,
        latest_at=found.latest_at,
        headline=letter.headline(case),
        body=letter.body(case),
        test=is_simulated(after.key),
        over_at=over_at,
    )


def of_no_alert(
    thread: str,
    *,
    host: str,
    kind: NotificationKind,
    key: SeriesKey,
    concern: Concern,
    state: State,
    priority: Priority | None,
    at: datetime,
    headline: str,
    body: str,
    since: datetime | None = None,
    test: bool = False,
) -> Message:
    """Build a message that no alert caused: the only one of its thread, with no end to follow."""
    return Message(
        id=message_id(thread, 1),
        thread=thread,
        number=1,
        host=host,
        kind=kind,
        key=key,
        concern=concern,
        state=state,
        priority=priority,
        before=None,
        at=at,
        since=since,
        earliest_at=None,
        likely_at=None,
        latest_at=None,
        headline=headline,
        body=body,
        test=test,
    )


def noted(host: str, now: datetime, zone: tzinfo, headline: str, *paragraphs: str) -> Message:
    """Build a message about a past event of watchkeeper itself: sent once, with nothing to acknowledge or to end."""
    thread = thread_id(host, "noted", headline, now.isoformat())
    return of_no_alert(
        thread,
        host=host,
        kind=NotificationKind.NOTED,
        key=SeriesKey("watchkeeper", "watch"),
        concern=Concern.NOT_REPORTING,
        state=State.NORMAL,
        priority=Priority.CAUTION,
        at=now,
        headline=wording.clean(headline, letter.LONGEST_HEADLINE),
        body=letter.paragraphs(*paragraphs, f"Times are {wording.zone_name(now, zone)}."),
    )


def test_message(host: str, now: datetime, zone: tzinfo) -> Message:
    """Build a message that tests a notifier, and says so. Each has a thread of its own."""
    thread = thread_id(host, "test", now.isoformat())
    name = wording.clean(host, 60)
    return of_no_alert(
        thread,
        host=host,
        kind=NotificationKind.RAISED,
        key=SeriesKey("watchkeeper", "test of the notifiers"),
        concern=Concern.FAULTY,
        state=State.ACTIVE,
        priority=Priority.CAUTION,
        at=now,
        since=now,
        headline=f"test message from {name}",
        body=(
            f"This is a test message from watchkeeper on {name}. It is not an alert.\n\n"
            f"Sent {wording.instant(now, zone, now)} ({wording.zone_name(now, zone)}). "
            "Alerts arrive the\nsame way.\n"
        ),
        test=True,
    )
