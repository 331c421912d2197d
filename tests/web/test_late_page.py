"""A page whose packages are imported when somebody connects."""

import asyncio
import urllib.request
from collections.abc import AsyncIterator
from contextlib import suppress

import pytest

from tests.support import readstore
from tests.web.conftest import app_of
from watchkeeper.web.bound_page import BoundPage, bind
from watchkeeper.web.late_page import LatePage, Serve
from watchkeeper.web.server import Served, serve
from watchkeeper.web.settings import PageSettings

SETTINGS = PageSettings(port=0)


@pytest.fixture
async def bound() -> AsyncIterator[BoundPage]:
    """An address that is bound."""
    found = await bind(SETTINGS)
    yield found
    found.close()


def get(address: str) -> int:
    """The status of the answer of a page."""
    with urllib.request.urlopen(address, timeout=60) as answer:
        return int(answer.status)


async def test_the_first_visitor_is_answered(bound: BoundPage) -> None:
    """It waits in the kernel's queue while the page is loaded, once; without a visitor nothing is loaded."""
    loads = []

    async def made(place: BoundPage) -> Served:
        return await serve(app_of(readstore.calm()), SETTINGS, bound=place)

    def load() -> Serve:
        loads.append(1)
        return made

    page = LatePage(bound, load)
    serving = asyncio.create_task(page.serve_when_asked())
    await asyncio.sleep(0)
    assert loads == []
    assert await asyncio.gather(*(asyncio.to_thread(get, page.address) for _ in range(3))) == [200, 200, 200]
    assert loads == [1]
    serving.cancel()
    await asyncio.wait({serving})
    await page.close()
    with pytest.raises(OSError, match="refused"):
        await asyncio.to_thread(get, page.address)


async def test_a_page_that_nobody_opens_is_closed_without_being_loaded(bound: BoundPage) -> None:
    """Its address is free again."""
    page = LatePage(bound, lambda: pytest.fail("loaded"))
    serving = asyncio.create_task(page.serve_when_asked())
    await asyncio.sleep(0)
    serving.cancel()
    with suppress(asyncio.CancelledError):
        await serving
    await page.close()
    with pytest.raises(OSError, match="refused"):
        await asyncio.to_thread(get, page.address)


async def test_a_page_that_cannot_be_loaded_is_an_error(bound: BoundPage) -> None:
    """The daemon ends with it, and systemd starts it again: its files may have been replaced while it ran."""

    def load() -> Serve:
        raise ImportError("no templates")

    page = LatePage(bound, load)
    serving = asyncio.create_task(page.serve_when_asked())
    _, writer = await asyncio.open_connection(*bound.sockets[0].getsockname()[:2])
    with pytest.raises(ImportError, match="no templates"):
        await asyncio.wait_for(serving, 60)
    writer.close()
    await page.close()
