"""Addresses of 0.1.0: pages redirect, other paths say where their successor is."""

import pytest
from yarl import URL

from tests.support import readstore
from tests.web.conftest import ASKED, Open
from watchkeeper.web.moved import PAGES, PATHS, STREAM, Renamed
from watchkeeper.web.routes import ROUTES
from watchkeeper.web.settings import PageSettings

SERVED = {route.path for route in ROUTES}


@pytest.mark.parametrize(("old", "new"), PAGES.items())
async def test_an_old_page_redirects_for_good(page: Open, old: str, new: str) -> None:
    """308 with the query as it was written, and what is there answers."""
    client = await page(readstore.filling())
    query = "" if new.endswith(".atom") else "?store=pool%20skerry&x=a%2Bb"
    answer = await client.get(URL(old + query, encoded=True), allow_redirects=False)
    assert (answer.status, answer.headers["Location"]) == (308, new + query)
    followed = await client.get(old)
    assert (followed.status, followed.url.path) == (200, new)
    assert new in SERVED


@pytest.mark.parametrize("each", PATHS, ids=lambda each: each.path)
async def test_an_old_path_names_the_new_one(page: Open, each: Renamed) -> None:
    """410 as problem details, also for a browser; and the path that it names answers."""
    client = await page(readstore.filling())
    old, new = (path.replace("{id}", "1").replace("{name}", "tide-log") for path in (each.path, each.to))
    headers = {"Accept": "text/html"} if each.method == "GET" else {}
    answer = await client.request(each.method, old, headers=headers)
    told = await answer.json(content_type="application/problem+json")
    assert (answer.status, told["status"], told["title"]) == (410, 410, "Gone")
    assert f" {each.method} {new}." in told["detail"]
    assert told["renamed_to"] == new
    if each.method == "GET":  # tests/web/auth/test_job_reports.py asks the other
        assert (await client.get(new + ASKED.get(new, ""))).status == 200


async def test_the_stream_is_elsewhere_and_its_path_has_the_list(page: Open) -> None:
    """Who asks for server-sent events is sent to the new path, everyone else gets the list."""
    client = await page(readstore.calm(), PageSettings(prefix="/watch"))
    answer = await client.get("/watch" + STREAM.path, headers={"Accept": "text/event-stream"})
    told = await answer.json(content_type="application/problem+json")
    assert (answer.status, told["renamed_to"]) == (410, "/watch/api/v1/stream")
    assert "use GET /watch/api/v1/stream." in told["detail"]
    assert await (await client.get("/watch" + STREAM.path)).json() == {"items": []}


async def test_behind_a_proxy_both_lead_below_its_prefix(page: Open) -> None:
    """Whether the proxy passes the prefix on or takes it away, the new address contains it."""
    client = await page(readstore.calm(), PageSettings(prefix="/watch"))
    for prefix in ("", "/watch"):
        answer = await client.get(f"{prefix}/journal?before=9", allow_redirects=False)
        assert answer.headers["Location"] == "/watch/events?before=9"
        told = await (await client.get(f"{prefix}/api/v1/series/3")).json(content_type=None)
        assert told["renamed_to"] == "/watch/api/v1/quantities/3"
