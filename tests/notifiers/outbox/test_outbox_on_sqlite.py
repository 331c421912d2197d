"""The outbox on the real store: committed messages are delivered, across restarts, with what was written."""

import asyncio
from datetime import UTC, datetime
from pathlib import Path

from tests.support.messages import messages
from tests.support.outbox import ScriptedNotifier
from watchkeeper.clock import Clock
from watchkeeper.errors import DeliveryDeferred
from watchkeeper.model.records import Commit, DeliveryState
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
