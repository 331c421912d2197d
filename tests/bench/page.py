"""Prints how long the page takes with 300 subjects: `python -m tests.bench.page`.

Figures are medians of one run on one machine. The ratio compares the board with an aiohttp handler that returns the
same bytes ready-made, over one keep-alive connection each, so it means the same on any machine.
"""

import asyncio
from statistics import median

import aiohttp
from aiohttp import web

from tests.support import readstore
from tests.web.conftest import app_of
from watchkeeper.clock import Clock
from watchkeeper.web.serve import serve
from watchkeeper.web.settings import PageSettings

ROUNDS = 60
SUBJECTS = 300


async def timed(session: aiohttp.ClientSession, address: str) -> tuple[float, int]:
    """(median seconds of one request, bytes of the answer)."""
    clock, took, size = Clock(), [], 0
    for _ in range(ROUNDS):
        begun = clock.monotonic_s()
        async with session.get(address) as answer:
            size = len(await answer.read())
        took.append(clock.monotonic_s() - begun)
    return median(took), size


async def ready_made(body: bytes) -> web.Application:
    """An application that returns bytes as they are."""

    async def handler(_request: web.Request) -> web.Response:
        return web.Response(body=body, content_type="text/html")

    app = web.Application()
    app.router.add_get("/", handler)
    return app


async def main() -> None:
    """Measure the board, a subject's year and the board as JSON."""
    settings = PageSettings(port=0)
    served = await serve(app_of(readstore.crowd(SUBJECTS)), settings)
    async with aiohttp.ClientSession() as session:
        async with session.get(served.address) as answer:
            body = await answer.read()
        bare = await serve(await ready_made(body), settings)
        base_s, _ = await timed(session, bare.address)
        for name, path in (("board", ""), ("subject, year", "subjects/1?span=year"), ("board as JSON", "api/v1/board")):
            took_s, size = await timed(session, served.address + path)
            rate = base_s / took_s
            print(f"{name:14} {took_s * 1e3:6.1f} ms {size / 1e3:6.1f} kB {rate:5.2f} of a ready-made answer's rate")
    await served.cleanup()
    await bare.cleanup()


if __name__ == "__main__":
    asyncio.run(main())
