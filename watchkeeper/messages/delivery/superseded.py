"""A message that is no longer true when it can finally be sent: sent as a report of what was true, with its times.

The result is another message, with an id of its own: the receiver may have accepted the first one without being able to
confirm it, and one id must never have two contents. Pure. Not here: when a message counts as late
(notifiers/outbox/outbox.py).
"""

from dataclasses import replace
from datetime import datetime, tzinfo

from watchkeeper.messages import wording
from watchkeeper.messages.ack_links import body_without_link
from watchkeeper.messages.body import LONGEST_HEADLINE, wrapped
from watchkeeper.model.message import Message


def rewrite_superseded(message: Message, newest: Message, now: datetime, zone: tzinfo) -> Message:
    """The message, sent late. newest: the newest of its thread, with the state since then. now: when it is sent."""
    told_at, changed_at = wording.instant(message.at, zone, now), wording.instant(newest.at, zone, now)
    opening = (
        f"Sent late, on {wording.instant(now, zone, now)}: this is the state of {told_at}, which could not be sent "
        f"then. It changed on {changed_at}; a separate message reports that: {newest.headline}"
    )
    # The newest message has the valid link.
    return replace(
        message,
        id=f"{message.id}-late",
        headline=wording.headed(f"late, state of {told_at}: {message.headline}", LONGEST_HEADLINE),
        body=f"{wrapped(opening)}\n\n{body_without_link(message)}",
        late=True,
        link="",
    )
