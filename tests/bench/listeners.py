"""Prints what browsers that stay open cost: `python -m tests.bench.listeners`.

A server process of its own with a board of 300 subjects; readers in this process hold streams of changes open. Its
processor time is read from /proc, for a while in which nothing changes and for one with a change every second. The
figures hold on any machine as shares of a core; nothing is drawn by a browser here.
"""

import asyncio
import subprocess
import sys

import aiohttp
import psutil

from tests.support import readstore
from tests.web.conftest import app_of
from watchkeeper.web.server import serve
from watchkeeper.web.settings import PageSettings

BROWSERS = 50
WATCH_S = 30.0


async def server(*, busy: bool) -> None:
    """Serve until the process is ended; print the address first."""
    store = readstore.crowd(300)
    served = await serve(app_of(store), PageSettings(port=0))
    print(served.address, flush=True)
    while True:
        await asyncio.sleep(1)
        store.version += busy


async def listen(session: aiohttp.ClientSession, address: str, told: list[float]) -> None:
    """One browser: it loads the page, hears of changes, and loads it again after each."""
    async with session.get(address) as page:
        await page.read()
    async with session.get(f"{address}api/v1/stream") as stream:
        async for line in stream.content:
            if line.startswith(b"event"):
                told.append(asyncio.get_running_loop().time())
                async with session.get(address) as page:
                    await page.read()


async def watch(*, busy: bool) -> tuple[float, int]:
    """(share of a core that the server took, events heard)."""
    words = [sys.executable, "-m", "tests.bench.listeners", "busy" if busy else "quiet"]
    process = await asyncio.create_subprocess_exec(*words, stdout=subprocess.PIPE)
    assert process.stdout is not None
    address = (await process.stdout.readline()).decode().strip()
    told: list[float] = []
    connector = aiohttp.TCPConnector(limit=0)
    async with aiohttp.ClientSession(connector=connector, timeout=aiohttp.ClientTimeout(total=None)) as session:
        readers = [asyncio.create_task(listen(session, address, told)) for _ in range(BROWSERS)]
        await asyncio.sleep(3)
        told.clear()
        known = psutil.Process(process.pid)
        before = known.cpu_times()
        await asyncio.sleep(WATCH_S)
        after = known.cpu_times()
        for reader in readers:
            reader.cancel()
        await asyncio.gather(*readers, return_exceptions=True)
    process.terminate()
    await process.wait()
    return (after.user + after.system - before.user - before.system) / WATCH_S, len(told)


async def main() -> None:
    """Measure quiet and busy."""
    for busy in (False, True):
        share, events = await watch(busy=busy)
        what = "a change every second" if busy else "nothing changes"
        print(f"{BROWSERS} browsers, {what}: {share * 100:.2f} % of a core, {events / BROWSERS:.1f} events each")


if __name__ == "__main__":
    asyncio.run(server(busy=sys.argv[1] == "busy") if len(sys.argv) > 1 else main())
