"""Sample messages for trying a template: one of every kind. Pure.

Every field that can be missing is present in some and missing in others, and the text has characters that break
careless templates: quotes, backslashes, angle brackets, characters beyond ASCII.
"""

from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta

from watchkeeper.messages.build import thread_id
from watchkeeper.model.alert import Concern, NotificationKind, Priority, State
from watchkeeper.model.message import Message, message_id
from watchkeeper.model.observation import SeriesKey

_AT = datetime(2026, 11, 24, 9, 12, tzinfo=UTC)
_NAME = 'guest "hide-hub" \\ <nest> & \u00fc\u2026'


def sample_messages() -> Iterator[tuple[str, Message]]:
    """Each message with the text that names it in an error: `a message of kind "ended" and concern "overdue"`."""
    for kind in NotificationKind:
        for concern in Concern:
            yield f'a message of kind "{kind.value}" and concern "{concern.value}"', _specimen(kind, concern)
    yield "a test message", replace(_specimen(NotificationKind.RAISED, Concern.FAULTY), test=True)


def _specimen(kind: NotificationKind, concern: Concern) -> Message:
    # What is no longer an alert has no priority and no times.
    over, first = kind is NotificationKind.ENDED, kind is NotificationKind.RAISED
    thread = thread_id("gannet", "specimen", concern.value)
    until = None if over else _AT + timedelta(days=3)
    return Message(
        id=message_id(thread, 1),
        thread=thread,
        number=1,
        host="gannet",
        kind=kind,
        key=SeriesKey(_NAME, "answer"),
        concern=concern,
        state=State.RECTIFIED if over else State.ACTIVE,
        priority=None if over else Priority.WARNING,
        before=None if first else Priority.CAUTION,
        at=_AT,
        since=None if over else _AT,
        earliest_at=until,
        likely_at=until,
        latest_at=None,
        headline=f"{_NAME} full in about 3 days",
        body=f"Warning on gannet: {_NAME}.\n\nWhat to look at: `du -x '/srv'`\n",
    )
