"""The outbox on the real store: committed messages are delivered, across restarts, with what was written."""

import asyncio
from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

from tests.support.messages import messages
from tests.support.outbox import ScriptedNotifier
from watchkeeper.clock import Clock
from watchkeeper.errors import DeliveryDeferred, StoreFull
from watchkeeper.model.records import Commit, Delivery, DeliveryState, Entry, EventLine
from watchkeeper.notifiers.outbox.outbox import Outbox
from watchkeeper.notifiers.outbox.retry_policy import RetryPolicy
from watchkeeper.store.store import Store

QUICK = RetryPolicy(first_s=0.01, longest_s=0.05)


async def life(folder: Path, post: ScriptedNotifier, until: int, *, commit: bool = False) -> list[DeliveryState]:
    """Open the store, deliver until `until` messages were tried, close both; return the deliveries' states."""
    store = await Store.open(folder / "watchkeeper.db")
    outbox = Outbox(store, [post], Clock(), patience=QUICK)
    running = asyncio.create_task(outbox.run())
    if commit:
        for message in messages():
            await store.commit(Commit(deliveries=outbox.deliveries_for(message, datetime.now(UTC))))
            outbox.poke()
    async with asyncio.timeout(20):
        while len(post.tried) < until or (post.hold is None and not post.script and len(post.got) < 4):  # noqa: ASYNC110  what is waited for is a plain value of a double
            await asyncio.sleep(0.01)
    await outbox.close(0.05 if post.hold else 5)
    await running
    deliveries = await store.deliveries(only_open=False)
    # A message older than the day on which this runs, and followed by a newer one, is sent as a past state.
    assert {each.message.id.removesuffix("-late") for each in deliveries} == {each.id for each in messages()}
    await store.close()
    return [each.state for each in sorted(deliveries, key=lambda p: p.id)]


async def test_three_lives(tmp_path: Path) -> None:
    """A first run fails, a second is interrupted in a delivery, a third delivers all in order, a fourth is idle."""
    post = ScriptedNotifier([DeliveryDeferred("post: later") for _ in range(1_000)])
    assert await life(tmp_path, post, 1, commit=True) == [DeliveryState.WAITING] * 4
    post.script, post.tried, post.hold = [], [], asyncio.Event()
    assert await life(tmp_path, post, 1) == [DeliveryState.WAITING] * 4
    post.hold = None
    assert await life(tmp_path, post, 5) == [DeliveryState.DELIVERED] * 4
    assert await life(tmp_path, post, 5) == [DeliveryState.DELIVERED] * 4
    assert [each.removesuffix("-late") for each in post.got] == [each.id for each in messages()]
    assert len(post.tried) == 5


async def test_one_that_is_put_off_holds_up_no_other_thread_while_nothing_can_be_written(tmp_path: Path) -> None:
    """A receiver refuses one message again and again, and takes the others: they do not wait for the database."""
    first, other = messages()[0], replace(messages()[0], id="other-1", thread="other")
    async with await Store.open(tmp_path / "watchkeeper.db") as store:
        post = ScriptedNotifier([DeliveryDeferred("post: later")])
        outbox = Outbox(Full(store), [post], Clock(), patience=RetryPolicy(first_s=3_600.0))
        for message in (first, other):
            await store.commit(Commit(deliveries=outbox.deliveries_for(message, datetime.now(UTC))))
        running = asyncio.create_task(outbox.run())
        async with asyncio.timeout(20):
            while "other-1" not in post.got:  # noqa: ASYNC110  what is waited for is a plain value of a double
                await asyncio.sleep(0.01)
        await outbox.close(5)
        await running
    assert post.got[0] == "other-1"


class Full:
    """A store that can be read, and has no space for the result of a delivery."""

    def __init__(self, store: Store) -> None:
        self.next_delivery = store.next_delivery
        self.held_deliveries = store.held_deliveries
        self.alerts = store.alerts

    async def put_together(self, one: Delivery, held: Sequence[tuple[Delivery, EventLine]]) -> None:  # noqa: ARG002
        raise StoreFull("no space")

    async def delivery_done(self, delivery: Delivery, line: EventLine | None = None) -> None:  # noqa: ARG002
        raise StoreFull("there is no room")


async def test_what_was_held_is_put_into_one_message(tmp_path: Path) -> None:
    """In one transaction: the one message waits, and the others are done with it, with their event log lines."""
    now = datetime.now(UTC)
    async with await Store.open(tmp_path / "watchkeeper.db") as store:
        some = [replace(messages()[0], id=f"{name}-1", thread=name) for name in ("hub", "skerry", "later", "tried")]
        before = [now - timedelta(hours=8)] * 4
        held = [Delivery("post", each, made_at=at, due_at=now) for each, at in zip(some, before, strict=True)]
        held[2] = replace(held[2], due_at=now + timedelta(hours=1))
        held[3] = replace(held[3], tries=1)
        await store.commit(Commit(deliveries=tuple(held)))
        found = await store.held_deliveries("post", now)
        assert [each.message.thread for each in found] == ["hub", "skerry"]
        assert await store.held_deliveries("other", now) == []
        one = Delivery("post", replace(messages()[0], id="one-1", thread="one"), made_at=now, due_at=now)
        done = [replace(each, state=DeliveryState.DELIVERED, done_at=now) for each in found]
        lines = [EventLine(now, Entry.DELIVERY, f"{each.message.id} is in it") for each in done]
        await store.put_together(one, list(zip(done, lines, strict=True)))
        assert [each.text for each in await store.events()] == ["skerry-1 is in it", "hub-1 is in it"]
        waiting = [each for each in await store.deliveries() if each.due_at <= now]
        assert {each.message.id for each in waiting} == {"one-1", "tried-1"}
