"""The page over a store in memory, at a fixed moment."""

import asyncio
import shutil
from collections.abc import AsyncIterator, Awaitable, Callable
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, timezone

import pytest
import pytest_asyncio
from aiohttp import web
from aiohttp.test_utils import TestClient, TestServer
from playwright.async_api import Browser, BrowserContext, Playwright, async_playwright

from tests.support import readstore
from tests.support.needs import need
from tests.support.planned import planner_over
from tests.support.readstore import ReadStoreDouble
from watchkeeper.clock import Clock
from watchkeeper.messages.reports.sheet import HouseFacts
from watchkeeper.web.app import make_app
from watchkeeper.web.auth.actions import Actions
from watchkeeper.web.context import Resting
from watchkeeper.web.dashboard.health import Check, Measurements
from watchkeeper.web.planning.planner import Planner
from watchkeeper.web.settings import PageSettings

Client = TestClient[web.Request, web.Application]
Open = Callable[..., Awaitable[Client]]

ISLAND = timezone(timedelta(hours=1))
"""The island's time is an hour ahead of UTC."""


CHROMIUM = "/usr/bin/chromium"
CLOSING_S = 60.0
"""How long a browser that is busy may take to close something. One that hangs would take a test's whole bound."""

ARGUMENTS = [
    "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
]  # fmt: skip

ASKED = {
    "/api/v1/decisions": "?subject=pool%20skerry",
    "/api/v1/capacity": "?disk=32GiB&memory=2GiB&cpus=2&grows=1GiB/day",
    "/api/v1/preflight": "?subject=hide-hub",
}
"""What is asked where nothing would be no question."""


class FixedClock(Clock):
    """Stands still at one moment."""

    def __init__(self, at: datetime = readstore.NOW) -> None:
        self.at = at

    def now(self) -> datetime:
        return self.at


class HandClock(Clock):
    """A monotonic clock that stands until it is moved."""

    def __init__(self) -> None:
        self.s = 1_000.0

    def monotonic_s(self) -> float:
        return self.s


@dataclass
class FixedVitals:
    """Says what it was told to say."""

    checks: tuple[Check, ...] = ()

    def read(self) -> Measurements:
        return Measurements(datetime(2026, 11, 1, tzinfo=UTC), self.checks)


def app_of(
    store: ReadStoreDouble,
    settings: PageSettings | None = None,
    checks: tuple[Check, ...] = (),
    acting: Actions | None = None,
    resting: Resting = readstore.carried,
    planner: Planner | None = None,
    facts: Callable[[], HouseFacts] | None = None,
) -> web.Application:
    """The application over a store; where no planner is given, one that sees the house of the tests of planning."""
    return make_app(
        store,
        settings or PageSettings(),
        FixedClock(),
        FixedVitals(checks),
        "gannet",
        ISLAND,
        acting,
        resting=resting,
        planner=planner or planner_over(store, FixedClock()),
        facts=facts,
    )


@pytest.fixture
async def page() -> AsyncIterator[Open]:
    """Opens a client on the page over a store; it is closed after the test."""
    opened: list[Client] = []

    async def open_client(
        store: ReadStoreDouble,
        settings: PageSettings | None = None,
        *checks: Check,
        facts: Callable[[], HouseFacts] | None = None,
    ) -> Client:
        client: Client = TestClient(TestServer(app_of(store, settings, checks, facts=facts)))
        await client.start_server()
        opened.append(client)
        return client

    yield open_client
    for client in opened:
        await client.close()


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Run each test of the browser in the event loop that started it."""
    for item in items:
        if "chromium" in getattr(item, "fixturenames", ()):
            item.add_marker(pytest.mark.asyncio(loop_scope="session"), append=False)


async def closed(context: BrowserContext) -> None:
    """Close a context. Raises TimeoutError if the browser no longer answers."""
    async with asyncio.timeout(CLOSING_S):
        await context.close()


class OneBrowser:
    """The one browser of this process: starting one takes a second of processor time."""

    def __init__(self, driver: Playwright) -> None:
        self._driver = driver
        self.browser: Browser

    async def start(self) -> None:
        """Start it."""
        self.browser = await self._driver.chromium.launch(executable_path=CHROMIUM, args=ARGUMENTS)

    async def stop(self) -> None:
        """Stop it, also one that no longer answers."""
        with suppress(TimeoutError):
            await asyncio.wait_for(self.browser.close(), CLOSING_S)


@pytest_asyncio.fixture(scope="session", loop_scope="session")
async def started_chromium() -> AsyncIterator[OneBrowser]:
    """It is started with the first test that needs it."""
    need(shutil.which(CHROMIUM), "Chromium is not installed (apt install chromium)")
    async with async_playwright() as driver:
        one = OneBrowser(driver)
        await one.start()
        yield one
        await one.stop()


@pytest_asyncio.fixture(loop_scope="session")
async def chromium(started_chromium: OneBrowser) -> AsyncIterator[Browser]:
    """The browser. Each test opens contexts of its own, which share nothing, and closes them.

    A test that leaves one fails, and the next has another browser: one that hangs fails no other test.
    """
    with ThreadPoolExecutor() as threads:  # those of the loop would outlive the test
        asyncio.get_running_loop().set_default_executor(threads)
        yield started_chromium.browser
    left = started_chromium.browser.contexts
    if left:
        await started_chromium.stop()
        await started_chromium.start()
    assert left == []
