"""What waits for another try is tried as soon as the receiver accepts something again."""

import asyncio
from dataclasses import dataclass, field, replace
from datetime import timedelta

from tests.notifiers.outbox.test_outbox import deferred, outbox_on, running, settled, until
from tests.notifiers.outbox.test_outbox_quiet import EVENING, MORNING, Night, caution
from tests.support.messages import NOW, messages
from tests.support.outbox import MemoryOutboxStore, ScriptedNotifier, SetClock
from watchkeeper.errors import DeliveryDeferred
from watchkeeper.model.message import Message
from watchkeeper.notifiers.outbox.outbox import EARLY_EVERY_S
from watchkeeper.notifiers.outbox.retry_policy import RetryPolicy

HOUR = RetryPolicy(first_s=3_600.0, longest_s=3_600.0)
"""Each failure is followed by an hour's wait."""


def threads(count: int) -> list[Message]:
    """The first messages of so many threads."""
    return [replace(messages()[0], id=f"{number}-1", thread=str(number)) for number in range(count)]


@dataclass(slots=True)
class Picky(ScriptedNotifier):
    """A receiver that refuses some messages for now, and takes all others."""

    refused: set[str] = field(default_factory=set)

    async def deliver(self, message: Message) -> None:
        self.tried.append(message.id)
        if message.id in self.refused:
            raise DeliveryDeferred("post: this one later")
        self.got.append(message.id)


async def test_after_an_outage_everything_leaves_at_once() -> None:
    """Five messages wait for an hour each; a sixth is accepted, and they follow it without a wait, in their order."""
    store, clock, five = MemoryOutboxStore(), SetClock(), threads(5)
    post = ScriptedNotifier([deferred() for _ in five])
    outbox = outbox_on(store, [post], clock, HOUR)
    for message in five:
        store.add(outbox.deliveries_for(message, NOW))
    async with running(outbox):
        await settled(store, 5)
        assert post.got == []
        clock.advance(600)
        store.add(outbox.deliveries_for(replace(messages()[0], id="new-1", thread="new"), clock.now()))
        outbox.poke()
        await settled(store, 11)
        assert clock.now() == NOW + timedelta(seconds=600)
    assert post.got == ["new-1", *(each.id for each in five)]


async def test_a_new_start_tries_at_once() -> None:
    """A receiver was repaired, and the daemon is restarted or has a new configuration: nobody waits an hour."""
    store, clock, (message,) = MemoryOutboxStore(), SetClock(), threads(1)
    outbox = outbox_on(store, [ScriptedNotifier([deferred()])], clock, HOUR)
    store.add(outbox.deliveries_for(message, NOW))
    async with running(outbox):
        await settled(store, 1)
    post = ScriptedNotifier()
    async with running(outbox_on(store, [post], clock, HOUR)):
        await settled(store, 2)
    assert (post.got, clock.now()) == ([message.id], NOW)


async def test_one_that_is_always_refused_is_not_tried_with_every_other() -> None:
    """A hundred messages in fifty minutes: it is tried early at most once a minute, and none of them waits for it."""
    store, clock = MemoryOutboxStore(), SetClock()
    poison, *others = threads(101)
    post = Picky(refused={poison.id})
    outbox = outbox_on(store, [post], clock, HOUR)
    store.add(outbox.deliveries_for(poison, NOW))
    async with running(outbox):
        await settled(store, 1)
        for number, message in enumerate(others, 1):
            clock.advance(30)
            store.add(outbox.deliveries_for(message, clock.now()))
            outbox.poke()
            await until(lambda number=number: len(post.got) == number)  # type: ignore[misc]
            for _ in range(50):  # time for a try of the other one
                await asyncio.sleep(0)
    assert post.got == [each.id for each in others]
    assert 2 < post.tried.count(poison.id) <= 2 + 100 * 30 / EARLY_EVERY_S


async def test_a_wait_that_was_asked_for_is_kept() -> None:
    """The receiver asks for an hour (Retry-After, RFC 9110 10.2.3) for one message: another one changes nothing."""
    store, clock, (first, other) = MemoryOutboxStore(), SetClock(), threads(2)
    post = ScriptedNotifier([deferred(3_600)])
    outbox = outbox_on(store, [post], clock)
    store.add(outbox.deliveries_for(first, NOW))
    async with running(outbox):
        await settled(store, 1)
        clock.advance(600)
        store.add(outbox.deliveries_for(other, clock.now()))
        outbox.poke()
        await settled(store, 2)
        for _ in range(50):  # time for a try of the first one
            await asyncio.sleep(0)
        assert post.tried == [first.id, other.id]
        clock.advance(3_100)
        outbox.poke()
        await settled(store, 3)
    assert post.got == [other.id, first.id]


async def test_quiet_hours_are_kept() -> None:
    """One that failed just before ten in the evening is tried again in the morning, also after a restart at night."""
    before = Night(EVENING - timedelta(hours=1, seconds=2))
    before.post.script = [deferred()]
    before.happens(caution())
    async with running(before.outbox):
        await settled(before.store, 1)
    assert before.store.deliveries[1].due_at == MORNING
    night = Night(EVENING)
    night.store.deliveries.update(before.store.deliveries)
    ((told, at),) = await night.passes(1)
    assert told == caution().id
    assert at is not None
    assert MORNING <= at < MORNING + timedelta(minutes=15)
