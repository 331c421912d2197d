"""How fast the store takes and gives samples, against bare sqlite3 in the same run. Prints figures; asserts nothing.

Run it as `.venv/bin/python tests/bench/store.py [folder]`; the folder (default: a temporary one) should be on the disk
whose speed is asked about.

What is compared. Ours is Store.commit(), awaited from an event loop, of turns of ten observations. It writes more than
samples: the newest observation of each series as JSON, and the instant of the turn. So there are two bare loops in the
main thread, both one executemany for each table and turn, in WAL with synchronous=NORMAL as the store has it:

- "same rows": every row that ours writes, into the same tables, made beforehand;
- "samples": the rows of the table of samples alone.

"Alone" awaits each turn before the next, so that each has a transaction of its own and pays for two changes of thread.
"Together" lets the turns of thirty probes that fall due at the same moment wait at the same time; the store puts those
into shared transactions, and the bare loops do the same. Compare like with like: alone with alone, together with
together. Inserting is measured in processor time, of all threads: by the clock, what else the machine does would count
for more than what is compared. "Findings" adds two findings for each observation, which neither bare loop writes.
"""

import asyncio
import gc
import sqlite3
import sys
import tempfile
from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from functools import cache, partial
from itertools import islice
from pathlib import Path
from random import Random
from time import perf_counter, process_time
from typing import Any

from watchkeeper.alerting.rules import FullRule, NotReportingRule, judge_full, judge_not_reporting
from watchkeeper.forecast.forecast import forecast
from watchkeeper.forecast.history import LevelHistory
from watchkeeper.model.finding import Finding
from watchkeeper.model.forecast import Forecast
from watchkeeper.model.observation import Level, SeriesKey
from watchkeeper.model.records import Commit, Seen
from watchkeeper.store import Store
from watchkeeper.store.rows.codec import OBSERVATION
from watchkeeper.store.rows.timestamps import to_ms, to_us
from watchkeeper.store.writer import sample_of

START = datetime(2026, 3, 1, tzinfo=UTC)
MINUTE = timedelta(minutes=1)
OBSERVATIONS = 10  # of one probe: the file systems of a usual host, each with its space and its inodes
PROBES = 30  # so that there are 300 series, the size that the yearly budget is set for
TICKS = 40
WEEK_SAMPLES = 7 * 24 * 60
ROUNDS = 5  # the best of: the machine has other things to do

_SAMPLES_SIZE = "SELECT sum(pgsize), sum(payload) FROM dbstat WHERE name = 'samples'"


def turn(probe: int, tick: int) -> tuple[Seen, ...]:
    """What one probe brings at one tick: levels of about 1 TB that grow by some blocks of 4 KiB."""
    at = START + tick * MINUTE + timedelta(milliseconds=137 * probe)
    return tuple(
        Seen(
            at,
            Level(
                SeriesKey(f"file system /srv/nest-cams/{probe}/{n}", "space"),
                used=4096 * (120_000_000 + 1_000 * n + 37 * tick),
                capacity=4096 * 250_000_000,
                facts=(("device", "skerry/nest-cams"), ("type", "ext4")),
            ),
            f"probe {probe}",
            60.0,
        )
        for n in range(OBSERVATIONS)
    )


def findings(seen: Sequence[Seen]) -> tuple[Finding, ...]:
    """Two findings for each observation, as the rules make them."""
    found: list[Finding] = []
    for each in seen:
        key, at = each.observation.key, each.at
        found.append(judge_full(key, replace(_forecast(), at_s=at.timestamp()), at, FullRule(), None))
        found.append(judge_not_reporting(key, at, 60.0, at, NotReportingRule()))
    return tuple(found)


@cache
def _forecast() -> Forecast:
    """A real forecast, with all that it holds: a level that grows over a day, with some noise."""
    history, noise = LevelHistory(), Random(1)
    for n in range(1440):
        history.add(START.timestamp() + 60 * n, 4096 * (1.2e8 + 3e4 * n + 1e4 * noise.random()), 4096 * 2.5e8)
    found = forecast(history, START.timestamp() + 86_400)
    assert found.likely_s is not None
    return found


def turns(*, with_findings: bool) -> list[Commit]:
    """Every turn of the run, in the order of time."""
    seen = [turn(probe, tick) for tick in range(TICKS) for probe in range(PROBES)]
    return [Commit(seen=s, findings=findings(s) if with_findings else ()) for s in seen]


def ours(folder: Path, commits: Sequence[Commit], together: int) -> float:
    """Seconds of processor time that the store takes for the commits, so many at the same time."""
    return asyncio.run(_ours(folder, commits, together))


async def _ours(folder: Path, commits: Sequence[Commit], together: int) -> float:
    store = await Store.open(folder / "ours.db")
    # The series' rows are made before the clock starts, on both sides.
    await asyncio.gather(*(store.commit(c) for c in commits[:PROBES]))
    rest = iter(commits[PROBES:])
    gc.collect()
    began = process_time()
    while batch := list(islice(rest, together)):
        if len(batch) == 1:
            await store.commit(
                batch[0]
            )  # as the pipeline does; gather would make a task of it, which is not the store's
        else:
            await asyncio.gather(*(store.commit(c) for c in batch))
    took = process_time() - began
    await store.close()
    return took


_TABLES = """
CREATE TABLE samples (series INTEGER NOT NULL, at_ms INTEGER NOT NULL, value REAL, bound REAL,
    PRIMARY KEY (series, at_ms)) STRICT, WITHOUT ROWID;
CREATE TABLE latest (series INTEGER PRIMARY KEY, at_us INTEGER NOT NULL, observation TEXT NOT NULL) STRICT;
CREATE TABLE life (id INTEGER PRIMARY KEY, alive_at_us INTEGER NOT NULL) STRICT;
"""
_STATEMENTS = (
    "INSERT OR REPLACE INTO samples VALUES (?, ?, ?, ?)",
    (
        "INSERT INTO latest VALUES (?, ?, ?)"
        " ON CONFLICT (series) DO UPDATE SET at_us = excluded.at_us, observation = excluded.observation"
    ),
    "INSERT INTO life VALUES (1, ?) ON CONFLICT (id) DO UPDATE SET alive_at_us = excluded.alive_at_us",
)
Rows = tuple[list[tuple[Any, ...]], ...]
"""For each of the statements, the rows of one turn."""


def bare(folder: Path, commits: Sequence[Commit], together: int, tables: int) -> float:
    """Seconds of processor time that sqlite3 takes for the rows of the first tables, so many turns in a transaction."""
    conn = sqlite3.connect(folder / "bare.db", isolation_level=None)
    conn.execute("PRAGMA journal_mode = WAL")
    conn.execute("PRAGMA synchronous = NORMAL")
    conn.executescript(_TABLES)
    numbers: dict[SeriesKey, int] = {}
    rows = [_rows(commit, numbers)[:tables] for commit in commits]
    _insert(conn, rows[:PROBES], together)
    gc.collect()
    began = process_time()
    _insert(conn, rows[PROBES:], together)
    took = process_time() - began
    conn.close()
    return took


def _rows(commit: Commit, numbers: dict[SeriesKey, int]) -> Rows:
    samples: list[tuple[Any, ...]] = []
    latest: list[tuple[Any, ...]] = []
    for seen in commit.seen:
        number = numbers.setdefault(seen.observation.key, len(numbers) + 1)
        samples.append((number, to_ms(seen.at), *sample_of(seen.observation)))
        latest.append((number, to_us(seen.at), OBSERVATION.dumps(seen.observation)))
    return samples, latest, [(to_us(commit.seen[0].at),)]


def _insert(conn: sqlite3.Connection, turns_rows: Sequence[Rows], together: int) -> None:
    left = iter(turns_rows)
    while batch := list(islice(left, together)):
        conn.execute("BEGIN IMMEDIATE")
        for rows in batch:
            for statement, each in zip(_STATEMENTS, rows, strict=False):
                conn.executemany(statement, each)
        conn.execute("COMMIT")


def inserting(base: Path) -> None:
    """Print the rates of inserting; the runs take turns, so that what else the machine does hits all of them."""
    plain, judged = turns(with_findings=False), turns(with_findings=True)
    count = OBSERVATIONS * (len(plain) - PROBES)
    runs: dict[str, Callable[[Path], float]] = {}
    for name, together in (("alone", 1), ("together", PROBES)):
        runs[f"bare, samples, {name}"] = partial(bare, commits=plain, together=together, tables=1)
        runs[f"bare, same rows, {name}"] = partial(bare, commits=plain, together=together, tables=3)
        runs[f"ours, {name}"] = partial(ours, commits=plain, together=together)
    runs["ours with findings, together"] = partial(ours, commits=judged, together=PROBES)
    times: dict[str, list[float]] = {name: [] for name in runs}
    for _ in range(ROUNDS):
        for name, run in runs.items():
            with tempfile.TemporaryDirectory(dir=base) as folder:
                times[name].append(run(Path(folder)))
    rates = {name: count / min(each) for name, each in times.items()}
    print(f"{count} samples of {OBSERVATIONS * PROBES} series, {OBSERVATIONS} a turn; best of {ROUNDS}")
    for name, rate in rates.items():
        print(f"  {name:30} {rate:9.0f} samples/s")
    for name in ("alone", "together"):
        for rows in ("same rows", "samples"):
            print(f"  ours / bare, {name:8} {rows:9} {rates[f'ours, {name}'] / rates[f'bare, {rows}, {name}']:6.2f}")


async def reading(base: Path) -> None:
    """Print the bytes of a sample and the rates of reading, from a week of twenty series."""
    path = Path(tempfile.mkdtemp(dir=base)) / "week.db"
    series = 2 * OBSERVATIONS
    store = await Store.open(path)
    for tick in range(WEEK_SAMPLES):
        await asyncio.gather(*(store.commit(Commit(seen=turn(probe, tick))) for probe in range(2)))
    key = turn(0, 0)[0].observation.key
    until = START + timedelta(days=7)
    began = perf_counter()
    found = await store.samples(key, START, until)
    whole_s = perf_counter() - began
    began = perf_counter()
    buckets = await store.samples_thinned(key, START, until, 400)
    thin_s = perf_counter() - began
    began = perf_counter()
    refilled = sum([len(level.used) async for level in store.level_samples(START)])
    refill_s = perf_counter() - began
    await store.close()
    conn = sqlite3.connect(path)
    count = series * WEEK_SAMPLES
    as_written, row = conn.execute(_SAMPLES_SIZE).fetchone()
    conn.execute("VACUUM")
    packed, _ = conn.execute(_SAMPLES_SIZE).fetchone()
    conn.close()
    print(f"bytes a sample: {row / count:.1f} in its row, {as_written / count:.1f} in its pages as written, ", end="")
    print(f"{packed / count:.1f} when packed; the whole file {path.stat().st_size / count:.1f}")
    print(
        f"a week of one series: {len(found)} samples read in {1000 * whole_s:.1f} ms ({len(found) / whole_s:.0f} /s),"
    )
    print(f"  thinned to {len(buckets)} stretches in {1000 * thin_s:.1f} ms")
    print(f"  refilling {series} levels: {refilled} samples in {1000 * refill_s:.0f} ms ({refilled / refill_s:.0f} /s)")


def main() -> None:
    """Print all figures."""
    with tempfile.TemporaryDirectory(dir=sys.argv[1] if len(sys.argv) > 1 else None) as folder:
        inserting(Path(folder))
        asyncio.run(reading(Path(folder)))


if __name__ == "__main__":
    main()
