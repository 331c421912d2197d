"""How long a database of version 0.1.0 takes to convert, and how much memory: `python -m tests.bench.migration [MB]`.

The database is the one of tests/store/upgrade, filled up with samples, events and delivered messages of its kind: a
tenth of the bytes are messages, three tenths events, the rest samples, as in a host with many alerts.
"""

import sqlite3
import subprocess
import sys
import tempfile
import time
from contextlib import closing
from pathlib import Path

from tests.store.upgrade import first_version
from watchkeeper.store import connection

MB = 10**6
SAMPLE_BYTES = 30
BATCH = 10_000


def fill(path: Path, size_bytes: int) -> None:
    """Multiply the rows of every large table until the database has this size."""
    first_version.make(path)
    with closing(sqlite3.connect(path, isolation_level=None)) as conn:
        conn.execute("PRAGMA synchronous = OFF")
        for table, share in (("outbox", 0.1), ("journal", 0.3)):
            names = [n for (n,) in conn.execute("SELECT name FROM pragma_table_info(?)", (table,)) if n != "id"]
            columns, done = ", ".join(names), ", ".join("'delivered'" if n == "state" else n for n in names)
            done = done.replace("head", "0")
            before = path.stat().st_size
            while path.stat().st_size - before < share * size_bytes:
                conn.execute(f"INSERT INTO {table} ({columns}) SELECT {done} FROM {table} LIMIT {BATCH}")
        at_ms = 1_700_000_000_000
        while path.stat().st_size < size_bytes:
            rows = [(n % 27 + 1, at_ms + n // 27 * 1000, float(n % 999_983), 1e12) for n in range(27 * BATCH)]
            at_ms += BATCH * 1000
            with conn:
                conn.execute("BEGIN")
                conn.executemany("INSERT OR IGNORE INTO samples VALUES (?, ?, ?, ?)", rows)


def convert(path: Path) -> None:
    """Convert it, and print how long that took and the memory that it needed beyond what the process had before."""
    before_kib = _peak_kib()
    start_s, cpu_s = time.perf_counter(), time.process_time()
    connection.open_writing(path).close()
    took_s, cpu_s = time.perf_counter() - start_s, time.process_time() - cpu_s
    print(
        f"{took_s:.1f} s, {cpu_s:.1f} s of a core, {(_peak_kib() - before_kib) / 1024:.0f} MiB more memory at its peak"
    )


def _peak_kib() -> int:
    """The peak of this program's memory; ru_maxrss would be that of the process that started it, if that is more."""
    status = Path("/proc/self/status").read_text(encoding="ascii")
    return next(int(line.split()[1]) for line in status.splitlines() if line.startswith("VmHWM"))


def main(size_mb: float) -> None:
    """Make one, and convert it in a process of its own."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "state" / "watchkeeper.db"
        fill(path, round(size_mb * MB))
        with closing(sqlite3.connect(path)) as conn:
            counts = {
                t: conn.execute(f"SELECT count(*) FROM {t}").fetchone()[0] for t in ("samples", "journal", "outbox")
            }
        print(f"{path.stat().st_size / MB:.0f} MB: " + ", ".join(f"{n:,} in {t}" for t, n in counts.items()))
        subprocess.run([sys.executable, "-m", "tests.bench.migration", "--convert", str(path)], check=True)
        print(f"{path.stat().st_size / MB:.0f} MB afterwards")


if __name__ == "__main__":
    if sys.argv[1:2] == ["--convert"]:
        convert(Path(sys.argv[2]))
    else:
        main(float(sys.argv[1]) if len(sys.argv) > 1 else 200)
