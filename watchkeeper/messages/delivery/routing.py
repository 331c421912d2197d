"""Which messages go to a receiver, and when: its priorities, its quiet hours, its digest.

An alarm never waits. Other messages may be held until the quiet hours end. If a message that may not wait follows in
the same thread, the held one is sent before it, because a thread is delivered in order. Pure. Not here: how a message
is delivered or retried (notifiers/outbox/outbox.py).
"""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, datetime, tzinfo
from fnmatch import fnmatchcase

from watchkeeper.messages.delivery.quiet_hours import Due, Span, quiet_until
from watchkeeper.messages.delivery.stand_in import StandIn
from watchkeeper.model.alert import Concern, NotificationKind, Priority, is_notifiable
from watchkeeper.model.message import Message


@dataclass(frozen=True, slots=True)
class Route:
    """The route to one receiver.

    at_least, at_most: the lowest and the highest priority that it receives. quiet: its quiet hours, in `zone`.
    quiet_for: the highest priority that waits until they end. digest: when it gets one; None: never.
    digest_only: it gets nothing else. subjects, concerns: it only gets messages about these; empty: about all.
    quiet_summary: what its quiet hours held comes in one message. monthly_report: when, on the first day of a month, it
    gets the report of the month before; None: never. stand_ins: while one is under way, it gets all messages of that
    one's priority and above as well. stand_in_only: it gets no others.
    """

    at_least: Priority = Priority.CAUTION
    quiet: tuple[Span, ...] = ()
    quiet_for: Priority = Priority.CAUTION
    digest: Due | None = None
    zone: tzinfo = UTC
    at_most: Priority = Priority.ALARM
    digest_only: bool = False
    subjects: tuple[str, ...] = ()
    concerns: frozenset[Concern] = frozenset()
    quiet_summary: bool = False
    monthly_report: Due | None = None
    stand_ins: tuple[StandIn, ...] = ()
    stand_in_only: bool = False

    def wants(self, message: Message) -> bool:
        """Is the message for this receiver? A digest is not: it goes to the receivers that it is due for."""
        return not self.refusal(message)

    def refusal(self, message: Message) -> str:
        """Why the message is not for this receiver, in terms of its settings; empty if it is."""
        if self.stand_in(message) is not None:
            return ""
        if self.stand_in_only:
            return self._not_standing_in(message)
        if self.digest_only:
            return "digest_only is set"
        if self.subjects and not any(fnmatchcase(message.key.subject, each) for each in self.subjects):
            return f"none of its subjects fits: {', '.join(self.subjects)}"
        if self.concerns and message.concern not in self.concerns:
            return f"{message.concern.value} is not one of its concerns"
        if message.kind is NotificationKind.DIGEST:
            return "it is no digest of this receiver's"
        return "" if _is_in_range(message, self.at_least, self.at_most) else self._out_of_range(message)

    def stand_in(self, message: Message) -> StandIn | None:
        """The stand-in because of which the receiver gets the message; None if there is none."""
        if message.kind is NotificationKind.DIGEST:
            return None
        return next((each for each in self._under_way(message) if _is_in_range(message, each.at_least)), None)

    def as_sent(self, message: Message) -> Message:
        """The message as this receiver gets it: somebody who stands in is told why it comes to them."""
        because = self.stand_in(message)
        return message if because is None else because.explained(message, self.zone)

    def _under_way(self, message: Message) -> list[StandIn]:
        return [each for each in self.stand_ins if each.covers(message.at)]

    def _not_standing_in(self, message: Message) -> str:
        under_way = self._under_way(message)
        if under_way and message.kind is not NotificationKind.DIGEST:
            return f'at_least of the stand-in is "{min(each.at_least for each in under_way).word}"'
        return "stand_in_only is set, and no stand-in is under way"

    def _out_of_range(self, message: Message) -> str:
        """Which limit a message without a priority in the range does not meet."""
        most_urgent = max(message.before or Priority.CAUTION, message.priority or Priority.CAUTION)
        if most_urgent < self.at_least:
            return f'at_least is "{self.at_least.word}"'
        return f'at_most is "{self.at_most.word}"'

    def may_wait(self, message: Message) -> bool:
        """May it wait for the morning?

        The present priority counts: that an alarm has ended is good news, which need not wake anybody.
        """
        return (message.priority or Priority.CAUTION) <= self.quiet_for

    def summarizes(self, at: datetime) -> bool:
        """Does it get what was held in one message now? Not within its quiet hours: an alarm brought that forward."""
        return self.quiet_summary and bool(self.quiet) and quiet_until(self.quiet, at, self.zone) <= at

    def leaves_at(self, message: Message, at: datetime, behind: Iterable[Message] = ()) -> datetime:
        """When it may be sent, from `at` on. behind: the messages that wait for it in its thread."""
        if not self.quiet or not all(self.may_wait(each) for each in (message, *behind)):
            return at
        return quiet_until(self.quiet, at, self.zone)


def _is_in_range(message: Message, at_least: Priority, at_most: Priority = Priority.ALARM) -> bool:
    if message.kind in (NotificationKind.REMINDED, NotificationKind.NOTED):
        return at_least <= (message.priority or Priority.CAUTION) <= at_most
    return is_notifiable(message.before, message.priority, at_least, at_most)
