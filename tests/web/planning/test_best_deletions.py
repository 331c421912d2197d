"""The sets of snapshots that hold most of a store, on the card of its alert."""

import asyncio
from collections.abc import Callable
from dataclasses import dataclass, field
from html import unescape
from typing import Any, cast

from tests.support import readstore
from tests.support.planned import planner_over
from tests.web.conftest import FixedClock, HandClock, Open
from watchkeeper.web.planning import best_deletions
from watchkeeper.web.planning.best_deletions import FRESH_S, KEPT_S, BestDeletions
from watchkeeper.web.planning.planner import Nowhere, Planner


async def test_a_card_names_what_holds_most(page: Open) -> None:
    """The page of a filling pool has the set with its size, and the command with the pool's own name."""
    text = unescape(await (await (await page(readstore.filling())).get("/")).text())
    assert "<strong>6 GiB to 9 GiB</strong> <bdi>skerry/hide-hub, daily-*: 4 snapshots, 1 of them cannot" in text
    assert "<code>watchkeeper reclaim --gain 14d --store 'pool skerry'</code>" in text
    calm = await (await (await page(readstore.calm())).get("/")).text()
    assert "Snapshots that hold most" not in calm


async def test_the_page_of_a_filling_store_names_them_too(page: Open) -> None:
    """Of its space, and of nothing else of it."""
    store = readstore.filling()
    ids = {str(each.key): each.id for each in await store.series()}
    client = await page(store)

    async def text(key: str) -> str:
        return unescape(await (await client.get(f"/subjects/{ids[key]}")).text())

    assert "<strong>6 GiB to 9 GiB</strong>" in await text("pool skerry: space")
    assert "Snapshots that hold most" not in await text("pool skerry: metadata")
    assert "Snapshots that hold most" not in await text("pool skerry: health")


async def _until(true: Callable[[], Any]) -> None:
    async with asyncio.timeout(60):
        while not true():  # noqa: ASYNC110  nothing tells of it
            await asyncio.sleep(0.01)


@dataclass
class Slow:
    """A planner that answers once it is let."""

    planner: Any
    let: asyncio.Event = field(default_factory=asyncio.Event)
    asked: int = 0

    async def reclaim(self, store: str | None, *, signed_in: bool = False) -> Any:
        self.asked += 1
        await self.let.wait()
        return await self.planner.reclaim(store, signed_in=signed_in)


async def test_a_page_does_not_wait_for_the_tools(monkeypatch: Any) -> None:
    """The first page goes without the list; one read serves all that ask, until it is too old."""
    monkeypatch.setattr(best_deletions, "WAIT_S", 0.01)
    slow, clock = Slow(planner_over(readstore.calm(), FixedClock())), HandClock()
    found = BestDeletions(cast("Planner", slow), clock)
    assert await found.of("pool skerry") is None
    assert await found.of("pool skerry") is None
    slow.let.set()
    await _until(lambda: found._read["pool skerry"].found)
    held = await found.of("pool skerry")
    assert held is not None
    assert [each.size for each in held.sets] == ["6 GiB to 9 GiB"]
    assert slow.asked == 1
    slow.let.clear()
    clock.s += FRESH_S
    assert await found.of("pool skerry") == held  # read again, and the earlier answer is shown meanwhile
    await _until(lambda: slow.asked == 2)
    clock.s += KEPT_S
    assert await found.of("pool skerry") is None
    await found.close()


async def test_what_is_known_is_read_ahead() -> None:
    """A message does not wait: it has what was read before, and asks for nothing."""
    slow = Slow(planner_over(readstore.calm(), FixedClock()))
    slow.let.set()
    found = BestDeletions(cast("Planner", slow), HandClock())
    assert found.known("pool skerry") is None
    assert slow.asked == 0
    reading = found.want("pool skerry")
    assert reading is not None
    assert found.want("pool skerry") is None
    await reading
    known = found.known("pool skerry")
    assert known is not None
    assert known.command == "watchkeeper reclaim --gain 14d --store 'pool skerry'"
    assert slow.asked == 1
    assert found.want("guest hide-hub") is None


async def test_it_is_read_ahead_before_it_is_too_old() -> None:
    """Less often than for a page, and in time for the next message."""
    slow, clock = Slow(planner_over(readstore.calm(), FixedClock())), HandClock()
    slow.let.set()
    found = BestDeletions(cast("Planner", slow), clock)
    for _ in range(12):
        found.want_ahead("pool skerry")
        await asyncio.gather(*found._tasks)
        assert found.known("pool skerry") is not None
        clock.s += FRESH_S
    assert slow.asked == 3


async def test_what_is_no_store_is_not_asked_about() -> None:
    """A guest has no snapshots of its own here; a host that cannot be read gives no list."""
    found = BestDeletions(Nowhere(), HandClock())
    assert await found.of("guest hide-hub") is None
    assert found._read == {}
    for number in range(best_deletions.MOST + 5):
        assert await found.of(f"pool {number}") is None
    assert len(found._read) == best_deletions.MOST
    await found.close()
