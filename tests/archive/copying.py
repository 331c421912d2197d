"""Copies a store into a test's archive, and compares the two row by row."""

import sqlite3
import subprocess
import sys
from pathlib import Path

from tests.support.postgres import Server
from watchkeeper.archive.shipping import Shipper
from watchkeeper.store import Store
from watchkeeper.store.replication.cursor import cursor_of
from watchkeeper.store.replication.source import Source


def shipper(archive: Server, host: str = "gannet", installation: str = "one") -> Shipper:
    """A connection of a host, through the server's socket."""
    address = archive.address(user=f"watchkeeper_host_{host}")
    return Shipper(address, host=host, installation=installation, version="test")


async def ship_all(store: Store, path: Path, to: Shipper) -> int:
    """Copy until nothing is left; returns how many batches that took."""
    source = Source(path)
    batches = 0
    try:
        cursor = to.begin(cursor_of(source.cursor_text()))
        more = True
        while more:
            late = source.late()
            batch = source.batch(cursor.rewound(late), to.copied)
            cursor = to.ship(batch)
            await store.replication.write(cursor.dumps())
            await store.replication.late_copied(late)
            more = batch.more
            batches += 1
    finally:
        source.close()
    return batches


_OF_SERIES = "JOIN watchkeeper.series USING (host, series) JOIN watchkeeper.hosts USING (host) WHERE name = %s"
_PAIRS = {
    "samples": (
        "SELECT key, at_ms, value, bound FROM samples JOIN series ON id = series",
        f"SELECT key, at_ms, value, bound FROM watchkeeper.samples {_OF_SERIES}",
    ),
    "hours": (
        "SELECT key, stretch, samples, total, last FROM hours JOIN series ON id = series",
        f"SELECT key, stretch, samples, total, last FROM watchkeeper.hours {_OF_SERIES}",
    ),
    **{
        table: (
            f"SELECT {columns} FROM {source}",
            f"SELECT {columns} FROM watchkeeper.{table} JOIN watchkeeper.hosts USING (host) WHERE name = %s",
        )
        for table, source, columns in (
            ("latest", "latest JOIN series ON id = series", "key, at_us, observation"),
            ("findings", "findings", "key, concern, body"),
            ("alerts", "alerts", "key, concern, body"),
            ("forecasts", "forecasts", "key, at_us, body"),
            ("events", "events", "id, at_us, entry, key, body"),
            ("changes", "changes", "id, at_us, body"),
            ("deliveries", "outbox", "id, notifier, thread, state, due_at_us, made_at_us, attempts, message"),
        )
    },
}


def assert_equal(path: Path, archive: Server, host: str = "gannet", *, superset: tuple[str, ...] = ()) -> None:
    """The oracle: every row of the host's database is in the archive, and no other. superset: tables with more."""
    conn = sqlite3.connect(path)
    for table, (here, there) in _PAIRS.items():
        own = conn.execute(here).fetchall()
        copied = archive.query(there, host)
        assert len(set(copied)) == len(copied), table
        if table in superset:
            assert set(own) <= set(copied), table
        else:
            assert set(own) == set(copied), table
    conn.close()


def initialised(archive: Server, tmp_path: Path, *words: str) -> dict[str, str]:
    """Run archive-init; returns the addresses that it prints, by the name of the host or "the station"."""
    file = tmp_path / "owner-url"
    file.write_text(archive.address())
    command = [sys.executable, "-m", "watchkeeper", "archive-init", *words, "--url-file", str(file)]
    said = subprocess.run(command, capture_output=True, text=True, check=True, timeout=60).stdout
    lines = said.splitlines()
    return {line.partition(":")[0]: lines[at + 1].strip() for at, line in enumerate(lines) if "write this line" in line}
