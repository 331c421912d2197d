"""How fast a database is copied into an archive, and what a sample takes there. Prints figures; asserts nothing.

Run it as `.venv/bin/python -m tests.bench.archive [series] [days]`. It starts a PostgreSQL of its own, with its
usual safety (fsync), in a temporary folder, fills a database with a sample a minute of each series, and copies all of
it.
"""

import asyncio
import os
import sys
import tempfile
import threading
from datetime import timedelta
from pathlib import Path
from time import perf_counter, process_time, thread_time

from tests.store.material import START, level
from tests.support.postgres import server
from watchkeeper.archive.setting_up import Wanted, set_up
from watchkeeper.archive.shipping import Shipper
from watchkeeper.model.observation import SeriesKey
from watchkeeper.model.records import Commit
from watchkeeper.store import Store
from watchkeeper.store.replication.cursor import cursor_of
from watchkeeper.store.replication.source import Source

TICK = os.sysconf("SC_CLK_TCK")


async def fill(path: Path, series: int, days: float) -> None:
    """A sample a minute of each series."""
    keys = [SeriesKey(f"guest {n}", "disk") for n in range(series)]
    async with await Store.open(path) as store:
        for minute in range(int(days * 1440)):
            at = START + timedelta(minutes=minute)
            await store.commit(
                Commit(seen=tuple(level(n * 1e9 + minute * 4096.0, at, key) for n, key in enumerate(keys)))
            )


def copy(path: Path, address: str) -> tuple[int, float, float]:
    """Rows of samples, seconds, and seconds of this process's processor time."""
    to, source = Shipper(address, host="gannet", installation="one", version="bench"), Source(path)
    began, busy, rows = perf_counter(), thread_time(), 0
    cursor, more = to.begin(cursor_of(source.cursor_text())), True
    while more:
        batch = source.batch(cursor, to.copied)
        cursor = to.ship(batch)
        rows, more = rows + len(batch.samples), batch.more
    took = perf_counter() - began, thread_time() - busy
    batch = source.batch(cursor, to.copied)
    began, busy = perf_counter(), thread_time()
    to.ship(source.batch(cursor, to.copied))
    print(
        f"a copy without anything new: {perf_counter() - began:.4f} s, {thread_time() - busy:.4f} s of processor time"
    )
    source.close()
    to.close()
    return rows, *took


def server_s(folder: Path) -> float:
    """Processor time of all processes of the server."""
    found = 0.0
    for each in Path("/proc").glob("[0-9]*/stat"):
        try:
            words = (each.parent / "cmdline").read_text(), each.read_text().rpartition(")")[2].split()
        except OSError:
            continue
        if "postgres" in words[0]:
            found += (
                sum(map(int, words[1][11:15])) / TICK if str(folder) in words[0] or "watchkeeper" in words[0] else 0
            )
    return found


def main() -> None:
    """Fill, copy, print."""
    series, days = int((sys.argv[1:2] or ["300"])[0]), float((sys.argv[2:3] or ["3"])[0])
    with (
        tempfile.TemporaryDirectory() as folder,
        server("fsync=on", "autovacuum=on", "shared_buffers=128MB") as archive,
    ):
        path = Path(folder) / "watchkeeper.db"
        set_up(archive.address(), Wanted(hosts=("gannet",), page=True))
        asyncio.run(fill(path, series, days))
        print(f"{series} series, {days:g} days, load {os.getloadavg()[0]:.1f}, {threading.active_count()} threads")
        before = server_s(archive.folder)
        rows, took_s, busy_s = copy(path, archive.address(user="watchkeeper_host_gannet"))
        theirs_s = server_s(archive.folder) - before
        print(
            f"{rows} samples in {took_s:.1f} s: {rows / took_s:,.0f} a second; processor time of the host {busy_s:.1f},"
        )
        print(f"of the server {theirs_s:.1f} s; this process in all {process_time():.1f} s")
        ((size, index),) = archive.query(
            "SELECT sum(pg_relation_size(inhrelid)), sum(pg_indexes_size(inhrelid)) FROM pg_inherits"
            " WHERE inhparent = 'watchkeeper.samples'::regclass"
        )
        print(f"{float(size) / rows:.0f} bytes a sample in its row, {float(index) / rows:.0f} in its index")
        print(f"{path.stat().st_size / rows:.0f} bytes a sample in SQLite, all tables")


if __name__ == "__main__":
    main()
