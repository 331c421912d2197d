"""Strangers try passwords as fast as they can, over real connections from many addresses: the operator gets in."""

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path

import pytest
from aiohttp import ClientSession, CookieJar, TCPConnector
from aiohttp.test_utils import TestServer

from tests.support import readstore
from tests.support.acting import PASSWORD, ActingDouble, password_file
from tests.web.conftest import app_of
from watchkeeper.clock import Clock
from watchkeeper.web.auth.budgets import Limits, SignInBudgets
from watchkeeper.web.auth.session_auth import SESSION_AUTH
from watchkeeper.web.auth.waiting_room import WaitingRoom
from watchkeeper.web.settings import PageSettings

ONE = ("127.0.0.1",)
MANY = tuple(f"127.0.{i}.{10 + j}" for i in range(4) for j in range(10))


@pytest.fixture
async def page(tmp_path: Path) -> AsyncIterator[TestServer]:
    """A page with a password."""
    settings = PageSettings(password=password_file(tmp_path))
    server = TestServer(app_of(readstore.filling(), settings, acting=ActingDouble(readstore.filling())))
    await server.start_server()
    yield server
    await server.close()


@asynccontextmanager
async def _browser(address: str = "127.0.0.1") -> AsyncIterator[ClientSession]:
    connector = TCPConnector(local_addr=(address, 0))
    async with ClientSession(cookie_jar=CookieJar(unsafe=True), connector=connector) as session:
        yield session


async def _sign_in(page: TestServer, session: ClientSession, password: str = PASSWORD) -> int:
    url = page.make_url("/operator/sign-in")
    async with session.post(url, data={"password": password}, allow_redirects=False) as answer:
        await answer.read()
        return answer.status


@asynccontextmanager
async def _flood(page: TestServer, addresses: tuple[str, ...], *, keep_cookies: bool) -> AsyncIterator[list[int]]:
    """Wrong passwords without a pause, on four connections or one for each address."""
    statuses: list[int] = []

    async def strange(address: str) -> None:
        async with _browser(address) as session:
            for _ in range(100_000):
                statuses.append(await _sign_in(page, session, "wrong password"))
                if not keep_cookies:
                    session.cookie_jar.clear()

    strangers = [asyncio.create_task(strange(a)) for a in addresses * (4 if len(addresses) == 1 else 1)]
    try:
        for _ in range(3_000):
            if len(statuses) >= 100:
                break
            await asyncio.sleep(0.01)
        yield statuses
    finally:
        for each in strangers:
            each.cancel()
        await asyncio.gather(*strangers, return_exceptions=True)


@pytest.mark.parametrize("addresses", [ONE, MANY], ids=["one address", "many addresses"])
async def test_a_known_browser_always_gets_in(page: TestServer, addresses: tuple[str, ...]) -> None:
    """100 of 100 sign-ins, from the very address that a stranger uses too."""
    async with _browser() as mine:
        assert await _sign_in(page, mine) == 303
        async with _flood(page, addresses, keep_cookies=False) as wrong:
            right = [await _sign_in(page, mine) for _ in range(100)]
    assert right == [303] * 100
    assert set(wrong) == {403, 429}
    assert wrong.count(403) < 60


async def test_a_known_browser_has_only_its_own_slips(page: TestServer) -> None:
    """Five wrong ones, then it waits; a stranger's wrong ones are not counted for it."""
    async with _browser() as mine:
        assert await _sign_in(page, mine) == 303
        async with _flood(page, ONE, keep_cookies=True):
            assert [await _sign_in(page, mine, "a slip") for _ in range(6)] == [403] * 5 + [429]


async def test_a_new_browser_at_the_strangers_own_address(page: TestServer) -> None:
    """The stranger throws its cookies away, as a simple program does. Whoever opens the page first gets in at once."""
    async with _flood(page, ONE, keep_cookies=False):
        for _ in range(3):
            async with _browser() as new:
                async with new.get(page.make_url("/operator")) as answer:
                    assert answer.status == 200
                assert await _sign_in(page, new) == 303


async def test_a_new_browser_at_an_address_of_its_own(page: TestServer) -> None:
    """Strangers at 40 addresses have used up what all share; who comes from a new one waits for its turn."""
    limits = Limits(burst=30, refill_s=0.5)
    page.app[SESSION_AUTH].room = WaitingRoom(SignInBudgets(Clock(), limits))
    async with _flood(page, MANY, keep_cookies=False) as wrong, _browser("127.200.0.1") as new:
        # Before that, strangers have tried as little as the new one.
        async with asyncio.timeout(60):
            while wrong.count(403) < len(MANY):  # noqa: ASYNC110  nothing tells of it
                await asyncio.sleep(0.1)
        assert await _sign_in(page, new) == 303


async def test_cookie_of_a_known_browser(page: TestServer) -> None:
    """Out of scripts' reach and never sent from elsewhere; it opens nothing by itself."""
    async with _browser() as mine:
        data = {"password": PASSWORD}
        async with mine.post(page.make_url("/operator/sign-in"), data=data, allow_redirects=False) as answer:
            told = answer.headers.getall("Set-Cookie")
        (cookie,) = [each for each in told if each.startswith("watchkeeper-browser=k.")]
        assert {"HttpOnly", "SameSite=Strict", "Path=/", "Max-Age=31536000"} <= {p.strip() for p in cookie.split(";")}
    async with (
        _browser() as other,
        other.get(page.make_url("/operator"), headers={"Cookie": cookie.partition(";")[0]}) as answer,
    ):
        assert "Add a note to the event log" not in await answer.text()
        assert "Set-Cookie" not in answer.headers
