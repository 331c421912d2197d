"""The daemon's process is killed while it writes: no committed unit of work is lost, and none is half stored."""

import os
import signal
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from itertools import takewhile
from pathlib import Path
from random import Random
from time import sleep
from typing import IO

from tests.store.material import DAY, SKERRY, START, asked
from tests.support.processes import started
from watchkeeper.store import Store

ROOT = Path(__file__).parents[2]
KILLS, LIVES = 25, 250
SEED = 20260301

# Imports once and forks for each run, so that 25 runs take seconds. It opens no store itself: forking is safe.
_NURSERY = """
import asyncio, os, sys
from itertools import count
from pathlib import Path
from tests.store.material import HOUR, MINUTE, START, transition
from watchkeeper.store import Store
from watchkeeper.store.history.retention_limits import RetentionLimits

async def write(store, numbers):
    for number in numbers:
        await store.commit(transition(number))
        os.write(1, b"%d\\n" % number)

async def keep(store):
    while True:
        for minutes in (30, 60, 6000):
            old = START + minutes * MINUTE
            await store.keep(RetentionLimits(samples=old, hours=old - 2 * HOUR))

async def live(path, first):
    store = await Store.open(path)
    numbers = count(first)
    kept = [keep(store)] if len(sys.argv) > 2 else []
    await asyncio.gather(*(write(store, numbers) for _ in range(4)), *kept)

for line in sys.stdin:
    pid = os.fork()
    if pid == 0:
        asyncio.run(live(Path(sys.argv[1]), int(line)))
    os.write(1, b"born %d\\n" % pid)
    os.waitpid(pid, 0)
    os.write(1, b"dead\\n")
"""

_ALL_SEEN = """SELECT sum(count), sum(total) FROM (
    SELECT count(*) AS count, sum(value) AS total FROM samples
    UNION ALL SELECT sum(samples), sum(total) FROM hours UNION ALL SELECT sum(samples), sum(total) FROM days)"""
"""How many samples there are, as they came or rolled up, and their sum: one that was lost or counted twice shows."""


@contextmanager
def _nursery(path: Path, *kept: str) -> Iterator[tuple[IO[str], IO[str]]]:
    with started(
        [sys.executable, "-c", _NURSERY, str(path), *kept],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
        cwd=ROOT,
    ) as process:
        assert process.stdin is not None
        assert process.stdout is not None
        yield process.stdin, process.stdout
        process.stdin.close()
        assert process.wait(60) == 0


def _one_life(orders: IO[str], said: IO[str], first: int, wait_s: float) -> list[int]:
    """Let one process write from `first` on, kill it some time after its first commit; returns the reported commits."""
    print(first, file=orders, flush=True)
    born, committed = 0, list[int]()
    while not born or not committed:
        word, _, number = said.readline().strip().partition(" ")
        if word == "born":
            born = int(number)
        else:
            committed.append(int(word))
    sleep(wait_s)
    os.kill(born, signal.SIGKILL)
    return committed + [int(line) for line in takewhile(lambda line: line != "dead\n", said)]


def _numbers(path: Path, sql: str) -> set[int]:
    return {int(float(str(number))) for (number,) in asked(path, sql)}


def _check(path: Path, committed: set[int]) -> int:
    """The database is OK and contains each unit of work whole; returns the highest number in it."""
    assert asked(path, "PRAGMA integrity_check") == [("ok",)]
    assert asked(path, "PRAGMA foreign_key_check") == []
    assert asked(path, "SELECT count(*) FROM samples WHERE series NOT IN (SELECT id FROM series)") == [(0,)]
    told = _numbers(path, "SELECT substr(json_extract(body, '$.text'), 9) FROM events")
    assert told == _numbers(path, "SELECT substr(json_extract(message, '$.thread'), 8) FROM outbox")
    (seen,) = asked(path, _ALL_SEEN)
    assert seen == (len(told), float(sum(told)))
    assert committed <= told
    # Four write at a time, so the last one written is not the highest: the last line of the event log has it.
    last = _numbers(path, "SELECT substr(json_extract(body, '$.text'), 9) FROM events ORDER BY id DESC LIMIT 1")
    assert _numbers(path, "SELECT json_extract(body, '$.episode') FROM alerts") == last
    assert _numbers(path, "SELECT json_extract(observation, '$.used') FROM latest") == last
    return max(told)


async def test_no_turn_is_lost_or_halved_by_a_kill(path: Path) -> None:
    """SIGKILL at random moments while four units of work at a time are being committed.

    Each unit is stored completely or not at all, and everything reported to the writer as committed is there, whole, at
    each following start.
    """
    chance, highest, committed = Random(SEED), 0, set[int]()
    with _nursery(path) as (orders, said):
        for _ in range(KILLS):
            committed |= set(_one_life(orders, said, highest + 1, chance.uniform(0.0, 0.05)))
            highest = _check(path, committed)
    assert len(committed) > KILLS
    async with await Store.open(path) as store:
        assert len(await store.samples(SKERRY, START, START + 365 * DAY)) == len(await store.events(limit=10**6))
        (alert,) = await store.alerts()
        assert alert.episode >= 1


async def test_no_sample_is_lost_or_counted_twice_by_a_kill_while_keeping(path: Path) -> None:
    """The same while samples become hours and hours days all the time.

    Killed between any two steps, each sample is in one place, once.
    """
    chance, highest, committed = Random(SEED + 1), 0, set[int]()
    with _nursery(path, "keeping") as (orders, said):
        for life in range(LIVES):
            committed |= set(_one_life(orders, said, highest + 1, chance.uniform(0.0, 0.05)))
            highest = _check(path, committed)
            # On a busy machine it takes more lives until one was long enough for a day.
            if life + 1 >= KILLS and asked(path, "SELECT count(*) > 0 FROM days") == [(1,)]:
                break
    assert asked(path, "SELECT count(*) > 0 FROM days") == [(1,)]
