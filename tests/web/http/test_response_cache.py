"""Answers that are kept until the store changes: made once for many, never a wrong one."""

import asyncio
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC
from pathlib import Path

from aiohttp import CookieJar
from aiohttp.test_utils import TestClient, TestServer

from tests.support import readstore
from tests.support.acting import PASSWORD, ActingDouble, password_file
from tests.support.readstore import ReadStoreDouble
from tests.web.conftest import Client, FixedClock, FixedVitals, Open, app_of
from watchkeeper.model.alert import Alert
from watchkeeper.web.app import make_app
from watchkeeper.web.http import response_cache
from watchkeeper.web.settings import PageSettings


@dataclass
class Counted(ReadStoreDouble):
    """Counts how often it is asked for the alerts, which each board does once."""

    asked: int = 0

    async def alerts(self) -> Sequence[Alert]:
        self.asked += 1
        await asyncio.sleep(0.01)
        return await super().alerts()


def counted() -> Counted:
    """A counting store of the calm state."""
    calm = readstore.calm()
    return Counted(**{name: getattr(calm, name) for name in calm.__dataclass_fields__})


async def test_one_board_for_many(page: Open) -> None:
    """Twenty screens that ask at the same moment, and those after them, are answered by one look at the store."""
    store = counted()
    client = await page(store)
    answers = await asyncio.gather(*(client.get("/") for _ in range(20)))
    bodies = {await answer.read() for answer in answers}
    assert (len(bodies), store.asked) == (1, 1)
    again = await client.get("/", headers={"If-None-Match": answers[0].headers["ETag"]})
    assert (again.status, store.asked) == (304, 1)


async def test_a_change_shows_at_once(page: Open) -> None:
    """After a commit the next answer is a new one."""
    store = counted()
    client = await page(store)
    await client.get("/")
    store.note(store.now, "Hides closed for the winter.")
    assert "Hides closed" not in await (await client.get("/")).text()
    store.version += 1
    assert "Hides closed" in await (await client.get("/")).text()
    assert store.asked == 2


async def test_nothing_is_kept_for_long() -> None:
    """Though nothing changes, times left grow less: an answer is made again after a quarter of a minute."""

    class Aging(FixedClock):
        s = 100.0

        def monotonic_s(self) -> float:
            return self.s

    store, clock = counted(), Aging()
    app = make_app(store, PageSettings(), clock, FixedVitals(), "gannet", UTC)
    client: Client = TestClient(TestServer(app))
    await client.start_server()
    try:
        for age_s, asked in ((0, 1), (14.9, 1), (15, 2), (29.9, 2), (30, 3)):
            clock.s = 100.0 + age_s
            await client.get("/")
            assert store.asked == asked
    finally:
        await client.close()


async def test_addresses_are_kept_apart(page: Open) -> None:
    """Each address with its query has its own answer, and there is a bound to how many."""
    store = readstore.calm()
    client = await page(store)
    day = await (await client.get("/subjects/1?span=day")).text()
    year = await (await client.get("/subjects/1?span=year")).text()
    assert day != year
    for i in range(response_cache.MOST + 5):
        assert (await client.get(f"/subjects/1?span=day&x={i}")).status == 200
    assert await (await client.get("/subjects/1?span=day")).text() == day


async def test_errors_are_not_kept(page: Open) -> None:
    """What was not there a moment ago is looked for again."""
    store = readstore.fresh()
    client = await page(store)
    assert (await client.get("/subjects/1")).status == 404
    store.condition("pool skerry", "health")
    assert (await client.get("/subjects/1")).status == 200


async def test_what_the_keeper_sees_is_nobody_elses(tmp_path: Path) -> None:
    """A page of a session is neither kept for others nor taken from what is kept."""
    store = readstore.filling()
    settings = PageSettings(password=password_file(tmp_path))
    client: Client = TestClient(
        TestServer(app_of(store, settings, acting=ActingDouble(store))), cookie_jar=CookieJar(unsafe=True)
    )
    await client.start_server()
    try:
        open_page = await (await client.get("/")).text()
        await client.post("/operator/sign-in", data={"password": PASSWORD})
        own = await (await client.get("/")).text()
        assert "<form" in own
        client.session.cookie_jar.clear()
        assert await (await client.get("/")).text() == open_page
        assert "<form" not in open_page
    finally:
        await client.close()
