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


async def test_what_is_no_store_is_not_asked_about() -> None:
    """A guest has no snapshots of its own here; a host that cannot be read gives no list."""
    found = BestDeletions(Nowhere(), HandClock())
    assert await found.of("guest hide-hub") is None
    assert found._read == {}
    for number in range(best_deletions.MOST + 5):
        assert await found.of(f"pool {number}") is None
    assert len(found._read) == best_deletions.MOST
    await found.close()
