"""A message that waits for its delivery, in words. Pure. Not here: why it waits (routing.py, the outbox)."""

from collections.abc import Sequence
from datetime import datetime, tzinfo

from watchkeeper.messages.wording import clean, instant
from watchkeeper.model.records import Delivery, DeliveryState

LISTED = 20
"""Messages that are listed; the rest is counted."""


def waiting(deliveries: Sequence[Delivery]) -> list[Delivery]:
    """Those that will be tried again or for the first time, the next one first."""
    found = [each for each in deliveries if each.state is DeliveryState.WAITING]
    return sorted(found, key=lambda each: (each.due_at, each.id))


def why(delivery: Delivery, now: datetime, zone: tzinfo) -> str:
    """`held until Tue 1 Dec 06:00`, `tried twice ...`: what happens to it next, and why not sooner."""
    ahead = delivery.due_at > now
    when = f"{instant(delivery.due_at, zone, now)}" if ahead else "now"
    if not delivery.tries:
        return f"held for quiet hours until {when}" if ahead else "is sent now"
    tries = "1 try" if delivery.tries == 1 else f"{delivery.tries} tries"
    return f"not delivered after {tries}, next one {when}: {clean(delivery.trouble, 300)}"


def line(delivery: Delivery, now: datetime, zone: tzinfo) -> str:
    """Its headline and what happens to it."""
    return f"{clean(delivery.message.headline, 200)}; {why(delivery, now, zone)}"
