"""Who delivers under one configuration: the queues, routes and time zone, as one value that a reload replaces.

A queue lives as long as its notifier works, because a delivery in progress outlives a configuration; everything that
the configuration says about it is here and not in the queue. Not here: deliveries (outbox.py).
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import tzinfo

from watchkeeper.messages.delivery.routing import Route
from watchkeeper.notifiers.base import Notifier
from watchkeeper.notifiers.outbox.delivery_worker import DeliveryQueue


@dataclass(frozen=True, slots=True)
class ActiveQueues:
    """routes: by notifier's name. zone: the operator's time zone.

    queues: of the notifiers that deliver. left: of removed ones, for what the store has had no space for.
    """

    queues: tuple[DeliveryQueue, ...]
    routes: Mapping[str, Route]
    zone: tzinfo
    left: tuple[DeliveryQueue, ...] = ()

    @property
    def all(self) -> tuple[DeliveryQueue, ...]:
        """Also those of removed notifiers."""
        return (*self.queues, *self.left)

    def route(self, queue: DeliveryQueue) -> Route:
        """What goes to a notifier, and when; one without a route has only its priority."""
        notifier = queue.notifier
        return self.routes.get(notifier.name) or Route(notifier.at_least, zone=self.zone)


def make_queues(
    notifiers: Sequence[Notifier], routes: Mapping[str, Route], zone: tzinfo, before: ActiveQueues | None = None
) -> ActiveQueues:
    """The queues for these notifiers. before: those that deliver now; what one of the same name holds is taken over."""
    known = () if before is None else before.all
    queues = tuple(_successor(each, known) for each in notifiers)
    names = {each.notifier.name for each in queues}
    left = tuple(each for each in known if each not in queues and each.notifier.name not in names)
    return ActiveQueues(queues, routes, zone, left)


def _successor(notifier: Notifier, known: Sequence[DeliveryQueue]) -> DeliveryQueue:
    """The queue of a notifier: its own, or one that continues where the previous one of that name stopped."""
    earlier = next((each for each in known if each.notifier.name == notifier.name), None)
    if earlier is None:
        return DeliveryQueue(notifier)
    if earlier.notifier is notifier:
        return earlier
    return DeliveryQueue(notifier, unwritten=earlier.unwritten, unstored=earlier.unstored)
