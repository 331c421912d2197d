"""Prints how the page answers while it is flooded with connections: `python -m tests.bench.flood`.

A daemon of its own and a flooding process of its own. Each flood opens its connections once, then another one for each
that the page closes, up to 300 a second. The first figures are without a flood.
"""

import contextlib
import http.client
import tempfile
from pathlib import Path
from statistics import median
from urllib.parse import urlsplit

import psutil

from tests.support.daemon import Daemon
from tests.support.flooding import flood
from watchkeeper.clock import Clock

CONFIG = """
watch_host = false
[host]
name = "gannet"
[page]
port = 0
[store]
path = "{folder}/watchkeeper.db"
[[probe]]
kind = "memory"
every = "1s"
"""
FLOODS = [
    ("none", 0),
    ("idle", 1_100),
    ("asking", 1_100),
    ("idle", 10_000),
    ("head", 300),
    ("body", 300),
    ("stream", 2_000),
]
ROUNDS = 100


def page(port: int) -> int:
    """Ask for the page on a new connection until it answers, as a browser does; how often it was asked."""
    for tries in range(1, 20):
        connection = http.client.HTTPConnection("127.0.0.1", port, timeout=10)
        try:
            connection.request("GET", "/")
            if connection.getresponse().read():
                return tries
        except (OSError, http.client.HTTPException):
            continue
        finally:
            connection.close()
    raise SystemExit("the page does not answer")


def measure(daemon: Daemon, kind: str, count: int, hosts: str) -> None:
    """One flood."""
    clock, port, process = Clock(), urlsplit(daemon.address).port or 0, psutil.Process(daemon.process.pid)
    before, begun = process.cpu_times(), clock.monotonic_s()
    with flood(kind, count, hosts, port) if count else contextlib.nullcontext():
        opened, opened_s = process.cpu_times(), clock.monotonic_s()
        took, tries = [], 0
        for _ in range(ROUNDS):
            asked_s = clock.monotonic_s()
            tries += page(port)
            took.append(clock.monotonic_s() - asked_s)
        after, ended_s = process.cpu_times(), clock.monotonic_s()
        files = process.num_fds()
    opening = (opened.user + opened.system - before.user - before.system) / (opened_s - begun) if count else 0.0
    during = (after.user + after.system - opened.user - opened.system) / (ended_s - opened_s)
    print(
        f"{kind:7} {count:6} from {hosts:4}: page {median(took) * 1e3:6.1f} ms, worst {max(took) * 1e3:6.1f} ms, "
        f"{tries - ROUNDS} asked again, {files} descriptors, {opening:4.0%} of a core at first, {during:4.0%} then"
    )


def main() -> None:
    with tempfile.TemporaryDirectory() as folder:
        config = Path(folder) / "config.toml"
        config.write_text(CONFIG.format(folder=folder))
        with Daemon.start(config) as daemon:
            for kind, count in FLOODS:
                for hosts in ("one", "many") if count else ("-",):
                    measure(daemon, kind, count, hosts)
            daemon.stop()


if __name__ == "__main__":
    main()
