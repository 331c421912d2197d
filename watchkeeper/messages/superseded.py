"""A message that is no longer true when it can at last leave: it is told as what it was, with its times.

It is another message then, with an id of its own: the receiver may have taken the first one and not been able to say
so, and no id may ever stand for two contents. Pure. Not here: when a message counts as late
(notifiers/outbox/outbox.py).
"""

from dataclasses import replace
from datetime import datetime, tzinfo

from watchkeeper.messages import wording
from watchkeeper.messages.ack_links import invitation
from watchkeeper.messages.body import LONGEST_HEADLINE, wrapped
from watchkeeper.model.message import Message


def rewrite_superseded(message: Message, newest: Message, now: datetime, zone: tzinfo) -> Message:
    """The message, told late. newest: of its thread, which says how things are since. now: when it leaves."""
    told_at, changed_at = wording.instant(message.at, zone, now), wording.instant(newest.at, zone, now)
    opening = (
        f"Told late, on {wording.instant(now, zone, now)}: this was so on {told_at}, and could not be told then. "
        f"Since {changed_at} it is otherwise, and a message of its own says so: {newest.headline}"
    )
    return replace(
        message,
        id=f"{message.id}-late",
        headline=wording.clean(f"was so on {told_at}: {message.headline}", LONGEST_HEADLINE),
        body=f"{wrapped(opening)}\n\n{_without_link(message)}",
        late=True,
        link="",
    )


def _without_link(message: Message) -> str:
    """Its body, but for the link: the newest message has the one that is good."""
    return message.body.replace(f"\n{invitation(message.link)}\n", "") if message.link else message.body
