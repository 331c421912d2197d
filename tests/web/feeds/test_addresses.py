"""Private addresses of the feeds: made after sign-in, read without it, stored as digests, and gone once revoked."""

import re
from pathlib import Path
from urllib.parse import urlsplit
from xml.etree import ElementTree as ET

import pytest
from aiohttp.test_utils import TestClient, TestServer

from tests.support import readstore
from tests.support.acting import PASSWORD, ActingDouble, password_file
from tests.web.conftest import Client, app_of
from watchkeeper.errors import StoreError
from watchkeeper.model.probe_state import MemoryStateStore
from watchkeeper.web.auth.stored_access import OWNER, STORED_ACCESS, Access, FeedAddress, StoredAccess
from watchkeeper.web.feeds import addresses
from watchkeeper.web.settings import PageSettings, Reading

ATOM = "{http://www.w3.org/2005/Atom}"


def _word(page: str) -> str:
    found = re.search(r'name="word" value="([^"]+)"', page)
    assert found is not None
    return found[1]


async def _made(client: Client, name: str) -> str:
    word = _word(await (await client.get("/operator")).text())
    page = await (await client.post("/operator/feed-address", data={"word": word, "name": name})).text()
    found = re.search(r'href="([^"]+)events\.atom"', page.partition("The new address")[2])
    assert found is not None
    return urlsplit(found[1]).path


async def test_an_address_from_its_making_to_its_end(tmp_path: Path) -> None:
    """It is shown once, opens the two feeds and nothing else, and is stored as a digest alone."""
    store = readstore.filling()
    settings = PageSettings(password=password_file(tmp_path), reading=Reading.PASSWORD)
    app = app_of(store, settings, acting=ActingDouble(store))
    async with TestClient(TestServer(app)) as client:
        await client.post("/operator/sign-in", data={"password": PASSWORD})
        path = await _made(client, "tablet in the hide")
        again = await (await client.get("/operator")).text()
        assert path not in again
        assert "tablet in the hide" in again
        client.session.cookie_jar.clear()
        assert (await client.get("/events.atom")).status == 403

        feed = await client.get(f"{path}events.atom")
        assert (feed.status, feed.content_type) == (200, "application/atom+xml")
        root = ET.fromstring(await feed.text())
        assert root.findall(f"{ATOM}entry")
        assert [e.get("href") for e in root.findall(f"{ATOM}link") if e.get("rel") == "self"] == [f"{path}events.atom"]
        calendar = await client.get(f"{path}calendar.ics")
        assert (calendar.status, calendar.content_type) == (200, "text/calendar")
        assert (await client.get(f"{path}status", headers={"Accept": "text/html"})).status == 404
        assert (await client.get(f"{path[:-2]}x/events.atom")).status == 404

        text = (await app[STORED_ACCESS].read()).model_dump_json()
        assert path.split("/")[2] not in text
        assert addresses.digest(path.split("/")[2]) in text

        await client.post("/operator/sign-in", data={"password": PASSWORD})
        page = await (await client.get("/operator")).text()
        (kept,) = (await app[STORED_ACCESS].read()).feeds
        sent = {"word": _word(page), "id": kept.id}
        assert "revoked" in await (await client.post("/operator/revoke-feed-address", data=sent)).text()
        assert "no such address" in await (await client.post("/operator/revoke-feed-address", data=sent)).text()
        assert (await client.get(f"{path}events.atom")).status == 404


async def test_a_name_and_a_limit(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Each address has a name, so that the right one is revoked; and there is no heap of them."""
    monkeypatch.setattr(addresses, "MOST", 1)
    store = readstore.calm()
    settings = PageSettings(password=password_file(tmp_path))
    async with TestClient(TestServer(app_of(store, settings, acting=ActingDouble(store)))) as client:
        await client.post("/operator/sign-in", data={"password": PASSWORD})
        word = _word(await (await client.get("/operator")).text())
        assert (await client.post("/operator/feed-address", data={"word": word, "name": " "})).status == 400
        assert (await client.post("/operator/feed-address", data={"name": "a"})).status == 403
        await _made(client, "a")
        full = await client.post("/operator/feed-address", data={"word": word, "name": "b"})
        assert full.status == 400
        assert "revoke one first" in await full.text()


class Broken(MemoryStateStore):
    """A store that cannot be read."""

    async def read(self, owner: str) -> str:
        raise StoreError(f"{owner}: the disk is gone")


async def test_a_store_that_cannot_be_read_opens_nothing() -> None:
    """Then there are no addresses, and none is written over those that cannot be seen."""
    access = StoredAccess(Broken())
    assert await access.read() == Access()
    with pytest.raises(StoreError):
        await access.change(lambda now: now)


async def test_what_is_damaged_is_made_again() -> None:
    """A text that is no record of addresses counts as none, and can be replaced."""
    store = MemoryStateStore()
    await store.write(OWNER, '{"feeds": [{"name": 1}]}')
    access = StoredAccess(store)
    assert await access.read() == Access()
    await access.change(lambda now: now)
    assert await StoredAccess(store).read() == Access()
    assert FeedAddress.model_fields.keys() == {"name", "digest", "made_at"}
