"""One notifier's deliveries that the store has no space for: made from memory, and handed back to be written.

Not here: how a delivery is made (outbox.py), and when the store has space again (the pipeline detects that).
"""

from collections.abc import Collection, Iterable
from dataclasses import replace
from datetime import datetime

from watchkeeper.model.records import Delivery, DeliveryState, EventLine


class MemoryQueue:
    """Keeps deliveries in their order, with the result of each."""

    def __init__(self) -> None:
        self._deliveries: list[Delivery] = []
        self._lines: list[EventLine] = []
        self._out: int | None = None

    def __len__(self) -> int:
        return len(self._deliveries)

    @property
    def deliveries(self) -> tuple[Delivery, ...]:
        """All of them, also those that are done, in their order."""
        return tuple(self._deliveries)

    @property
    def waiting(self) -> bool:
        """Is there anything to deliver?"""
        return any(each.state is DeliveryState.WAITING for each in self._deliveries)

    def hold(self, deliveries: Iterable[Delivery]) -> None:
        """Take deliveries, behind those already here. One that is due sooner brings forward those it must wait for."""
        for delivery in deliveries:
            self._deliveries = [_forward(each, delivery) for each in self._deliveries]
            self._deliveries.append(delivery)

    def take_out(self, now: datetime, busy: Collection[str]) -> Delivery | None:
        """The first delivery of a thread that is due; in progress until put_back. busy: threads that have to wait."""
        passed = set(busy)
        for place, delivery in enumerate(self._deliveries):
            thread = delivery.message.thread
            if delivery.state is DeliveryState.WAITING and thread not in passed:
                if delivery.due_at <= now:
                    self._out = place
                    return delivery
                passed.add(thread)
        return None

    def put_back(self, delivery: Delivery, line: EventLine | None) -> None:
        """Store the result of the delivery that was taken out."""
        if self._out is not None:
            self._deliveries[self._out] = delivery
        self._lines += [] if line is None else [line]
        self._out = None

    def take_back(self) -> tuple[list[Delivery], list[EventLine]]:
        """Return and forget all but the one in progress and what is behind it in its thread."""
        out = None if self._out is None else self._deliveries[self._out]
        stay = [p for p in self._deliveries if out is not None and p.state is DeliveryState.WAITING and _same(p, out)]
        taken = [p for p in self._deliveries if p not in stay]
        lines, self._lines, self._deliveries = self._lines, [], stay
        self._out = None if out is None else stay.index(out)
        return taken, lines


def _forward(earlier: Delivery, delivery: Delivery) -> Delivery:
    waits = earlier.state is DeliveryState.WAITING and _same(earlier, delivery)
    return replace(earlier, due_at=min(earlier.due_at, delivery.due_at)) if waits else earlier


def _same(one: Delivery, other: Delivery) -> bool:
    return one.message.thread == other.message.thread
