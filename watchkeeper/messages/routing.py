"""Which messages go to a receiver, and when: its priorities, its quiet hours, its digest.

An alarm never waits. What may wait is held until the quiet hours end, unless something that may not wait comes after it
in the same thread: then it goes before that, because one thread is told in its order. Pure. Not here: how a message is
delivered, or tried again (notifiers/outbox/outbox.py).
"""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, datetime, tzinfo

from watchkeeper.messages.quiet_hours import Due, Span, quiet_until
from watchkeeper.model.alert import NotificationKind, Priority, is_notifiable
from watchkeeper.model.message import Message


@dataclass(frozen=True, slots=True)
class Route:
    """The way to one receiver.

    at_least: the least urgent priority that it wants to hear of. quiet: when it is not to be disturbed, in `zone`.
    quiet_for: the most urgent priority that waits for the end of that. digest: when it wants one; None: never.
    """

    at_least: Priority = Priority.CAUTION
    quiet: tuple[Span, ...] = ()
    quiet_for: Priority = Priority.CAUTION
    digest: Due | None = None
    zone: tzinfo = UTC

    def wants(self, message: Message) -> bool:
        """Is it for this receiver? A digest is not: it goes to whom it is due for."""
        match message.telling:
            case NotificationKind.DIGEST:
                return False
            case NotificationKind.REMINDED | NotificationKind.NOTED:
                return (message.priority or Priority.CAUTION) >= self.at_least
            case _:
                return is_notifiable(message.before, message.priority, self.at_least)

    def may_wait(self, message: Message) -> bool:
        """May it wait for the morning?

        What it stands at now counts: that an alarm has ended is good news, for which nobody need be woken.
        """
        return (message.priority or Priority.CAUTION) <= self.quiet_for

    def leaves_at(self, message: Message, at: datetime, behind: Iterable[Message] = ()) -> datetime:
        """When it may leave, from `at` on. behind: what waits for it in its thread."""
        if not self.quiet or not all(self.may_wait(each) for each in (message, *behind)):
            return at
        return quiet_until(self.quiet, at, self.zone)
