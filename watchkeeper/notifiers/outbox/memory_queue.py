"""One notifier's deliveries that the store has no space for: made from memory, and handed back to be written.

Not here: how a delivery is made (outbox.py), and when the store has space again (the pipeline detects that).
"""

from collections.abc import Collection, Iterable
from dataclasses import replace
from datetime import datetime

from watchkeeper.model.records import Delivery, DeliveryState, JournalLine


class MemoryQueue:
    """Keeps deliveries in their order, with the result of each."""

    def __init__(self) -> None:
        self._parcels: list[Delivery] = []
        self._lines: list[JournalLine] = []
        self._out: int | None = None

    def __len__(self) -> int:
        return len(self._parcels)

    @property
    def waiting(self) -> bool:
        """Is there anything to deliver?"""
        return any(each.state is DeliveryState.WAITING for each in self._parcels)

    def hold(self, parcels: Iterable[Delivery]) -> None:
        """Take deliveries, behind those already here. One that is due sooner brings forward those it must wait for."""
        for parcel in parcels:
            self._parcels = [_forward(each, parcel) for each in self._parcels]
            self._parcels.append(parcel)

    def take_out(self, now: datetime, busy: Collection[str]) -> Delivery | None:
        """The first delivery of a thread that is due; in progress until put_back. busy: threads that have to wait."""
        passed = set(busy)
        for place, parcel in enumerate(self._parcels):
            thread = parcel.message.thread
            if parcel.state is DeliveryState.WAITING and thread not in passed:
                if parcel.due_at <= now:
                    self._out = place
                    return parcel
                passed.add(thread)
        return None

    def put_back(self, parcel: Delivery, line: JournalLine | None) -> None:
        """Store the result of the delivery that was taken out."""
        if self._out is not None:
            self._parcels[self._out] = parcel
        self._lines += [] if line is None else [line]
        self._out = None

    def take_back(self) -> tuple[list[Delivery], list[JournalLine]]:
        """Return and forget all but the one in progress and what is behind it in its thread."""
        out = None if self._out is None else self._parcels[self._out]
        stay = [p for p in self._parcels if out is not None and p.state is DeliveryState.WAITING and _same(p, out)]
        taken = [p for p in self._parcels if p not in stay]
        lines, self._lines, self._parcels = self._lines, [], stay
        self._out = None if out is None else stay.index(out)
        return taken, lines


def _forward(earlier: Delivery, parcel: Delivery) -> Delivery:
    waits = earlier.state is DeliveryState.WAITING and _same(earlier, parcel)
    return replace(earlier, due_at=min(earlier.due_at, parcel.due_at)) if waits else earlier


def _same(one: Delivery, other: Delivery) -> bool:
    return one.message.thread == other.message.thread
