"""What is lost in faults that are too many for a run of all tests. Prints figures; asserts nothing.

Run it as `.venv/bin/python -m tests.bench.faults [pages] [waiting]`: the numbers of harmed databases (200) and of
messages that wait (100,000). It takes some minutes.

- Harmed pages: each time, one page of a database with content in every table is filled with noise, zeroed, given bit
  flips, or the file ends in it. What a page held is known from the whole database, so it is known what could be kept.
- Waiting messages: a daemon starts with a receiver that never answers, then again with one that takes everything.
"""

import asyncio
import shutil
import socket
import sqlite3
import sys
import tempfile
import time
import urllib.request
from collections import Counter
from collections.abc import Iterator
from contextlib import closing, contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path
from random import Random

import psutil

from tests.store import damage
from tests.store.material import delivery
from tests.support.daemon import Daemon
from tests.support.receivers import Hook
from watchkeeper.model.records import Commit
from watchkeeper.store import Store

CONFIG = """
watch_host = false
[host]
name = "gannet"
[page]
port = 0
[store]
path = "{folder}/watchkeeper.db"
[[notifier]]
kind = "webhook"
url = "{url}"
timeout = "10s"
"""
TABLES = ("samples", "hours", "days", "events", "outbox", "alerts", "findings", "latest", "series")
"""What holds the record; the other tables are small, or made again."""

PAGES, WAITING = 200, 100_000
MIB = 2**20
DRAINED_WITHIN_S = 1800.0


def rows(path: Path) -> Counter[str]:
    """The number of rows of each table."""
    with closing(sqlite3.connect(path)) as conn:
        return Counter({table: conn.execute(f"SELECT count(*) FROM {table}").fetchone()[0] for table in TABLES})


def on_page(path: Path) -> dict[int, tuple[str, int]]:
    """Each page's table or index, and how many rows a leaf holds; 0 for other pages."""
    with closing(sqlite3.connect(path)) as conn:
        found = conn.execute("SELECT pageno, name, CASE pagetype WHEN 'leaf' THEN ncell ELSE 0 END FROM dbstat")
        return {page: (name, cells) for page, name, cells in found}


async def opened(path: Path) -> None:
    """Open as the daemon does at its start, write, and close."""
    async with await Store.open(path, repair_at=datetime.now(UTC)) as store:
        await store.check_indexes()
        await store.commit(Commit(deliveries=(delivery("after-the-harm"),)))


def harmed(count: int, folder: Path) -> None:
    """Harm a page of a copy, open it, and compare."""
    whole = folder / "whole.db"
    damage.make(whole)
    pages, before, chance = on_page(whole), rows(whole), Random(20261130)
    total, beyond, faulty, failed, slowest_s = 0, Counter[str](), 0, [], 0.0
    for number in range(count):
        place = folder / f"{number}"
        place.mkdir()
        path = place / "watchkeeper.db"
        shutil.copyfile(whole, path)
        page, harm = chance.choice(sorted(pages)), damage.HARMS[number % len(damage.HARMS)]
        table, cells = pages[page]
        harm(path, page, chance)
        began_s = time.perf_counter()
        try:
            asyncio.run(opened(path))
        except Exception as error:  # noqa: BLE001  each is a finding, and the next page is tried
            failed.append(f"{harm.__name__} on page {page} ({table}): {error!r}")
            continue
        slowest_s = max(slowest_s, time.perf_counter() - began_s)
        with closing(sqlite3.connect(path)) as conn:
            faulty += conn.execute("PRAGMA integrity_check").fetchall() != [("ok",)]
        after = rows(path)
        missing = {each: max(0, before[each] - after[each]) for each in TABLES}
        total += sum(missing.values())
        for each, lost in missing.items():
            allowed = cells if each == table else 0
            if lost > allowed:
                beyond[f"{each} after {harm.__name__} of {table}, {'leaf' if cells else 'inner'} page"] += (
                    lost - allowed
                )
        shutil.rmtree(place)
    print(f"harmed pages: {count} databases of {sum(before.values())} rows and {len(pages)} pages")
    print(f"  opened and written {count - len(failed)}, not sound afterwards {faulty}, slowest {slowest_s:.1f} s")
    print(f"  rows lost {total} of {count * sum(before.values())}; beyond those of the harmed page {beyond.total()}")
    for line in (*(f"{n} {what}" for what, n in beyond.most_common(10)), *failed):
        print(f"    {line}")


@contextmanager
def stuck() -> Iterator[str]:
    """A receiver that accepts connections and never answers."""
    with socket.create_server(("127.0.0.1", 0), backlog=512) as server:
        yield f"http://127.0.0.1:{server.getsockname()[1]}/"


def filled(path: Path, count: int) -> None:
    """A database with so many messages that wait."""
    at = datetime.now(UTC) - timedelta(hours=1)

    async def fill() -> None:
        async with await Store.open(path) as store:
            for first in range(0, count, 1000):
                made = (
                    delivery(f"t-{n}", due_at=at, notifier="webhook") for n in range(first, min(first + 1000, count))
                )
                await store.commit(Commit(deliveries=tuple(made)))

    asyncio.run(fill())


def answered(url: str) -> float:
    """Seconds until a page has been read."""
    began_s = time.perf_counter()
    with urllib.request.urlopen(url, timeout=60) as answer:
        answer.read()
    return time.perf_counter() - began_s


def started(folder: Path, url: str) -> tuple[Daemon, float]:
    """A daemon with this receiver, and the seconds until its page answered."""
    config = folder / "config.toml"
    config.write_text(CONFIG.format(folder=folder, url=url))
    began_s = time.perf_counter()
    daemon = Daemon.start(config)
    answered(daemon.address)
    return daemon, time.perf_counter() - began_s


def waiting(count: int, folder: Path) -> None:
    """Start with so many messages: first nobody takes them, then somebody does."""
    path = folder / "watchkeeper.db"
    filled(path, count)
    print(f"waiting messages: {count}, {path.stat().st_size / MIB:.0f} MiB")
    with stuck() as url:
        daemon, up_s = started(folder, url)
        time.sleep(5)
        pages = ", ".join(f"{page or '/'} {answered(daemon.address + page):.2f} s" for page in ("", "events"))
        held = psutil.Process(daemon.process.pid).memory_info().rss / MIB
        began_s = time.perf_counter()
        code = daemon.stop(60)
        print(f"  nobody takes them: up in {up_s:.1f} s, {held:.0f} MiB, {pages}, stopped in", end=" ")
        print(f"{time.perf_counter() - began_s:.1f} s (status {code})")
    hook = Hook()
    daemon, _ = started(folder, hook.url)
    began_s = time.perf_counter()
    while len(hook.events) < count and time.perf_counter() - began_s < DRAINED_WITHIN_S:
        time.sleep(0.2)
    took_s, held = time.perf_counter() - began_s, psutil.Process(daemon.process.pid).memory_info().rss / MIB
    daemon.stop(60)
    ids = Counter(each["id"] for each in hook.events)
    hook.close()
    print(f"  somebody takes them: {len(ids)} in {took_s:.0f} s ({len(ids) / took_s:.0f} a second), {held:.0f} MiB;")
    print(f"  lost {count - len(ids)}, delivered twice {sum(n - 1 for n in ids.values())}")


def main() -> None:
    """Print both."""
    counts = [int(each) for each in sys.argv[1:]]
    pages, messages = (*counts, *(PAGES, WAITING)[len(counts) :])
    with tempfile.TemporaryDirectory() as made:
        (Path(made) / "pages").mkdir()
        (Path(made) / "waiting").mkdir()
        if pages:
            harmed(pages, Path(made) / "pages")
        if messages:
            waiting(messages, Path(made) / "waiting")


if __name__ == "__main__":
    main()
