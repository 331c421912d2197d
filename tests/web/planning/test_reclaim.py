"""What deleting snapshots would free, on the page: the command's answer for every set, and nothing that deletes."""

import re
from html import unescape
from typing import Literal
from urllib.parse import urlencode

import pytest
from aiohttp.test_utils import TestClient, TestServer
from playwright.async_api import Browser

from tests.support import readstore
from tests.support.planned import known, planner_over, shelf
from tests.web.conftest import Client, FixedClock, Open, app_of
from tests.web.planning.test_capacity import HOSTILE, opened, overflow
from tests.web.test_accessible import violations
from watchkeeper.inventory.reclaim.measure import Ask, reclaim
from watchkeeper.inventory.reclaim.stores import StoreContext, StoreReader
from watchkeeper.planning.reclaim import text as words
from watchkeeper.probes.base import ProbeContext
from watchkeeper.probes.support.workers import ThreadWorkers
from watchkeeper.web.planning.planner import Nowhere
from watchkeeper.web.planning.reclaim_json import reclaim_form


async def test_page_and_api_answer_as_the_command_does(page: Open) -> None:
    """The API's object is the command's; the page has each set with its size, its reasons, and that nothing is lost."""
    store = readstore.calm()

    async def find(_place: StoreContext) -> list[StoreReader]:
        return [shelf(store)]

    bench = ProbeContext(FixedClock(), ThreadWorkers())
    answer = await reclaim(Ask(), known(), bench, store, finders=(("the house", find),))
    client = await page(store)
    for query in ("", f"?{urlencode({'store': 'pool skerry'})}"):
        told = await (await client.get(f"/api/v1/reclaim{query}")).json()
        assert told == {"host": "gannet"} | reclaim_form(answer)
        text = unescape(await (await client.get(f"/reclaim{query}")).text())
        assert words.NOTHING_DELETED in text
        (held,) = answer.sets
        (found,) = answer.stores
        for said in (words.held_words(found), words.set_words(held), words.why_words([held]), words.LATER, words.BASES):
            assert said in text
        assert f'<p class="size">{words.size_words(held.together.bounds)}</p>' in text
        assert words.size_words(held.together.bounds) == "6 GiB to 9 GiB"
        assert "4 snapshots, 1 of them cannot be deleted" in text
    assert '<rect class="most" width="100.0" height="8"/><rect class="least" width="66.7" height="8"/>' in text
    assert 'method="post"' not in text
    assert "All stores" in text


async def test_a_store_that_is_not_there(page: Open) -> None:
    """The message names what is nearly like it, for people and for programs."""
    client = await page(readstore.calm())
    answer = await client.get("/reclaim?store=pool+skery", headers={"Accept": "text/html"})
    assert answer.status == 400
    assert 'Nothing here matches "pool skery". Similar: "pool skerry".' in unescape(await answer.text())
    refused = await client.get("/api/v1/reclaim?store=pool+skery")
    assert (refused.status, (await refused.json())["parameter"]) == (400, "store")
    assert (await client.get("/reclaim?store=")).status == 400


async def test_a_store_without_snapshots(page: Open) -> None:
    """A store that is watched and has none is told so; nobody has asked amiss."""
    client = await page(readstore.calm())
    answer = await client.get(f"/reclaim?{urlencode({'store': 'file system /srv'})}")
    text = await answer.text()
    assert answer.status == 200
    assert words.NONE in text
    assert (
        'role="alert">' not in text.replace('<p id="lost" class="wrong" role="alert" hidden></p>', "").split("<main")[1]
    )


async def test_without_a_look() -> None:
    """503 where the host cannot be looked at now."""
    client: Client = TestClient(TestServer(app_of(readstore.calm(), planner=Nowhere())))
    await client.start_server()
    assert (await client.get("/reclaim")).status == 503
    assert (await client.get("/api/v1/reclaim")).status == 503
    await client.close()


async def test_hostile_names_are_words() -> None:
    """A name with markup in it is shown and never obeyed; a command that is shown can be pasted without harm."""
    store = readstore.calm()
    app = app_of(store, planner=planner_over(store, FixedClock(), guest=HOSTILE))
    client: Client = TestClient(TestServer(app))
    await client.start_server()
    text = await (await client.get("/reclaim")).text()
    assert "<script>alert" not in text
    assert "&lt;script&gt;alert" in text
    command = re.search("<code>(watchkeeper reclaim .*?)</code>", text)
    assert command
    assert unescape(command[1]) == "watchkeeper reclaim --gain 14d --store 'pool skerry'"
    missing = await client.get(f"/reclaim?{urlencode({'store': HOSTILE})}", headers={"Accept": "text/html"})
    assert "<script>alert" not in await missing.text()
    await client.close()


PAGES = ("reclaim", "reclaim?store=pool+skerry", "reclaim?store=nowhere")


@pytest.mark.browser
@pytest.mark.parametrize(("width", "scheme"), [(390, "dark"), (1280, "light")])
async def test_in_a_browser(chromium: Browser, width: int, scheme: Literal["dark", "light"]) -> None:
    """From the store's page and from the planner the way leads here; it fits the screen and breaks no rule."""
    served, context = await opened(chromium, app_of(readstore.calm()), width, scheme, script=False)
    try:
        page = await context.new_page()
        for start in ("subjects/pool skerry", "capacity?disk=1GiB&store=pool+skerry"):
            await page.goto(served.address + start)
            await page.click("main >> text=What would deleting its snapshots free?")
            assert await page.inner_text(".part h2") == "pool skerry: 6 GiB to 9 GiB in snapshots"
            bar = await page.locator(".held-bar").bounding_box()
            assert bar is not None
            assert bar["height"] > 5
        scripted = await chromium.new_context(viewport={"width": width, "height": 844}, color_scheme=scheme)
        found = []
        page = await scripted.new_page()
        for path in PAGES:
            await page.goto(served.address + path)
            found += [f"{path} {each}" for each in await violations(page)]
            assert await page.evaluate("document.documentElement.scrollWidth") <= width
            assert await overflow(page) == []
        assert found == []
        await scripted.close()
    finally:
        await context.close()
        await served.cleanup()
