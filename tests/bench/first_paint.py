"""Prints what a browser needs for the status page, against a static page by hand: `python -m tests.bench.first_paint`.

The static page has the same words under the same headings, in lists and links, with twenty lines of style of its own
and no script; it is made from the page's own text, so that both have the same content. It has the same headers too: for
Cross-Origin-Opener-Policy a browser takes a new process, which costs as much for either page. A second static page is
the status page itself, saved with its style and script, which shows what the server's part is. All are opened in turn
in the same Chromium, each time with an empty cache. First contentful paint is Paint Timing's; bytes are those of all
answers as they were sent. Interactive is when the document can be used: parsed, and its scripts run
(domContentLoadedEventEnd).
"""

import asyncio
import gzip
import re
from html import escape
from html.parser import HTMLParser
from statistics import median
from typing import Any

from aiohttp import web
from playwright.async_api import APIRequestContext, Browser, async_playwright

from tests.support import readstore
from tests.support.readstore import ReadStoreDouble
from tests.web.conftest import ARGUMENTS, CHROMIUM, app_of
from watchkeeper.web.http.middleware import HEADERS
from watchkeeper.web.server import serve
from watchkeeper.web.settings import PageSettings

ROUNDS, FEW = 9, 3
SUBJECTS = (100, 1_000, 5_000)
PORT = PageSettings(port=0)
KEPT = frozenset(
    {"h1", "h2", "h3", "h4", "p", "li", "ul", "ol", "a", "code", "details", "summary", "section", "strong"}
)

STATIC = HEADERS | {"Content-Encoding": "gzip", "Content-Security-Policy": "style-src 'unsafe-inline'"}

STYLE = """body{margin:0 auto;max-width:60rem;padding:0 1rem;font:1rem/1.45 sans-serif;color:#1c252c;background:#faf7f0}
h1{font-size:2rem}h2{font-size:1.3rem}ul,ol{list-style:none;padding:0}li{padding:.3rem 0;border-top:1px solid #cfc7b6}
a{color:#1d4f73}code{background:#f0ebdf}@media(prefers-color-scheme:dark){body{background:#11181d;color:#e9e4d8}}"""

MEASURE = """() => new Promise(done => {
    const take = () => {
        const [page] = performance.getEntriesByType('navigation');
        const paint = performance.getEntriesByName('first-contentful-paint')[0];
        if (!paint || !page.loadEventEnd) { setTimeout(take, 20); return; }
        const all = [page, ...performance.getEntriesByType('resource')];
        done([paint.startTime, page.domContentLoadedEventEnd, all.reduce((n, e) => n + e.encodedBodySize, 0)]);
    };
    take();
})"""


class Plain(HTMLParser):
    """Takes a page's words with their plainest elements."""

    def __init__(self) -> None:
        super().__init__()
        self.parts: list[str] = []
        self._within_svg = 0

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self._within_svg += tag in {"svg", "script", "title"}
        if tag in KEPT and not self._within_svg:
            link = f' href="{escape(dict(attrs).get("href") or "")}"' if tag == "a" else ""
            self.parts.append(f"<{tag}{link}>")

    def handle_endtag(self, tag: str) -> None:
        self._within_svg -= tag in {"svg", "script", "title"}
        if tag in KEPT and not self._within_svg:
            self.parts.append(f"</{tag}>")

    def handle_data(self, data: str) -> None:
        if not self._within_svg:
            self.parts.append(escape(re.sub(r"\s+", " ", data), quote=False))


def by_hand(page: str) -> bytes:
    """The same content as a static page."""
    plain = Plain()
    plain.feed(page)
    head = f'<!doctype html><html lang="en"><meta charset="utf-8"><title>gannet</title><style>{STYLE}</style>'
    return gzip.compress(f"{head}<body>{''.join(plain.parts)}".encode(), 6)


async def static(body: bytes) -> web.Application:
    """A server of ready-made, compressed bytes."""

    async def handler(_request: web.Request) -> web.Response:
        return web.Response(body=body, content_type="text/html", headers=STATIC)

    app = web.Application()
    app.router.add_get("/", handler)
    return app


async def saved(session: APIRequestContext, address: str) -> web.Application:
    """A server of the status page as it was sent, with its style, script and icon."""
    app = web.Application()

    def kept(path: str, body: bytes, headers: dict[str, str]) -> None:
        async def handler(_request: web.Request) -> web.Response:
            return web.Response(body=body, headers=HEADERS | headers)

        app.router.add_get(path, handler)

    for path in ("/", "/static/page.css", "/static/page.js", "/static/icon.svg", "/static/app.webmanifest"):
        answer = await session.get(address.removesuffix("/") + path)
        packed = gzip.compress(await answer.body(), 6)
        kept(path, packed, {"Content-Type": answer.headers["content-type"], "Content-Encoding": "gzip"})
    return app


async def opened(browser: Browser, address: str) -> tuple[float, float, float]:
    """(first contentful paint in ms, interactive in ms, bytes) of one visit with an empty cache."""
    context = await browser.new_context(viewport={"width": 390, "height": 844})
    try:
        page = await context.new_page()
        await page.goto(address, wait_until="load")
        found: Any = await page.evaluate(MEASURE)
        return found[0], found[1], found[2]
    finally:
        await context.close()


async def compare(browser: Browser, name: str, store: ReadStoreDouble, rounds: int) -> None:
    """The pages in turn; the medians, and the ratios to the page by hand and to the saved one."""
    served = await serve(app_of(store), PORT)
    context = await browser.new_context()
    answer = await context.request.get(served.address)
    bare = await serve(await static(by_hand(await answer.text())), PORT)
    same = await serve(await saved(context.request, served.address), PORT)
    await context.close()
    pages = (served, bare, same)
    taken: list[list[tuple[float, float, float]]] = [[], [], []]
    for _ in range(rounds):
        for each, visits in zip(pages, taken, strict=True):
            visits.append(await opened(browser, each.address))
    for each in pages:
        await each.cleanup()
    mine, plain, copy = ([median(column) for column in zip(*each, strict=True)] for each in taken)
    said = [
        f"{what} {a / size:.1f}, by hand {b / size:.1f}, saved {c / size:.1f} {unit} ({a / b:.2f}, {a / c:.2f})"
        for what, a, b, c, size, unit in zip(
            ("paint", "interactive", "bytes"), mine, plain, copy, (1, 1, 1e3), ("ms", "ms", "kB"), strict=True
        )
    ]
    print(f"{name:14} {'; '.join(said)}", flush=True)


async def main() -> None:
    """Measure three states and three sizes."""
    async with async_playwright() as playwright:
        browser = await playwright.chromium.launch(executable_path=CHROMIUM, args=ARGUMENTS)
        for state in ("calm", "filling", "full"):
            await compare(browser, state, getattr(readstore, state)(), ROUNDS)
        for count in SUBJECTS:
            await compare(browser, f"{count} subjects", readstore.crowd(count), FEW)
        await browser.close()


if __name__ == "__main__":
    asyncio.run(main())
