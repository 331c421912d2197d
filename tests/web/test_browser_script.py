"""The pages in Chromium with their script: staying up to date, reading charts off, acting; and acting without it."""

import asyncio
import re
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import AsyncExitStack
from dataclasses import dataclass, field, replace
from pathlib import Path

import pytest
import pytest_asyncio
from playwright.async_api import Browser, Page

from tests.support import readstore
from tests.support.acting import PASSWORD, ActingDouble, password_file
from tests.web.conftest import app_of, closed
from watchkeeper.model.alert import State
from watchkeeper.web.http import event_stream
from watchkeeper.web.server import Served, serve
from watchkeeper.web.settings import PageSettings

pytestmark = [pytest.mark.browser, pytest.mark.slow, pytest.mark.timeout(300)]


@dataclass
class Screen:
    """A page on a served store, with what it complained about and asked for."""

    page: Page
    served: Served
    acting: ActingDouble
    complaints: list[str] = field(default_factory=list)
    requests: list[str] = field(default_factory=list)

    async def go(self, path: str = "") -> None:
        """Open a page."""
        await self.page.goto(self.served.address + path, wait_until="load")

    async def has(self, words: str) -> None:
        """Wait until the page says this."""
        await self.page.get_by_text(words).first.wait_for(timeout=60_000)

    async def listens(self) -> None:
        """Wait until the page's stream of changes is open."""
        async with asyncio.timeout(60):
            while not self.served.runner.app[event_stream.EVENT_STREAM]._listeners:  # noqa: ASYNC110  the server tells nobody of it
                await asyncio.sleep(0.02)
        await asyncio.sleep(0.02)  # the look at the store's number begins in the same moment


Show = Callable[..., Awaitable[Screen]]


@pytest_asyncio.fixture(loop_scope="session")
async def show(chromium: Browser, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> AsyncIterator[Show]:
    """Opens a page of the filling state; nothing may be complained about or asked of elsewhere."""
    monkeypatch.setattr(event_stream, "LOOK_S", 0.05)
    monkeypatch.setattr(event_stream, "REST_S", 0.1)
    shown: list[Screen] = []
    async with AsyncExitStack() as stack:

        async def make(*, script: bool = True, width: int = 1_280, prefix: str = "", zone: str = "UTC") -> Screen:
            store = readstore.filling()
            acting = ActingDouble(store)
            settings = PageSettings(port=0, prefix=prefix, password=password_file(tmp_path))
            served = await serve(app_of(store, settings, acting=acting), settings)
            stack.push_async_callback(served.cleanup)
            context = await chromium.new_context(
                java_script_enabled=script, viewport={"width": width, "height": 900}, timezone_id=zone
            )
            stack.push_async_callback(closed, context)
            screen = Screen(await context.new_page(), served, acting)
            screen.page.on(
                "console",
                lambda m: screen.complaints.append(m.text) if m.type in {"error", "warning"} else None,
            )
            screen.page.on("pageerror", lambda e: screen.complaints.append(str(e)))
            screen.page.on("request", lambda r: screen.requests.append(r.url))
            shown.append(screen)
            return screen

        yield make
    for each in shown:
        assert each.complaints == []
        assert all(url.startswith(each.served.address) for url in each.requests)


async def test_board_stays_up_to_date(show: Show) -> None:
    """A change shows without loading the page: opened folds stay open, and the focus stays where it was."""
    screen = await show()
    await screen.go()
    await screen.page.locator("details.well summary").first.click()
    link = screen.page.locator(".rows a").first
    href = await link.get_attribute("href")
    await link.focus()
    store = screen.acting.store
    store.note(store.now, "Hides closed for the winter.")
    store.raised = [a if a.state is not State.ACTIVE else replace(a, state=State.ACKNOWLEDGED) for a in store.raised]
    await screen.listens()
    store.version += 1
    await screen.has("Hides closed for the winter.")
    await screen.has("Nothing new needs you")
    assert await screen.page.title() == "Nothing new needs you, gannet"
    assert await screen.page.locator("#live").text_content() == "Nothing new needs you"
    assert await screen.page.locator("details.well[open]").count() == 1
    assert await screen.page.evaluate("document.activeElement.getAttribute('href')") == href
    assert sum(url.endswith(screen.served.address) for url in screen.requests) == 2


class Presses:
    """The keys that are pressed on a page, counted; the letters of the password are not."""

    def __init__(self, screen: Screen) -> None:
        self.screen, self.count = screen, 0

    async def press(self, *keys: str) -> None:
        """Press keys one after the other."""
        for key in keys:
            await self.screen.page.keyboard.press(key)
            self.count += 1

    async def is_on(self, words: str) -> None:
        """Check that the focus is on a button or link with these words."""
        assert words in await self.screen.page.evaluate("document.activeElement.textContent")


@pytest.mark.parametrize("script", [True, False])
async def test_few_keys_to_acknowledge(show: Show, script: bool) -> None:  # noqa: FBT001
    """From a fresh board to acknowledged: at most ten presses, at most four if signed in; the focus is never lost."""
    screen = await show(script=script)
    await screen.go()
    keys = Presses(screen)
    await keys.press("Tab", "Enter", "Tab")
    await keys.is_on("Sign in to acknowledge")
    await keys.press("Enter")
    await screen.page.wait_for_url("**/operator?back=")
    for _ in range(1200):  # the address is there before the field has the focus
        if await screen.page.evaluate("document.activeElement && document.activeElement.type") == "password":
            break
        await asyncio.sleep(0.05)
    await screen.page.keyboard.type(PASSWORD)
    await keys.press("Enter")
    await screen.has("You are signed in.")
    await keys.press("Tab")
    await keys.is_on("Acknowledge")
    await keys.press("Enter")
    await screen.has("Acknowledged: pool skerry")
    assert keys.count <= 10
    if script:  # without a script a browser moves the focus only where it was asked to before: see the next line
        assert "Acknowledged: pool skerry" in await screen.page.evaluate("document.activeElement.textContent")
    await screen.go()
    again = Presses(screen)
    await again.press("Tab", "Enter", "Tab")
    await again.is_on("Acknowledge")
    await again.press("Enter")
    await screen.has("Acknowledged: snapshots of nest-cams")
    assert again.count <= 4


async def test_a_change_that_needs_nobody_is_not_spoken(show: Show) -> None:
    """The live region says only what changes the first sentence; a new journal line is none of that."""
    screen = await show()
    await screen.go()
    await screen.listens()
    screen.acting.store.note(screen.acting.store.now, "Hides closed for the winter.")
    screen.acting.store.version += 1
    await screen.has("Hides closed for the winter.")
    assert await screen.page.locator("#live").text_content() == ""


async def test_what_is_being_typed_is_left_alone(show: Show) -> None:
    """While a note is being written the page does not change under the operator's hands."""
    screen = await show()
    await screen.go("operator")
    await screen.page.fill("#password", PASSWORD)
    await screen.page.click("button:has-text('Sign in')")
    await screen.go("subjects/13")
    await screen.page.fill("#text", "half a se")
    screen.acting.store.note(screen.acting.store.now, "Another line.", key=screen.acting.store.all_series[12].key)
    await screen.listens()
    screen.acting.store.version += 1
    await asyncio.sleep(0.7)
    assert await screen.page.input_value("#text") == "half a se"
    await screen.page.fill("#text", "")
    await screen.page.locator("h1").click()
    await screen.page.evaluate("document.activeElement.blur()")
    await screen.has("Another line.")


async def test_chart_is_read_off(show: Show) -> None:
    """The pointer over a chart tells the instant, in the host's time, and the value; leaving it tells nothing."""
    screen = await show(zone="America/New_York")
    await screen.go("subjects/13?span=6w")
    chart = screen.page.locator("svg.chart.wide")
    await chart.scroll_into_view_if_needed()
    box = await chart.bounding_box()
    assert box is not None
    await screen.page.mouse.move(box["x"] + box["width"] * 0.5, box["y"] + box["height"] * 0.5)
    told = await screen.page.locator("output.reading.wide").text_content()
    assert told is not None
    assert re.fullmatch(r"\w{3} \d+ \w{3} \d\d:\d\d  1\.\d+ TiB", told), told
    await screen.page.mouse.move(1, 1)
    assert await screen.page.locator("output.reading.wide").text_content() == ""
    assert "in your time zone" in (await screen.page.locator(".asof time").get_attribute("title") or "")


async def test_stretch_is_chosen_with_a_drag(show: Show) -> None:
    """Dragging over a chart draws that stretch alone; the spans lead back."""
    screen = await show()
    await screen.go("subjects/13?span=6w")
    chart = screen.page.locator("svg.chart.wide")
    await chart.scroll_into_view_if_needed()
    box = await chart.bounding_box()
    assert box is not None
    middle = box["y"] + box["height"] * 0.5
    await screen.page.mouse.move(box["x"] + box["width"] * 0.3, middle)
    await screen.page.mouse.down()
    await screen.page.mouse.move(box["x"] + box["width"] * 0.4, middle, steps=3)
    async with screen.page.expect_navigation():
        await screen.page.mouse.up()
    assert "since=2026-" in screen.page.url
    assert "until=2026-" in screen.page.url
    await screen.has("From ")
    await screen.page.click("nav[aria-label='Period'] a:has-text('10 days')")
    assert screen.page.url.endswith("?span=10d")


async def test_lost_connection_is_told(show: Show) -> None:
    """When the daemon is gone the page says since when what stands there may no longer be so."""
    screen = await show()
    await screen.go()
    await screen.listens()
    await screen.served.cleanup()
    await screen.page.locator("#lost:not([hidden])").wait_for(timeout=60_000)
    assert "no connection since" in (await screen.page.locator("#lost").text_content() or "")
    screen.complaints.clear()


@pytest.mark.parametrize("script", [True, False])
async def test_everything_the_keeper_does(show: Show, *, script: bool) -> None:
    """Signing in, acknowledging, setting aside, noting, running and trying work by plain forms, with a prefix too."""
    screen = await show(script=script, prefix="/watch", width=390)
    page = screen.page
    await screen.go("operator")
    await page.fill("#password", "not the password")
    await page.click("button:has-text('Sign in')")
    await screen.has("Wrong password.")
    screen.complaints.clear()  # the browser notes the 403
    await page.fill("#password", PASSWORD)
    await page.click("button:has-text('Sign in')")
    await screen.has("You are signed in.")
    await page.click("nav a:has-text('Status')")
    await page.click(
        "button[aria-label='Acknowledge: pool skerry, full'], button[aria-label^='Acknowledge: pool skerry']"
    )
    await screen.has("Acknowledged: ")
    await page.click(".others a:has-text('pool skerry')")
    await page.select_option("select[name=for]", "3d")
    await page.click("button:has-text('Shelve')")
    await screen.has("Shelved for 3 days.")
    await page.click("button:has-text('Unshelve')")
    await screen.has("No longer shelved.")
    await page.fill("#text", "Ordered a disk.")
    await page.click("button:has-text('Add note')")
    await screen.has("Noted in the event log.")
    await page.click("nav a:has-text('Actions')")
    await page.select_option("#probe", "hide-hub")
    await page.click("button:has-text('Run')")
    await screen.has("hide-hub ran.")
    await page.click("button:has-text('Send')")
    await screen.has("A test message went to mail.")
    await page.click("button:has-text('Sign out')")
    await page.click("nav a:has-text('Sign in')")
    await page.locator("#password").wait_for()
    assert [done[0] for done in screen.acting.done] == ["acknowledge", "shelve", "unshelve", "note", "run", "test"]
    assert page.url.startswith(screen.served.address)
