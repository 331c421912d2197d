"""What a daemon without a configuration imports: everything it holds costs memory for as long as the host runs."""

import os
import sqlite3
import subprocess
import sys
import time
import urllib.request
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest

from tests.support.daemon import Daemon

SELDOM = (
    # Commands in a terminal, migrations, planning and discovery, certificates, mail, MQTT.
    *("rich", "sqlite_utils", "pandas", "cryptography", "aiosmtplib", "paho", "xml"),
    *("watchkeeper.planning.capacity", "watchkeeper.planning.reclaim", "watchkeeper.planning.preflight.decide"),
    *("watchkeeper.inventory.planner", "watchkeeper.inventory.scan", "watchkeeper.discovery.finders"),
    *("watchkeeper.cli.output", "watchkeeper.cli.docsgen", "watchkeeper.demo"),
    *("watchkeeper.notifiers.mail", "watchkeeper.notifiers.mqtt", "watchkeeper.notifiers.webhook"),
    *("watchkeeper.probes.guests", "watchkeeper.probes.storage.zfs", "watchkeeper.probes.services.http"),
    "watchkeeper.probes.verification.verifier",
    *("watchkeeper.web.api.openapi", "watchkeeper.web.feeds.handlers", "watchkeeper.web.planning.capacity"),
    # numpy's own lazy parts: masked arrays come with its median and unique.
    *("numpy.ma", "numpy.random", "numpy.polynomial", "numpy.testing", "numpy.f2py"),
)
"""Packages and modules that a daemon needs seldom or never."""

LEVELS = 3
"""Any host has a file system, with its blocks and inodes, and memory."""

ARENA = 64 * 2**20
"""glibc reserves this much for the arena of a thread, and aligns it (HEAP_MAX_SIZE in its malloc/arena.c)."""

FOR_THE_PAGE = ("aiohttp", "yarl", "jinja2", "watchkeeper.web.app", "watchkeeper.web.dashboard.pages")
"""What is imported when somebody opens the page, and not before."""


class Watched(Daemon):
    """A daemon that prints the modules that it imports on standard error."""

    def __init__(self, folder: Path) -> None:
        config, self.database = folder / "gannet.toml", folder / "watchkeeper.db"
        config.write_text(f'[page]\nport = 0\n[store]\npath = "{self.database}"\n')
        self._imports = folder / "imports"
        command = [sys.executable, "-X", "importtime", "-m", "watchkeeper", "--config", str(config), "run"]
        # The measurement of coverage imports modules of its own into each program that Python runs.
        environ = {name: value for name, value in os.environ.items() if not name.startswith("COV")}
        with self._imports.open("w") as imports:
            super().__init__(subprocess.Popen(command, stdout=subprocess.PIPE, stderr=imports, text=True, env=environ))

    def imported(self, *forbidden: str) -> list[str]:
        """Which of these it has imported, or modules in them."""
        lines = self._imports.read_text().splitlines()
        found = {line.rpartition("|")[2].strip() for line in lines if line.startswith("import time:")}
        return sorted(name for name in found for each in forbidden if name == each or name.startswith(f"{each}."))

    def wait_for_samples(self, since_us: int, within_s: float = 120) -> None:
        """Wait until levels have been evaluated that were seen after an instant, in microseconds since 1970."""
        query = "SELECT count(*) FROM latest JOIN series ON id = series WHERE kind = 'level' AND at_us > ?"
        end_s = time.monotonic() + within_s
        while time.monotonic() < end_s:
            with closing(sqlite3.connect(f"file:{self.database}?mode=ro", uri=True)) as conn:
                (count,) = conn.execute(query, (since_us,)).fetchone()
            if count >= LEVELS:
                return
            time.sleep(0.1)
        raise AssertionError(f"fewer than {LEVELS} levels were seen within {within_s:g} s")


def arenas(pid: int) -> int:
    """How many arenas of threads a process has, by its reservations."""
    spans = [
        [int(end, 16) for end in line.split()[0].split("-")]
        for line in Path(f"/proc/{pid}/maps").read_text().splitlines()
    ]
    starts = {start for start, _ in spans if start % ARENA == 0}
    return sum(end % ARENA == 0 and end - ARENA in starts for _, end in spans)


@pytest.fixture
def daemon(tmp_path: Path) -> Iterator[Watched]:
    """One that has looked at everything it monitors, on a database that an earlier one made."""
    with Watched(tmp_path) as first:
        first.wait_for_samples(0)
        first.stop()
    began_us = time.time_ns() // 1_000
    with Watched(tmp_path) as second:
        second.wait_for_samples(began_us)
        yield second


def test_a_daemon_without_configuration_imports_little(daemon: Watched) -> None:
    """Before anybody has opened the page, and then what the page needs."""
    assert daemon.imported("watchkeeper.daemon.daemon")
    assert daemon.imported(*SELDOM, *FOR_THE_PAGE) == []
    assert arenas(daemon.process.pid) == 0, "its threads share one arena"
    with urllib.request.urlopen(daemon.address, timeout=60) as answer:
        assert answer.status == 200
    assert {*FOR_THE_PAGE} <= {*daemon.imported(*FOR_THE_PAGE)}
    assert daemon.imported(*SELDOM) == []
    assert daemon.stop() == 0
