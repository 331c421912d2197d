"""The page of a month: as people read it, and as it is printed."""

import asyncio
import re
import shutil
import subprocess
from dataclasses import replace
from datetime import timedelta

import pytest
from playwright.async_api import Browser

from tests.support import readstore
from tests.support.needs import need
from tests.support.readstore import NOW, ReadStoreDouble
from tests.web.conftest import Open, app_of
from watchkeeper.demo.story import HOUSE
from watchkeeper.messages.delivery.stand_in import StandIn
from watchkeeper.model.change import Change, ChangeKind
from watchkeeper.web.server import serve
from watchkeeper.web.settings import PageSettings

DAY = timedelta(days=1)


def busy() -> ReadStoreDouble:
    """A host on which every section of the report is longer than what is listed."""
    store = readstore.full()
    store.changed += [
        Change(
            NOW - n * DAY, ChangeKind.RESTART, "the host", "restarted", "after a power cut, with no shutdown before it"
        )
        for n in range(20)
    ]
    for n in range(20):
        store.answer(f"service of the guest with the number {n}", 0.1)
        store.growing(f"file system /srv/of/the/guest/number/{n}", 2.0**40, 2.0**41)
    return store


async def test_the_month_before_this_one_is_shown(page: Open) -> None:
    """With links to the months around it, as far as there are any."""
    client = await page(readstore.full())
    text = await (await client.get("/report")).text()
    assert "<h1>Report of gannet for October 2026</h1>" in text
    assert "/report?month=2026-11" in text
    present = await (await client.get("/report?month=2026-11")).text()
    assert "the month is not over." in present
    assert "Month after" not in present
    assert "2026-12 has not begun" in await (await client.get("/report?month=2026-12")).text()
    for wrong in ("2026", "2026-13", "x", ""):
        assert (await client.get(f"/report?month={wrong}")).status == 400
    assert 'href="/report"' in await (await client.get("/events")).text()


async def test_what_comes_from_outside_is_escaped(page: Open) -> None:
    """A name is text and nothing else."""
    store = readstore.full()
    store.changed.append(Change(NOW, ChangeKind.NOTE, "<script>alert(1)</script>", "noted"))
    text = await (await (await page(store)).get("/report?month=2026-11")).text()
    assert "<script>alert" not in text
    assert "&lt;script&gt;alert(1)" in text


def pages_of(document: bytes) -> list[str]:
    """The words of each sheet of a PDF."""
    need(shutil.which("pdftotext"), "pdftotext is not there (Debian: poppler-utils)")
    command = ["pdftotext", "-layout", "-", "-"]
    found = subprocess.run(command, input=document, capture_output=True, check=True, timeout=60).stdout.decode()
    return found.removesuffix("\f").split("\f")


@pytest.mark.parametrize(("store", "most"), [(readstore.calm(), 1), (readstore.full(), 1), (busy(), 2)])
async def test_it_is_printed_on_one_or_two_sheets(chromium: Browser, store: ReadStoreDouble, most: int) -> None:
    """Of A4, with everything on them and without what can only be pressed."""
    served = await serve(app_of(store), PageSettings(port=0))
    context = await chromium.new_context()
    try:
        page = await context.new_page()
        await page.goto(f"{served.address}report?month=2026-11")
        sheets = await asyncio.to_thread(pages_of, await page.pdf(prefer_css_page_size=True))
        assert len(sheets) <= most
        words = re.sub(r"\s+", " ", " ".join(sheets))
        assert "Messages that could not be sent" in words
        assert "Month before" not in words
    finally:
        await context.close()
        await served.cleanup()


async def test_the_sheet_of_the_demo_is_one_page(chromium: Browser) -> None:
    """With what its configuration says, on paper."""
    served = await serve(app_of(readstore.full(), facts=lambda: HOUSE), PageSettings(port=0))
    context = await chromium.new_context()
    try:
        page = await context.new_page()
        await page.goto(f"{served.address}sheet")
        (words,) = await asyncio.to_thread(pages_of, await page.pdf(prefer_css_page_size=True))
        for said in ("the boatman", "Where backups lie", "pool skerry", "guest hide-hub"):
            assert said in words
    finally:
        await context.close()
        await served.cleanup()


async def test_the_sheet_without_a_configuration(page: Open) -> None:
    """What is seen is on it all the same."""
    text = await (await (await page(readstore.full())).get("/sheet")).text()
    assert "nobody is named in the configuration" in text
    assert "pool skerry" in text
    assert "<code>watchkeeper status</code>" in text
    assert "`" not in text


async def test_both_are_in_the_api(page: Open) -> None:
    """With the words of the pages, which link to them."""
    client = await page(readstore.full(), facts=lambda: HOUSE)
    month = await (await client.get("/api/v1/report?month=2026-11")).json()
    assert month["title"] == "Report of gannet for November 2026"
    assert "This page as JSON" in (text := await (await client.get("/report?month=2026-11")).text())
    assert 'href="/api/v1/report?month=2026-11"' in text
    assert (await client.get("/api/v1/report?month=2026-12")).status == 400
    found = await (await client.get("/api/v1/sheet")).json()
    parts = {each["heading"]: each["lines"] for each in found["sections"]}
    assert any("the boatman" in each for each in parts["Whom to call"])
    assert 'href="/api/v1/sheet"' in await (await client.get("/sheet")).text()


async def test_who_stands_in_is_on_the_page(page: Open) -> None:
    """While it lasts, with the note as text; what is still to come is in the API as well."""
    now = StandIn("neighbour", NOW - DAY, NOW + DAY, note="<b>the key</b>")
    facts = replace(HOUSE, away=(now, StandIn("warden", NOW + DAY, NOW + 2 * DAY), StandIn("boatman", NOW - DAY, NOW)))
    client = await page(readstore.calm(), facts=lambda: facts)
    text = await (await client.get("/")).text()
    assert "Messages also go to <bdi>neighbour, until " in text
    assert "&lt;b&gt;the key" in text
    assert "warden" not in text
    found = (await (await client.get("/api/v1/status")).json())["stand_ins"]
    assert [(each["notifier"], each["at_least"]) for each in found] == [("neighbour", "warning"), ("warden", "warning")]
    assert found[0]["note"] == "<b>the key</b>"
    assert "stands in: neighbour" in await (await client.get("/sheet")).text()
