"""Test doubles for the outbox: an in-memory store, a clock that tests move, and a notifier that follows a script."""

import asyncio
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime

from tests.support.clocks import HandClock
from tests.support.messages import NOW
from watchkeeper.errors import StoreError
from watchkeeper.model.alert import Alert, Priority
from watchkeeper.model.message import Message
from watchkeeper.model.records import Delivery, DeliveryState, EventLine
from watchkeeper.notifiers.outbox.outbox import IDLE_S


class SetClock(HandClock):
    """A clock that stands still until a test moves it. The wall clock can be set independently of the monotonic one."""

    def __init__(self, now: datetime = NOW) -> None:
        super().__init__(now)

    async def rest(self, wake: asyncio.Event, seconds: float) -> None:
        """Rest without waiting: time jumps on. An idle rest waits for a poke, because there is no time to jump to."""
        if seconds >= IDLE_S:
            await wake.wait()
            return
        self.advance(seconds)
        await asyncio.sleep(0)


@dataclass
class MemoryOutboxStore:
    """Deliveries and event log in memory, in the order that the port requires.

    standing: the alerts as they are now.
    failing: while set, writing raises it; reading does too if `unreadable` is set. written: counts successful
        delivery_done calls.
    """

    deliveries: dict[int, Delivery] = field(default_factory=dict)
    events: list[EventLine] = field(default_factory=list)
    standing: list[Alert] = field(default_factory=list)
    failing: StoreError | None = None
    unreadable: bool = False
    written: int = 0

    def add(self, deliveries: Iterable[Delivery]) -> None:
        """Add new deliveries, as a commit would."""
        for delivery in deliveries:
            id_ = len(self.deliveries) + 1
            for each in self.of_thread(delivery):
                self.deliveries[each.id] = replace(each, due_at=min(each.due_at, delivery.due_at))
            self.deliveries[id_] = replace(delivery, id=id_)

    async def next_delivery(self, notifier: str, passing: Collection[int] = ()) -> Delivery | None:
        await asyncio.sleep(0)
        if self.failing and self.unreadable:
            raise self.failing
        heads: dict[str, Delivery] = {}
        for delivery in self.deliveries.values():
            if delivery.notifier == notifier and delivery.state is DeliveryState.WAITING and delivery.id not in passing:
                head = heads.setdefault(delivery.message.thread, delivery)
                heads[delivery.message.thread] = min(head, delivery, key=lambda p: p.message.number)
        found = min(heads.values(), key=lambda p: (p.due_at, p.id), default=None)
        if found is None:
            return None
        later = (each.message for each in self.of_thread(found) if each.message.number > found.message.number)
        return replace(found, behind=tuple(later))

    def of_thread(self, delivery: Delivery) -> list[Delivery]:
        """The pending deliveries of the same thread to the same notifier."""
        return [
            each
            for each in self.deliveries.values()
            if (each.notifier, each.message.thread, each.state)
            == (delivery.notifier, delivery.message.thread, DeliveryState.WAITING)
        ]

    async def alerts(self) -> list[Alert]:
        return self.standing

    async def held_deliveries(self, notifier: str, now: datetime) -> list[Delivery]:
        return [
            each
            for each in self.deliveries.values()
            if (each.notifier, each.state, each.tries) == (notifier, DeliveryState.WAITING, 0)
            and each.made_at < each.due_at <= now
        ]

    async def put_together(self, one: Delivery, held: Sequence[tuple[Delivery, EventLine]]) -> None:
        for each, line in held:
            await self.delivery_done(each, line)
        self.add([one])

    async def delivery_done(self, delivery: Delivery, line: EventLine | None = None) -> None:
        await asyncio.sleep(0)
        if self.failing:
            raise self.failing
        self.deliveries[delivery.id] = delivery
        self.written += 1
        if line is not None:
            self.events.append(line)

    def states(self) -> list[DeliveryState]:
        """The state of each delivery, in order of arrival."""
        return [delivery.state for delivery in self.deliveries.values()]


@dataclass(slots=True)
class ScriptedNotifier:
    """Raises what its script says, one entry per attempt, then delivers. got: accepted message ids, in order."""

    script: list[Exception | None] = field(default_factory=list)
    name: str = "post"
    at_least: Priority = Priority.CAUTION
    got: list[str] = field(default_factory=list)
    tried: list[str] = field(default_factory=list)
    hold: asyncio.Event | None = None
    closed: bool = False

    async def deliver(self, message: Message) -> None:
        self.tried.append(message.id)
        if self.hold is not None:
            await self.hold.wait()
        trouble = self.script.pop(0) if self.script else None
        if trouble is not None:
            raise trouble
        self.got.append(message.id)

    async def close(self) -> None:
        self.closed = True
