"""Prints how long the page takes with 100 to 5,000 subjects: `python -m tests.bench.page`.

Figures are medians of one run on one machine. The ratio compares each answer with an aiohttp handler that returns the
same bytes ready-made, over one keep-alive connection each, so it means the same on any machine. "made again" is the
time of the first answer after the store has changed; the year is one of one-minute samples in a real database.
"""

import asyncio
import gzip
import math
import tempfile
from datetime import UTC, timedelta
from pathlib import Path
from statistics import median

import aiohttp
from aiohttp import web

from tests.support import readstore
from tests.web.conftest import FixedClock, FixedVitals, app_of
from watchkeeper.clock import Clock
from watchkeeper.model.observation import Level, SeriesKey, Unit
from watchkeeper.model.records import Commit, Seen
from watchkeeper.store.history.retention_limits import RetentionLimits
from watchkeeper.store.store import Store
from watchkeeper.web.app import make_app
from watchkeeper.web.server import serve
from watchkeeper.web.settings import PageSettings

ROUNDS, FEW = 300, 15
SUBJECTS = (100, 300, 1_000, 5_000)
YEAR = timedelta(days=365)
RAW, HOURS = timedelta(days=14), timedelta(days=400)
"""How long samples and hours are kept by default."""
BATCH = 5_000
PORT = PageSettings(port=0)


async def timed(session: aiohttp.ClientSession, address: str, rounds: int = ROUNDS) -> tuple[float, int]:
    """(median seconds of one request, bytes of the answer)."""
    clock, took, size = Clock(), [], 0
    for _ in range(rounds):
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


async def rate(session: aiohttp.ClientSession, address: str) -> str:
    """How an answer compares with the same bytes ready-made, measured one after the other."""
    async with session.get(address) as answer:
        bare = await serve(await ready_made(await answer.read()), PORT)
    base_s, _ = await timed(session, bare.address)
    took_s, size = await timed(session, address)
    await bare.cleanup()
    return f"{took_s * 1e3:6.2f} ms kept {size / 1e3:6.1f} kB {base_s / took_s:5.2f} of a ready-made answer's rate"


async def boards(session: aiohttp.ClientSession) -> None:
    """The status page and its JSON, with few and with very many subjects."""
    for count in SUBJECTS:
        store = readstore.crowd(count)
        served = await serve(app_of(store), PORT)
        for name, path in (("status page", ""), ("status as JSON", "api/v1/status")):
            fresh = []
            for _ in range(FEW):
                store.version += 1
                fresh.append((await timed(session, served.address + path, 1))[0])
            cached = await rate(session, served.address + path)
            packed = len(gzip.compress(await body_of(session, served.address + path), 6))
            print(f"{count:5} {name:14} {median(fresh) * 1e3:6.1f} ms made again {cached}, {packed / 1e3:.1f} kB gzip")
        await served.cleanup()


async def body_of(session: aiohttp.ClientSession, address: str) -> bytes:
    """The bytes of an answer."""
    async with session.get(address) as answer:
        return await answer.read()


async def fill(store: Store, key: SeriesKey) -> None:
    """A year of one-minute samples of a pool that fills and is pruned each night."""
    count = int(YEAR / timedelta(minutes=1))
    for begun in range(0, count, BATCH):
        seen = []
        for i in range(begun, min(begun + BATCH, count)):
            used = 1e12 * (1 + i / count) + 1e11 * math.sin(i / 1_440 * math.tau)
            at = readstore.NOW - YEAR + timedelta(minutes=i)
            seen.append(Seen(at, Level(key, used, 2.2e12, Unit.BYTES), "pool", 60.0))
        await store.commit(Commit(seen=tuple(seen)))


async def years(session: aiohttp.ClientSession, place: Path) -> None:
    """A subject's page over each span, from a real database."""
    async with await Store.open(place / "year.db") as store:
        await fill(store, SeriesKey("pool skerry", "space"))
        await store.keep(RetentionLimits(samples=readstore.NOW - RAW, hours=readstore.NOW - HOURS))
        clock = FixedClock()
        app = make_app(store, PORT, clock, FixedVitals(), "gannet", UTC)
        served = await serve(app, PORT)
        for span in ("2d", "10d", "6w", "all"):
            address = f"{served.address}subjects/1?span={span}"
            # A signed answer would not be kept; another address each time is not kept either.
            fresh = [(await timed(session, f"{address}&n={i}", 1))[0] for i in range(FEW)]
            print(f"subject, {span:5} {median(fresh) * 1e3:6.1f} ms made again {await rate(session, address)}")
        await served.cleanup()


async def main() -> None:
    """Measure the board and a subject's page."""
    async with aiohttp.ClientSession() as session:
        await boards(session)
        with tempfile.TemporaryDirectory() as place:
            await years(session, Path(place))


if __name__ == "__main__":
    asyncio.run(main())
