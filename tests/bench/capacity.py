"""What an answer to `watchkeeper capacity` costs with a year of history. Prints figures only.

Run it as `.venv/bin/python tests/bench/capacity.py`. A database of a year as keeping leaves it (a fortnight of
samples at one a minute, hours before) for two pools, then parts of one answer for both of them by the clock.

- samples: reading one pool's year. grown: making its history of it, and taking that apart.
- answer: the arithmetic alone, for a pool that fills within months and one that never does (all ten years are drawn).
- room: everything, as the command and the page ask it.
"""

import asyncio
import sys
import tempfile
from collections.abc import Sequence
from datetime import timedelta
from pathlib import Path
from time import perf_counter, process_time

import numpy as np

from tests.planning.houses import GIB, HOUSE, NOW, POOL, THIN, TIB
from watchkeeper.config.paths import StoreSettings
from watchkeeper.inventory.capacity import room
from watchkeeper.inventory.growth import RECORD, grown
from watchkeeper.model.observation import Level, SeriesKey
from watchkeeper.model.records import Commit, Seen
from watchkeeper.planning.capacity import decide
from watchkeeper.planning.capacity.answer import Limits, Recorded
from watchkeeper.planning.capacity.question import Question
from watchkeeper.settings import known_model
from watchkeeper.store import Store

QUESTION = Question(disk_bytes=32 * GIB, memory_bytes=2 * GIB, cpus=2, grows_bytes_per_day=GIB / 4)
MEMORY = SeriesKey("memory", "in use")


def levels(key: SeriesKey, per_day: float, now: float, capacity: float) -> Sequence[Seen]:
    """A year: hourly at first, at one a minute for the last fortnight."""
    ago_d = np.concatenate((np.arange(365, 14, -1 / 24), np.arange(14, 0, -1 / 1440)))
    noise = np.random.default_rng(1).normal(0, 0.2 * GIB, len(ago_d))
    used = now - per_day * ago_d + noise
    return [
        Seen(NOW - timedelta(days=float(d)), Level(key, float(u), capacity), "skerry", 60.0)
        for d, u in zip(ago_d, used, strict=True)
    ]


async def filled(path: Path) -> Store:
    """The database."""
    store = await Store.open(path)
    for key, per_day, now, capacity in (
        (POOL.key, GIB, 600 * GIB, TIB),
        (THIN.key, 0.0, 50 * GIB, 200 * GIB),
        (MEMORY, 0.0, 9 * GIB, 16 * GIB),
    ):
        await store.commit(Commit(seen=tuple(levels(key, per_day, now, capacity))))
    return store


async def main() -> int:
    """Measure each part three times, and print the least."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "watchkeeper.db"
        store = await filled(path)
        settings = known_model()(watch_host=False, store=StoreSettings(path=path))
        samples = await store.samples(POOL.key, NOW - RECORD, NOW)
        growth, recorded_d = grown(samples, NOW.timestamp())
        still, _ = grown(await store.samples(THIN.key, NOW - RECORD, NOW), NOW.timestamp())
        record = {POOL.key: Recorded(growth, recorded_d), THIN.key: Recorded(still, recorded_d)}
        print(f"{len(samples):,} samples of a pool, {path.stat().st_size / 2**20:.0f} MiB of database")
        for name in ("samples", "grown", "answer", "room"):
            took = []
            for _ in range(3):
                begin, busy = perf_counter(), process_time()
                if name == "samples":
                    await store.samples(POOL.key, NOW - RECORD, NOW)
                elif name == "grown":
                    grown(samples, NOW.timestamp())
                elif name == "answer":
                    decide.answer(QUESTION, HOUSE, record, None, Limits())
                else:
                    await room(settings, store, HOUSE, QUESTION)
                took.append((process_time() - busy, perf_counter() - begin))
            print(f"{name:8} {min(took)[0]:.3f} s of processor time, {min(took)[1]:.3f} s by the clock")
        await store.close()
    return 0


if __name__ == "__main__":
    sys.exit(asyncio.run(main()))
