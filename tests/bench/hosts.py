"""How large a station's page over many hosts is, and how long it takes. Prints figures; asserts nothing.

Run it as `.venv/bin/python -m tests.bench.hosts [hosts] [hosts with something active]`. It starts a PostgreSQL of its
own in a temporary folder, with hosts of 30 series each: levels, answers, conditions and due dates with findings, and
100 lines of event log. A host with something active has a level of 92 % and a service that does not answer.
"""

import asyncio
import os
import sys
import tempfile
import urllib.request
from collections.abc import Iterator
from datetime import datetime, timedelta
from pathlib import Path
from time import perf_counter

from tests.store.material import DAY, MINUTE
from tests.support.daemon import Daemon
from tests.support.postgres import Server, server
from tests.support.waiting import until
from watchkeeper.archive.setting_up import Wanted, set_up
from watchkeeper.archive.shipping import Shipper
from watchkeeper.clock import Clock
from watchkeeper.model.alert import Alert, Concern, Priority, State
from watchkeeper.model.finding import Finding
from watchkeeper.model.observation import Answer, Condition, Deadline, Level, Observation, SeriesKey
from watchkeeper.model.records import Commit, Entry, EventLine, Seen
from watchkeeper.store import Store
from watchkeeper.store.replication.cursor import Cursor
from watchkeeper.store.replication.source import Source

HUB, POOL = SeriesKey("service hide-hub 0", "answer"), SeriesKey("pool skerry 0", "space")
TICK = os.sysconf("SC_CLK_TCK")


def observed(now: datetime, *, active: bool) -> Iterator[tuple[Observation, Finding]]:
    """What the probes of a host saw, each with what was found."""
    for n in range(8):
        key = SeriesKey(f"pool skerry {n}", "space")
        used = 920.0 if active and n == 0 else 300.0 + 50 * n
        priority = Priority.WARNING if active and n == 0 else None
        ends_at = now + (5 * DAY if active else 200 * DAY) if n == 0 else None
        yield Level(key, used, 1000.0), Finding(key, Concern.FULL, now, priority, ends_at=ends_at)
    for n in range(10):
        key, answered = SeriesKey(f"service hide-hub {n}", "answer"), not (active and n == 0)
        priority = None if answered else Priority.ALARM
        since = None if answered else now - 10 * MINUTE
        yield (
            Answer(key, answered, "" if answered else "no answer", 0.1),
            Finding(key, Concern.NOT_ANSWERING, now, priority, since=since),
        )
    for n in range(6):
        key = SeriesKey(f"guest ringing-db {n}", "state")
        yield Condition(key, ok=True), Finding(key, Concern.FAULTY, now, None)
    for n in range(6):
        key, due_at = SeriesKey(f"snapshots of nest-cams {n}", "age"), now + (n + 1) * DAY
        yield (
            Deadline(key, due_at, now - DAY, period_s=7 * DAY.total_seconds()),
            Finding(key, Concern.OVERDUE, now, None, ends_at=due_at),
        )


async def fill(path: Path, now: datetime, *, active: bool) -> None:
    """A host's database."""
    found = list(observed(now, active=active))
    lines = tuple(
        EventLine(now - n * MINUTE, Entry.TRANSITION, f"pool skerry 0: line {n}", POOL, Concern.FULL)
        for n in range(100)
    )
    alerts = tuple(
        Alert(each.key, each.concern, State.ACTIVE, each.priority, episode=1, raised_at=now - 9 * MINUTE)
        for _, each in found
        if each.priority is not None
    )
    async with await Store.open(path) as store:
        seen = tuple(Seen(now, each, "probe", 60.0) for each, _ in found)
        await store.commit(Commit(seen=seen, findings=tuple(each for _, each in found), alerts=alerts, events=lines))


def ship(path: Path, address: str, host: str) -> None:
    """Copy a database."""
    to, source = Shipper(address, host=host, installation=host, version="bench"), Source(path)
    to.ship(source.batch(to.begin(Cursor()), to.copied))
    source.close()
    to.close()


_HOSTS = """
INSERT INTO watchkeeper.hosts (name, role, seen_at_us, generation)
SELECT 'host ' || n, 'role ' || n, (extract(epoch FROM now()) * 1e6)::bigint, 1 FROM generate_series(3, %s) AS n
"""
_COPIES = {
    "series": "series, key, kind, unit, probe, interval_s, first_at_us",
    "latest": "key, at_us, observation",
    "findings": "key, concern, body",
    "alerts": "key, concern, body",
    "events": "at_us, id, entry, key, body",
}


def more_hosts(archive: Server, hosts: int, active: int) -> None:
    """Further hosts: the first `active` as the second one, the others as the first one."""
    archive.query(_HOSTS, hosts)
    for table, columns in _COPIES.items():
        archive.query(
            f"INSERT INTO watchkeeper.{table} (host, {columns}) SELECT h.host, {columns} FROM watchkeeper.{table} AS t"
            " JOIN watchkeeper.hosts AS h ON t.host = CASE WHEN h.host < %s THEN 2 ELSE 1 END WHERE h.host > 2",
            active + 2,
        )
    archive.query("ANALYZE")


def read(address: str) -> bytes:
    """A page."""
    with urllib.request.urlopen(address, timeout=120) as answer:
        return bytes(answer.read())


def busy_s(process: int) -> float:
    """Processor time of a process."""
    words = Path(f"/proc/{process}/stat").read_text().rpartition(")")[2].split()
    return sum(map(int, words[11:13])) / TICK


def measure(archive: Server, folder: Path, hosts: int) -> None:
    """The page, after every host has written, after one has, and unchanged."""
    (folder / "url").write_text(archive.address(user="watchkeeper_page"))
    (folder / "url").chmod(0o600)
    (folder / "station.toml").write_text(
        f'watch_host = false\n[host]\nname = "station"\n[store]\npath = "{folder}/station.db"\n[page]\nport = 0\n'
        f'[archive]\nurl = {{ file = "{folder}/url" }}\n'
    )
    with Daemon.start(folder / "station.toml", "station") as station:
        until("all hosts", lambda: f"host {hosts}".encode() in read(station.address), within_s=120)
        for what, which in (("all hosts", "true"), ("one host", "host = 2")):
            took, busy = [], []
            for _ in range(3):
                archive.query(
                    "UPDATE watchkeeper.hosts SET generation = generation + 1,"
                    f" seen_at_us = (extract(epoch FROM now()) * 1e6)::bigint WHERE {which}"
                )
                before = body = read(station.address)
                while body == before:  # a look is every 15 s
                    before_s, began = busy_s(station.process.pid), perf_counter()
                    body = read(station.address)
                    took_s, busy_now = perf_counter() - began, busy_s(station.process.pid) - before_s
                took.append(took_s)
                busy.append(busy_now)
            print(f"{hosts} hosts, after {what} wrote: {min(took) * 1000:.0f} to {max(took) * 1000:.0f} ms,", end=" ")
            print(f"{min(busy) * 1000:.0f} to {max(busy) * 1000:.0f} ms of processor time of the station")
        again = []
        for _ in range(5):
            began = perf_counter()
            body = read(station.address)
            again.append(perf_counter() - began)
        resident = Path(f"/proc/{station.process.pid}/status").read_text().partition("VmRSS:")[2].split()[0]
        print(f"{len(body)} bytes, unchanged {min(again) * 1000:.1f} ms; {int(resident) // 1024} MiB resident")
        print(f"page of one host: {len(read(station.address + 'hosts/host%203'))} bytes")


def main() -> None:
    """Fill, measure, print."""
    hosts, active = int((sys.argv[1:2] or ["200"])[0]), int((sys.argv[2:3] or ["10"])[0])
    with tempfile.TemporaryDirectory() as place, server("autovacuum=on", "shared_buffers=128MB") as archive:
        folder, now = Path(place), Clock().now() - timedelta(seconds=30)
        set_up(archive.address(), Wanted(hosts=("host 1", "host 2"), page=True))
        for name, is_active in (("host 1", False), ("host 2", True)):
            asyncio.run(fill(folder / f"{name}.db", now, active=is_active))
            ship(folder / f"{name}.db", archive.address(user=f"watchkeeper_host_{name}"), name)
        more_hosts(archive, hosts, active)
        print(f"{hosts} hosts of 30 series, {active} with something active, load {os.getloadavg()[0]:.1f}")
        measure(archive, folder, hosts)


if __name__ == "__main__":
    main()
