"""A database of the field station with content to salvage, and ways to damage it."""

import asyncio
import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from random import Random

from tests.store.material import HOUR, MINUTE, SKERRY, START, samples, transition
from watchkeeper.model.observation import SeriesKey
from watchkeeper.model.probe_state import JobReport
from watchkeeper.store import Store
from watchkeeper.store.history.retention_limits import RetentionLimits

PAGE = 4096
TIDE_LOG, NEST_CAMS = SeriesKey("pool skerry/tide-log", "space"), SeriesKey("pool skerry/nest-cams", "space")
KEYS = (SKERRY, TIDE_LOG, NEST_CAMS)
COUNT = 6000
TRANSITIONS = 30
FLIPS = 20


def make(path: Path) -> None:
    """Three series of samples, some of them rolled up; alerts, event log and outbox; notes and a check-in."""

    async def fill() -> None:
        async with await Store.open(path) as store:
            for key in KEYS:
                await store.commit(samples(COUNT, key))
            for number in range(1, TRANSITIONS + 1):
                await store.commit(transition(number))
            await store.keep(RetentionLimits(samples=(START + 1000 * MINUTE).replace(minute=0), hours=START + 4 * HOUR))
            await store.probe_states.write("returned", "guests" * 100)
            await store.job_reports.record(JobReport("nightly-backup", START))

    asyncio.run(fill())


def pages(path: Path, table: str) -> list[int]:
    """The pages of a table or an index, its root first."""
    with closing(sqlite3.connect(path)) as conn:
        return [n for (n,) in conn.execute("SELECT pageno FROM dbstat WHERE name = ? ORDER BY path", (table,))]


def overwrite(path: Path, page: int, chance: Random, offset: int = 0, length: int = PAGE) -> None:
    """Overwrite a part of a page with random bytes."""
    with path.open("r+b") as file:
        file.seek((page - 1) * PAGE + offset)
        file.write(chance.randbytes(length))


def noise(path: Path, page: int, chance: Random) -> None:
    """A whole page of noise."""
    overwrite(path, page, chance)


def zeros(path: Path, page: int, _: Random) -> None:
    """A page that was never written."""
    with path.open("r+b") as file:
        file.seek((page - 1) * PAGE)
        file.write(bytes(PAGE))


def flips(path: Path, page: int, chance: Random) -> None:
    """Single bits anywhere in a page."""
    with path.open("r+b") as file:
        file.seek((page - 1) * PAGE)
        content = bytearray(file.read(PAGE))
        for _ in range(FLIPS):
            content[chance.randrange(len(content))] ^= 1 << chance.randrange(8)
        file.seek((page - 1) * PAGE)
        file.write(content)


def torn(path: Path, page: int, chance: Random) -> None:
    """The second half of a page is of another time: a write that a power cut ended."""
    overwrite(path, page, chance, PAGE // 2, PAGE // 2)


HARMS: tuple[Callable[[Path, int, Random], None], ...] = (noise, zeros, flips, torn)


def truncate(path: Path, share: float) -> None:
    """Cut off the end."""
    with path.open("r+b") as file:
        file.truncate(int(path.stat().st_size * share))
