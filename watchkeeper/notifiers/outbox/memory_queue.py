"""One notifier's parcels that the store has no room for: delivered from memory, and handed back to be written.

Not here: how a parcel is delivered (outbox.py), and when the store has room again (the pipeline finds that out).
"""

from collections.abc import Collection, Iterable
from dataclasses import replace
from datetime import datetime

from watchkeeper.model.records import Delivery, DeliveryState, JournalLine


class MemoryQueue:
    """Keeps parcels in their order, with what became of each."""

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
        """Take parcels, behind those that are here. One that is due sooner brings forward what it must wait for."""
        for parcel in parcels:
            self._parcels = [_forward(each, parcel) for each in self._parcels]
            self._parcels.append(parcel)

    def take_out(self, now: datetime, busy: Collection[str]) -> Delivery | None:
        """The first parcel of a thread that is due; it is under way until put_back. busy: threads that have to wait."""
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
        """What became of the parcel that was taken out."""
        if self._out is not None:
            self._parcels[self._out] = parcel
        self._lines += [] if line is None else [line]
        self._out = None

    def take_back(self) -> tuple[list[Delivery], list[JournalLine]]:
        """All but the one that is under way, and what is behind it in its thread; they are held no longer."""
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
