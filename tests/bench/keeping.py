"""How large a year of 300 series at one minute is under the default keeping, how fast any week of it is read, and how
long the daemon's start takes with it. Prints figures; asserts nothing.

Run it as `.venv/bin/python tests/bench/keeping.py [folder]`; it takes a few minutes. To reach: at most 400 MB, any
week's chart in at most 20 ms.

How the year is made: hour by hour, in the order of time, for all series, through the chores that the daemon's keeping
uses, so that rows come into the tables in the order in which they do in a house. What is older than the samples that
are kept comes at ten minutes and not at one: its hours are as many and as large, and it takes a tenth of the time. The
days that are kept as samples come at one minute.
"""

import asyncio
import sqlite3
import sys
import tempfile
from collections.abc import Awaitable, Callable, Sequence
from datetime import UTC, datetime, timedelta
from functools import partial
from pathlib import Path
from random import Random
from time import perf_counter, process_time

import numpy as np

from watchkeeper.config.paths import StoreSettings
from watchkeeper.forecast.history import LevelHistory
from watchkeeper.model.observation import Level, SeriesKey
from watchkeeper.model.records import Commit, Seen
from watchkeeper.model.units import DAY_S
from watchkeeper.store import Store
from watchkeeper.store import connection as database
from watchkeeper.store.history.rollup import fold_samples
from watchkeeper.store.rows.timestamps import to_ms
from watchkeeper.store.store import KEEP_STEP

SERIES = 300
END = datetime(2027, 3, 1, tzinfo=UTC)
YEAR = timedelta(days=365)
HOUR, MINUTE = timedelta(hours=1), timedelta(minutes=1)
BLOCK_BYTES, POOL_BYTES = 4096, 4096 * 250_000_000
POINTS = 400
ROUNDS = 5


def key(number: int) -> SeriesKey:
    return SeriesKey(f"data set skerry/nest-cams/{number}", "space")


def used(rng: np.random.Generator, at_s: float, growth: np.ndarray) -> Sequence[float]:
    """Levels of about 1 TB in whole blocks that grow by some GB a day, with what a busy host writes and deletes."""
    blocks = 1.2e8 + growth * at_s + rng.normal(0.0, 2000.0, SERIES)
    found: Sequence[float] = (np.rint(blocks) * BLOCK_BYTES).tolist()
    return found


def fill(conn: sqlite3.Connection, kept: timedelta) -> None:
    """Write the year."""
    rng = np.random.default_rng(1)
    growth = rng.uniform(0.0, 12.0, SERIES)
    conn.execute("PRAGMA synchronous = OFF")
    at, start = END - YEAR, END - YEAR
    while at < END:
        every = MINUTE if at >= END - kept - HOUR else 10 * MINUTE
        conn.execute("BEGIN")
        for tick in range(int(HOUR / every)):
            instant = at + tick * every
            values = used(rng, (instant - start).total_seconds(), growth)
            at_ms = to_ms(instant)
            conn.executemany(
                "INSERT INTO samples VALUES (?, ?, ?, ?)",
                [(n + 1, at_ms + 37 * n, value, POOL_BYTES) for n, value in enumerate(values)],
            )
        conn.execute("COMMIT")
        at += HOUR
        keep(conn, min(at, END - kept))


def keep(conn: sqlite3.Connection, before: datetime) -> None:
    """What the daemon's keeping does, in as small steps; what the bulk is not slowed by is that each is a commit."""
    chore, after = fold_samples(before), 0
    conn.execute("BEGIN")
    while True:
        step = chore(conn, KEEP_STEP, after)
        if step.after is None:
            break
        after = step.after
    conn.execute("COMMIT")


def sizes(conn: sqlite3.Connection) -> None:
    """Print the bytes of each table."""
    for name, size, payload, cells in conn.execute(
        "SELECT name, sum(pgsize), sum(payload), sum(ncell) FROM dbstat GROUP BY name ORDER BY 2 DESC LIMIT 3"
    ):
        each = f"{payload / cells:.1f} bytes, {size / cells:.1f} as stored"
        print(f"  {name:10} {size / 1e6:7.1f} MB, {cells} rows of {each}")


async def read(path: Path) -> None:
    """Print how long reading takes."""
    async with await Store.open(path) as store:
        now = END
        chance = Random(1)
        weeks = [now - timedelta(days=7), now - timedelta(days=17), now - timedelta(days=300)]
        for name, start in zip(("the newest week", "half hours", "of hours"), weeks, strict=True):
            asked = key(chance.randrange(SERIES))
            query = partial(store.samples_thinned, asked, start, start + timedelta(days=7), POINTS)
            print(f"  {name:16} thinned {await best(query)},", end="")
            whole = partial(store.samples, asked, start, start + timedelta(days=7))
            print(f" all samples {await best(whole)}")
        year = partial(store.samples_thinned, key(3), now - YEAR, now, POINTS)
        print(f"  {'the year':16} thinned {await best(year)}")
        began, worked = perf_counter(), process_time()
        samples = sum([len(level.at_s) async for level in store.level_samples(now - YEAR)])
        print(f"  reading what {SERIES} histories keep ({samples} samples): {since(began, worked)}")
        began, worked = perf_counter(), process_time()
        async for level in store.level_samples(now - YEAR):
            LevelHistory().extend(level.at_s, level.used, level.capacity)
        print(f"  reading and filling them: {since(began, worked)}")
    began, worked = perf_counter(), process_time()
    async with await Store.open(path, repair_at=now):
        print(f"  opening with the check for damage: {since(began, worked)}")


def since(began: float, worked: float) -> str:
    """What has passed, by the clock and in processor time."""
    return f"{perf_counter() - began:.2f} s ({process_time() - worked:.2f} of processor time)"


async def best(query: Callable[[], Awaitable[object]]) -> str:
    """The best of some rounds, by the clock and in processor time of all threads."""
    times, work = [], []
    for _ in range(ROUNDS):
        began, worked = perf_counter(), process_time()
        await query()
        times.append(perf_counter() - began)
        work.append(process_time() - worked)
    return f"{1000 * min(times):6.1f} ms ({1000 * min(work):.1f} of processor time)"


async def name_series(path: Path) -> None:
    """Make the series, as their first sample does."""
    async with await Store.open(path) as store:
        at = END - YEAR - HOUR
        seen = [Seen(at, Level(key(n), 1.0, float(POOL_BYTES)), "data sets", 60.0) for n in range(SERIES)]
        await store.commit(Commit(seen=tuple(seen)))


def main() -> None:
    """Print all figures."""
    settings = StoreSettings()
    with tempfile.TemporaryDirectory(dir=sys.argv[1] if len(sys.argv) > 1 else None) as folder:
        path = Path(folder) / "watchkeeper.db"
        asyncio.run(name_series(path))
        conn = database.open_writing(path)
        began = perf_counter()
        fill(conn, timedelta(seconds=settings.samples))
        print(f"a year of {SERIES} series, samples kept for {settings.samples / DAY_S:.0f} days", end="")
        print(f" (made in {perf_counter() - began:.0f} s):")
        sizes(conn)
        conn.close()
        print(f"  the file   {path.stat().st_size / 1e6:7.1f} MB")
        asyncio.run(read(path))


if __name__ == "__main__":
    main()
