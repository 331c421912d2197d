"""Deliveries that the store has no space for: delivered from memory, in order, and returned with their state."""

import asyncio
from dataclasses import replace

from tests.support.messages import NOW, messages, silence
from tests.support.outbox import MemoryOutboxStore, ScriptedNotifier, SetClock
from watchkeeper.errors import DeliveryDeferred, StoreFull
from watchkeeper.model.message import Message
from watchkeeper.model.records import Delivery, DeliveryState
from watchkeeper.notifiers.outbox.memory_queue import MemoryQueue
from watchkeeper.notifiers.outbox.outbox import Outbox


def delivery(message: Message, notifier: str = "post") -> Delivery:
    """A delivery that has not been stored."""
    return Delivery(notifier, message, NOW, NOW)


def test_one_of_a_thread_is_under_way_at_a_time_and_those_behind_it_wait() -> None:
    """While the first is deferred, the second of its thread waits; another thread's does not."""
    held, first, other = MemoryQueue(), messages(), silence()[0].message()
    held.hold([delivery(first[0]), delivery(first[1]), delivery(other)])
    taken = held.take_out(NOW, ())
    assert taken is not None
    assert taken.message is first[0]
    held.put_back(replace(taken, due_at=NOW.replace(year=2027)), None)
    taken = held.take_out(NOW, ())
    assert taken is not None
    assert taken.message is other
    held.put_back(replace(taken, state=DeliveryState.DELIVERED), None)
    assert held.take_out(NOW, ()) is None
    assert held.waiting


def test_what_is_under_way_stays_with_what_is_behind_it() -> None:
    """Everything else is returned to be written; the rest follows when the delivery in progress is returned."""
    held, first, other = MemoryQueue(), messages(), silence()[0].message()
    held.hold([delivery(other), delivery(first[0]), delivery(first[1])])
    taken = held.take_out(NOW, {other.thread})
    assert taken is not None
    back, _ = held.take_back()
    assert [p.message for p in back] == [other]
    assert len(held) == 2
    held.put_back(replace(taken, state=DeliveryState.DELIVERED), None)
    back, _ = held.take_back()
    assert [p.message.number for p in back] == [1, 2]
    assert (len(held), held.waiting) == (0, False)


def outbox(
    script: list[Exception | None] | None = None,
) -> tuple[Outbox, MemoryOutboxStore, ScriptedNotifier, SetClock]:
    """An outbox on a store that has no space."""
    store, notifier, clock = MemoryOutboxStore(), ScriptedNotifier(script or []), SetClock()
    store.failing = StoreFull("no room")
    return Outbox(store, [notifier], clock, rest=clock.rest, drawn=lambda: 0.0), store, notifier, clock


async def deliver(box: Outbox, notifier: ScriptedNotifier, count: int) -> None:
    """Run the outbox until the notifier has accepted `count` messages."""
    running = asyncio.create_task(box.run())
    async with asyncio.timeout(30):
        while len(notifier.got) < count:  # noqa: ASYNC110  the notifier does not know who waits
            await asyncio.sleep(0.001)
    await box.close(1)
    await running


async def test_with_a_full_store_messages_are_delivered_from_memory() -> None:
    """Each once and in order, even after a receiver outage; then they are returned as delivered."""
    box, _, notifier, _ = outbox([DeliveryDeferred("away")])
    told = messages()
    box.hold([delivery(each) for each in told])
    assert box.holding == 4
    await deliver(box, notifier, 4)
    assert notifier.got == [each.id for each in told]
    back, lines = box.take_back()
    assert [p.state for p in back] == [DeliveryState.DELIVERED] * 4
    assert [line.details["attempts"] for line in lines] == ["1", "2", "1", "1", "1"]
    assert box.holding == 0


async def test_what_waits_in_the_store_goes_before_its_thread_in_memory() -> None:
    """A message from before the disk was full, which the receiver has not accepted yet, is not overtaken."""
    box, store, notifier, _ = outbox([DeliveryDeferred("away")])
    first, second, *_ = messages()
    store.add([delivery(first)])
    box.hold([delivery(second)])
    await deliver(box, notifier, 2)
    assert notifier.got == [first.id, second.id]


async def test_with_a_store_that_cannot_be_read_either_memory_is_all_there_is() -> None:
    """A broken disk is still reported."""
    box, store, notifier, _ = outbox()
    store.unreadable = True
    box.hold([delivery(messages()[0])])
    await deliver(box, notifier, 1)
    assert len(notifier.got) == 1


async def test_a_delivery_that_is_cut_off_is_not_lost() -> None:
    """The daemon ends while it delivers: the delivery in progress still waits."""
    box, _, notifier, _ = outbox()
    notifier.hold = asyncio.Event()
    box.hold([delivery(messages()[0])])
    running = asyncio.create_task(box.run())
    async with asyncio.timeout(30):
        while not notifier.tried:  # noqa: ASYNC110  as above
            await asyncio.sleep(0.001)
    assert box.take_back() == ([], [])
    await box.close(0.01)
    await asyncio.wait({running})
    back, _ = box.take_back()
    assert [p.state for p in back] == [DeliveryState.WAITING]
