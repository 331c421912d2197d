"""The pages in a real browser: Debian's Chromium, headless, with JavaScript switched off."""

from dataclasses import dataclass, field
from itertools import pairwise
from typing import Literal

import pytest
from playwright.async_api import Browser, Page

from tests.support import readstore
from tests.web.conftest import app_of
from watchkeeper.web.server import serve
from watchkeeper.web.settings import PageSettings

Scheme = Literal["light", "dark"]
STATES = ("calm", "filling", "full", "fresh", "crowd")
PATHS = ("", "events", "subjects/1", "subjects/13?span=6w", "subjects/7", "subjects/17?span=2d", "nothing")

pytestmark = [pytest.mark.browser, pytest.mark.slow, pytest.mark.timeout(300)]


@dataclass
class Watched:
    """A page whose console and requests are written down."""

    page: Page
    address: str
    complaints: list[str] = field(default_factory=list)
    requests: list[str] = field(default_factory=list)

    def listen(self) -> None:
        """Write down what the page complains about and asks for."""
        self.page.on("console", lambda m: self.complaints.append(m.text) if m.type in {"error", "warning"} else None)
        self.page.on("pageerror", lambda e: self.complaints.append(str(e)))
        self.page.on("request", lambda r: self.requests.append(r.url))


async def _visit(browser: Browser, state: str, width: int, scheme: Scheme, paths: tuple[str, ...]) -> list[Watched]:
    """Open each path of a state once; everything is closed again but what was written down."""
    served = await serve(app_of(getattr(readstore, state)()), PageSettings(port=0))
    context = await browser.new_context(
        viewport={"width": width, "height": 800},
        java_script_enabled=False,
        color_scheme=scheme,
    )
    visited = []
    try:
        for path in paths:
            one = Watched(await context.new_page(), served.address)
            one.listen()
            await one.page.goto(served.address + path)
            await _holds(one, width)
            visited.append(one)
    finally:
        await context.close()
        await served.cleanup()
    return visited


async def _holds(one: Watched, width: int) -> None:
    """The page is no wider than the screen; no two lines of the time left overlap, and none of their words leave it."""
    scroll = await one.page.evaluate("document.documentElement.scrollWidth")
    assert scroll <= width, f"{one.page.url} is {scroll} px wide at {width} px"
    boxes = [b for row in await one.page.locator(".row").all() if (b := await row.bounding_box())]
    for above, below in pairwise(boxes):
        assert above["y"] + above["height"] <= below["y"] + 0.5
    for word in await one.page.locator(".row .word").all():
        box = await word.bounding_box()
        assert box is None or box["x"] + box["width"] <= width


@pytest.mark.parametrize(("width", "scheme"), [(320, "light"), (390, "dark"), (1280, "light")])
async def test_board_in_a_browser(chromium: Browser, width: int, scheme: Scheme) -> None:
    """In every state and on every screen: no complaint, no request to elsewhere, no sideways scroll, no overlap."""
    for state in STATES:
        for one in await _visit(chromium, state, width, scheme, ("",)):
            assert one.complaints == []
            assert len(one.requests) >= 2
            assert all(url.startswith(one.address) for url in one.requests)


@pytest.mark.parametrize("width", [320, 1280])
async def test_other_pages_in_a_browser(chromium: Browser, width: int) -> None:
    """The other pages keep the same rules; only the missing one is complained about, as what it is."""
    for one in await _visit(chromium, "full", width, "light", PATHS):
        assert [c for c in one.complaints if "404" not in c] == []
        assert all(url.startswith(one.address) for url in one.requests)


async def test_marks_are_where_their_words_are(chromium: Browser) -> None:
    """Each scale is below its own words and as wide as its line, also when the reader's letters are half as large
    again; the names of the times are over their ticks.
    """
    served = await serve(app_of(readstore.filling()), PageSettings(port=0))
    context = await chromium.new_context(viewport={"width": 390, "height": 800})
    try:
        page = await context.new_page()
        await page.goto(served.address)
        for size in ("100%", "150%"):
            await page.evaluate("size => document.documentElement.style.fontSize = size", size)
            lines = await page.evaluate(
                """() => [...document.querySelectorAll('.row')].map(row => {
                    const [a, b] = [row.querySelector('.what'), row.querySelector('.scale')].map(
                        e => e.getBoundingClientRect());
                    return [b.top - a.bottom, b.width - row.getBoundingClientRect().width]; })"""
            )
            assert len(lines) > 5
            assert all(0 <= gap < 8 and abs(narrower) < 1 for gap, narrower in lines)
    finally:
        await context.close()
        await served.cleanup()


@pytest.mark.parametrize("width", [390, 1280, 2560])
async def test_five_type_sizes_and_large_buttons(chromium: Browser, width: int) -> None:
    """No more than five sizes, none under 13 px; buttons fit a thumb."""
    served = await serve(app_of(readstore.full()), PageSettings(port=0))
    context = await chromium.new_context(viewport={"width": width, "height": 800})
    try:
        page = await context.new_page()
        await page.goto(served.address)
        sizes = await page.evaluate(
            """() => [...new Set([...document.querySelectorAll('body *')].filter(e => e.getClientRects().length &&
                [...e.childNodes].some(n => n.nodeType === 3 && n.textContent.trim())).map(
                e => parseFloat(getComputedStyle(e).fontSize)))]"""
        )
        assert len(sizes) <= 5
        assert min(sizes) >= 13
        heights = await page.evaluate(
            "() => [...document.querySelectorAll('button, summary, nav a, .button')]"
            ".filter(e => e.getClientRects().length).map(e => e.getBoundingClientRect().height)"
        )
        assert min(heights) >= 43.5
    finally:
        await context.close()
        await served.cleanup()


async def test_keyboard_alone(chromium: Browser) -> None:
    """The first stop of the tab key is the way past the head, every stop can be seen, and a fold opens with Enter."""
    served = await serve(app_of(readstore.calm()), PageSettings(port=0))
    context = await chromium.new_context(viewport={"width": 390, "height": 800})
    try:
        page = await context.new_page()
        await page.goto(served.address)
        await page.keyboard.press("Tab")
        assert await page.evaluate("document.activeElement.className") == "skip"
        stops = await page.locator("a, summary").count()
        for _ in range(stops - 1):
            outline = await page.evaluate("getComputedStyle(document.activeElement).outlineStyle")
            assert outline == "solid"
            if await page.evaluate("document.activeElement.matches('.well summary')"):
                break
            await page.keyboard.press("Tab")
        await page.keyboard.press("Enter")
        assert await page.locator("details.well[open]").count() == 1
    finally:
        await context.close()
        await served.cleanup()
