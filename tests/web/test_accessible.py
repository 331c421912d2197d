"""Every page in Chromium against axe-core's rules for WCAG 2.2 A and AA, light and dark; and what those leave out."""

import asyncio
import re
import shutil
import subprocess
from collections.abc import Sequence
from itertools import pairwise
from pathlib import Path
from typing import Any, Literal

import pytest
from playwright.async_api import Browser, Page

from tests.support import readstore
from tests.support.acting import PASSWORD, ActingDouble, password_file
from tests.support.needs import need
from tests.support.readstore import ReadStoreDouble
from tests.web.conftest import app_of
from watchkeeper.model.observation import SeriesKey
from watchkeeper.web.server import serve
from watchkeeper.web.settings import PageSettings

AXE = Path(__file__).parent / "node_modules" / "axe-core" / "axe.min.js"
RULES = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22a", "wcag22aa", "best-practice"]
AXE_RUN = """async tags => {
    const found = await axe.run(document, {runOnly: {type: 'tag', values: tags}, resultTypes: ['violations']});
    const words = each => `${each.id}: ${each.nodes[0].html.slice(0, 200)}`;
    return {passes: found.passes.length, violations: found.violations.map(words)};
}"""
"""Only what is read comes back: every node of every rule takes the test longer to read than axe to find."""
PATHS = (
    "",
    "events",
    "subjects/1?span=6w",
    "subjects/7",
    "subjects/13",
    "subjects/14?span=2d",
    "operator",
    "capacity?disk=32GiB&memory=2GiB",
    "preflight?subject=hide-hub",
    "reclaim",
    "backups",
    "nothing",
)

READABLE = """() => {
    const bytes = text => text.match(/[\\d.]+/g).slice(0, 3).map(Number);
    const linear = c => c <= 0.04045 ? c / 12.92 : ((c + 0.055) / 1.055) ** 2.4;
    const light = text => {
        const [r, g, b] = bytes(text).map(c => linear(c / 255));
        return 0.2126 * r + 0.7152 * g + 0.0722 * b; };
    const contrast = (a, b) => {
        const [x, y] = [light(a), light(b)].sort((p, q) => q - p);
        return (x + 0.05) / (y + 0.05); };
    const paper = getComputedStyle(document.body).backgroundColor;
    const found = [];
    for (const text of document.querySelectorAll('main svg text')) {
        text.scrollIntoView({block: 'center'});
        const box = text.getBoundingClientRect(), style = getComputedStyle(text);
        if (!box.width) continue;
        const own = style.strokeWidth.startsWith('4') && style.stroke === paper;
        const across = [0.05, 0.25, 0.5, 0.75, 0.95].flatMap(x => [0.3, 0.6].map(y => [x, y]));
        const under = across.some(([x, y]) => document
            .elementsFromPoint(box.left + x * box.width, box.top + y * box.height)
            .some(e => e.matches('.fan, .absent, .run, .fitted, .stem, rect')));
        found.push([text.textContent, contrast(style.fill, paper), !under || own]);
    }
    return found;
}"""
"""Of each word in a picture: its contrast on paper, and whether paper is behind it: nothing drawn there, or a rim of
paper around each letter. axe leaves text in SVG undecided.
"""

SHIFT = """window.moved = 0;
new PerformanceObserver(list => list.getEntries().forEach(each => { window.moved += each.value; }))
    .observe({type: 'layout-shift', buffered: true})"""
"""Adds up how far what is drawn moves (Layout Instability API)."""

pytestmark = [pytest.mark.browser, pytest.mark.slow, pytest.mark.timeout(300)]


async def violations(page: Page) -> list[str]:
    """What axe finds wrong with a page, each with the first element that it is about."""
    await page.evaluate(AXE.read_text(encoding="utf-8"))
    found: dict[str, Any] = await page.evaluate(AXE_RUN, RULES)
    assert found["passes"] > 10
    return list(found["violations"])


async def look(
    browser: Browser, store: ReadStoreDouble, place: Path, paths: Sequence[str], least: int, **context: Any
) -> list[str]:
    """What is wrong on each path, once as anyone reads it and once as the operator does.

    That is what axe finds, words in pictures that cannot be read (WCAG 2.2, 1.4.3: 4.5 to 1, measured as they are
    drawn), and what moved after it was drawn. least: so many such words are looked at, or the look itself has failed.
    """
    settings = PageSettings(port=0, password=password_file(place))
    served = await serve(app_of(store, settings, acting=ActingDouble(store)), settings)
    opened = await browser.new_context(**context)
    found, words = [], 0
    try:
        page = await opened.new_page()
        await page.add_init_script(SHIFT)
        for signed_in in (False, True):
            if signed_in:
                await page.goto(f"{served.address}operator")
                await page.fill("#password", PASSWORD)
                await page.click("button")
            for path in paths:
                await page.goto(served.address + path)
                if moved := await page.evaluate("window.moved"):
                    found.append(f"{path}: moved by {moved}")
                await page.evaluate("document.querySelectorAll('details').forEach(d => { d.open = true; })")
                found += [f"{path} {each}" for each in await violations(page)]
                drawn = () if signed_in else await page.evaluate(READABLE)
                words += len(drawn)
                found += [
                    f"{path}: {text}, {ratio:.1f} to 1" for text, ratio, clear in drawn if ratio < 4.5 or not clear
                ]
    finally:
        await opened.close()
        await served.cleanup()
    assert words >= least, "too few words in pictures were found: their contrast was not measured"
    return found


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("state", ["filling", "full", "inside", "calm", "fresh"])
async def test_axe_finds_nothing(
    chromium: Browser, tmp_path: Path, state: str, scheme: Literal["light", "dark"]
) -> None:
    """No page violates a rule, with every fold open, signed in or not."""
    need(AXE.exists(), "axe-core is not there (npm ci --prefix tests/web)")
    paths = PATHS if state == "filling" else ("", "subjects/1", "operator") if state != "fresh" else ("", "events")
    store: ReadStoreDouble = getattr(readstore, state)()
    viewport = {"width": 390 if scheme == "dark" else 1_280, "height": 900}
    least = {"filling": 30, "fresh": 0}.get(state, 10)
    assert await look(chromium, store, tmp_path, paths, least, color_scheme=scheme, viewport=viewport) == []


@pytest.mark.parametrize(
    ("state", "read"),
    [
        ("calm", ["Nothing needs you", "Next to fill up: pool skerry, in about 6 months (Sat 15 May)."]),
        (
            "filling",
            ["Warning: Pool skerry will be full in about 3 days", "Likely Sat 28 Nov. Two more things need you."],
        ),
        ("full", ["Alarm: Pool skerry is full. 4 guests and 4 services stopped with it.", "One more thing needs you."]),
        (
            "inside",
            ["Alarm: Pool skerry is full. 4 guests and 4 services stopped with it.", "One more thing needs you."],
        ),
        ("fresh", ["Monitoring has just started", "No readings yet. The first ones arrive within about a minute"]),
    ],
)
async def test_what_a_screen_reader_says_first(chromium: Browser, state: str, read: list[str]) -> None:
    """Behind the way past the head: the priority as a word, what has happened, and what else; no shapes, no legends."""
    served = await serve(app_of(getattr(readstore, state)()), PageSettings(port=0))
    page = await chromium.new_page()
    try:
        await page.goto(served.address)
        said = await page.locator("main").aria_snapshot()
        at = -1
        for each in read:
            assert (at := said.find(each, at + 1)) >= 0, each
        assert [each for each in SILENT if each in said] == []
        levels = [int(each) for each in re.findall(r"\[level=(\d)\]", said)]
        assert levels[0] == 1
        assert all(below <= above + 1 for above, below in pairwise(levels))
    finally:
        await page.close()
        await served.cleanup()


SILENT = ("▲", "None", "undefined", "7 days ago", "bar = 90 %")
"""What is drawn for eyes alone, and what no page may say."""


async def test_axe_would_find_something(chromium: Browser) -> None:
    """The check can fail: a page with a picture without a name is told."""
    need(AXE.exists(), "axe-core is not there (npm ci --prefix tests/web)")
    page = await chromium.new_page()
    await page.set_content("<!doctype html><html><body><img src='x'><p style='color:#aaa'>pale</p></body></html>")
    await page.evaluate(AXE.read_text(encoding="utf-8"))
    found = await page.evaluate("axe.run(document)")
    assert {"image-alt", "html-has-lang"} <= {each["id"] for each in found["violations"]}
    await page.close()


RTL = ("مرصد الطيور", "תחנת הציפורים")
"""An observatory of birds in Arabic; a station of birds in Hebrew."""


@pytest.mark.parametrize(("width", "scale"), [(320, 1), (3_840, 1), (1_280, 2)])
async def test_names_from_right_to_left(chromium: Browser, width: int, scale: int) -> None:
    """Names of either direction keep to themselves: the words beside them stay in order, and nothing overflows."""
    store = readstore.filling()
    for name in RTL:
        store.condition(f"guest {name}", "state")
        store.level(name, "space", 90.0, 100.0, full_in=(readstore.DAY, 2 * readstore.DAY, 3 * readstore.DAY))
    store.note(store.now, f"{RTL[0]} (1) opened again.", key=SeriesKey(RTL[0], "space"))
    served = await serve(app_of(store.settled()), PageSettings(port=0))
    context = await chromium.new_context(viewport={"width": width, "height": 900}, device_scale_factor=scale)
    try:
        page = await context.new_page()
        for path in ("", "events", f"subjects/{RTL[0]}"):
            await page.goto(served.address + path)
            assert await page.evaluate("document.documentElement.scrollWidth") <= width
            isolated = await page.evaluate(
                "name => [...document.querySelectorAll('bdi')].some(e => e.textContent.includes(name))", RTL[0]
            )
            assert isolated
    finally:
        await context.close()
        await served.cleanup()


async def test_print_and_reduced_motion(chromium: Browser) -> None:
    """On paper the folds are open and what can only be pressed is gone; with reduced motion nothing moves."""
    served = await serve(app_of(readstore.filling()), PageSettings(port=0))
    context = await chromium.new_context(reduced_motion="reduce", color_scheme="dark")
    try:
        page = await context.new_page()
        await page.goto(served.address)
        moving = await page.evaluate(
            """() => [...document.querySelectorAll('*')].filter(e => {
                const s = getComputedStyle(e);
                return s.animationName !== 'none' || parseFloat(s.transitionDuration) > 0; }).length"""
        )
        assert moving == 0
        await page.emulate_media(media="print", color_scheme="dark")
        assert await page.evaluate("getComputedStyle(document.body).backgroundColor") == "rgb(255, 255, 255)"
        assert not await page.locator(".mast nav").is_visible()
        assert await page.locator("details.well .plain").first.is_visible()
    finally:
        await context.close()
        await served.cleanup()


async def test_targets_are_large_enough(chromium: Browser, tmp_path: Path) -> None:
    """What is pressed is 24 px high at least (WCAG 2.2, 2.5.8), forms included."""
    settings = PageSettings(port=0, password=password_file(tmp_path))
    store = readstore.filling()
    served = await serve(app_of(store, settings, acting=ActingDouble(store)), settings)
    context = await chromium.new_context(viewport={"width": 320, "height": 800})
    try:
        page = await context.new_page()
        await page.goto(f"{served.address}operator")
        await page.fill("#password", PASSWORD)
        await page.click("button")
        for path in (
            "operator",
            "",
            "subjects/13",
            "capacity?disk=1GiB&written=2GiB",
            "preflight?subject=x&skip=room",
        ):
            await page.goto(served.address + path)
            assert await page.evaluate("document.documentElement.scrollWidth") <= 320
            small = await page.evaluate(
                """() => [...document.querySelectorAll('button, input:not([type=hidden]), select, summary, nav a')]
                    .filter(e => e.checkVisibility() && e.getBoundingClientRect().height < 24).map(e => e.outerHTML)"""
            )
            assert small == []
    finally:
        await context.close()
        await served.cleanup()


async def test_the_tree_by_keyboard_and_as_it_is_read(chromium: Browser) -> None:
    """Nested lists say how deep a line is; a fold opens with Enter, and then holds what is inside the guest."""
    served = await serve(app_of(readstore.inside()), PageSettings(port=0))
    page = await chromium.new_page()
    try:
        await page.goto(served.address)
        read = await page.locator("section.house").aria_snapshot()
        depth = {name: line.index("-") for line in read.splitlines() for name in PATH if f'link "{name}"' in line}
        assert list(depth) == list(PATH)
        assert sorted(set(depth.values())) == list(depth.values())
        fold = page.locator("section.house summary").first
        assert await fold.text_content() == "2 more, as last read"
        await fold.focus()
        await page.keyboard.press("Enter")
        await page.keyboard.press("Tab")
        assert await page.evaluate("document.activeElement.textContent") == "disk"
    finally:
        await page.close()
        await served.cleanup()


PATH = ("pool skerry", "guest hide-hub", "service hide-hub")
"""What is inside what, outermost first."""

LINES = """() => [...document.querySelectorAll('main .thing, main .line, main .tree a, main .others li > a')]
    .filter(e => e.checkVisibility()).map(e => [e.textContent.trim(), e.getBoundingClientRect().height])"""


async def test_lines_are_large_enough_for_a_finger(chromium: Browser) -> None:
    """Under a finger each line of a list is 44 px high; and no date lies over the words beside it."""
    served = await serve(app_of(readstore.full()), PageSettings(port=0))
    waiting = await serve(app_of(readstore.filling()), PageSettings(port=0))
    context = await chromium.new_context(viewport={"width": 390, "height": 844}, has_touch=True, is_mobile=True)
    try:
        page = await context.new_page()
        await page.goto(served.address)
        found = await page.evaluate(LINES)
        assert len(found) > 20
        assert [each for each in found if each[1] < 44] == []
        await page.goto(f"{waiting.address}events")
        assert "Messages that wait" in await page.inner_text("main")
        assert await page.evaluate("[...document.querySelectorAll('.at')].every(e => e.scrollWidth <= e.clientWidth)")
    finally:
        await context.close()
        await served.cleanup()
        await waiting.cleanup()


def first_sheet(document: bytes) -> str:
    """The words on the first sheet of a PDF."""
    command = ["pdftotext", "-f", "1", "-l", "1", "-", "-"]
    return subprocess.run(command, input=document, capture_output=True, check=True, timeout=60).stdout.decode()


async def test_the_first_sheet_is_used(chromium: Browser) -> None:
    """What follows the headline begins on the same sheet of A4, and what can only be pressed is not printed."""
    need(shutil.which("pdftotext"), "pdftotext is not there (Debian: poppler-utils)")
    served = await serve(app_of(readstore.full()), PageSettings(port=0))
    context = await chromium.new_context(viewport={"width": 718, "height": 1_047})
    try:
        page = await context.new_page()
        await page.goto(served.address)
        await page.emulate_media(media="print")
        assert await page.evaluate("getComputedStyle(document.querySelector('.card')).breakInside") == "auto"
        assert not await page.locator("button.notify").is_visible()
        sheet = await page.pdf(format="A4")
        assert "What to do now" in await asyncio.to_thread(first_sheet, sheet)
    finally:
        await context.close()
        await served.cleanup()
