"""The database's own disk is full: the daemon reports it, continues from memory, and writes again once it has space.

A real daemon on its own tmpfs, in a private mount namespace; this process fills it through /proc/PID/root.
"""

import sqlite3
import subprocess
import time
from collections.abc import Callable, Iterator
from contextlib import closing, suppress
from pathlib import Path
from typing import Any

import pytest

from tests.support.daemon import Daemon, base, command
from tests.support.receivers import Hook, Mailbox, Service
from tests.support.station import seen_by, start_on_tmpfs

CONFIG = (
    base("{state}")
    + """
[rules.not_answering]
warning = "1s"
alarm = "never"
[[probe]]
kind = "http"
name = "hide-hub"
url = "{service}"
every = "1s"
timeout = "1s"
[[notifier]]
kind = "webhook"
url = "{hook}"
[[notifier]]
kind = "mail"
server = "127.0.0.1"
port = {smtp}
security = "none"
from = "gannet@example.org"
to = ["keeper@example.org"]
"""
)


class Station:
    """The daemon with its tiny disk, a service that it monitors, and a receiver."""

    def __init__(self, folder: Path) -> None:
        self.service, self.hook, self.mailbox = Service(), Hook(), Mailbox()
        state = folder / "state"
        config = folder / "config.toml"
        config.write_text(
            CONFIG.format(state=state, service=self.service.url, hook=self.hook.url, smtp=self.mailbox.port)
        )
        process = start_on_tmpfs(state, "2m", command(config), stdout=subprocess.PIPE)
        self.daemon = Daemon(process)
        self.state, self.copy = seen_by(process, state), folder / "copy"
        self.copy.mkdir()

    def told(self) -> list[tuple[str, str]]:
        """What arrived by webhook: subject and kind of notification, in order of arrival."""
        return [(e["data"]["subject"], e["data"]["kind"]) for e in self.hook.events]

    def until(self, what: str, true: Callable[[], object], within_s: float = 90) -> None:
        end = time.monotonic() + within_s
        while not true():
            assert self.daemon.process.poll() is None, "the daemon ended by itself"
            assert time.monotonic() < end, f"{what} did not come within {within_s} s: {self.told()}"
            time.sleep(0.1)

    def fill(self) -> None:
        """Write until not a single byte more fits."""
        with suppress(OSError), (self.state / "ballast").open("wb", buffering=0) as file:
            for _ in range(2**21 // 4096 + 1):
                file.write(bytes(4096))

    def ask(self, sql: str) -> list[Any]:
        """Query a copy of the database; SQLite would look for /proc/PID/root on this side of the mount."""
        for name in ("watchkeeper.db", "watchkeeper.db-wal"):
            (self.copy / name).write_bytes((self.state / name).read_bytes())
        with closing(sqlite3.connect(self.copy / "watchkeeper.db")) as opened:
            return opened.execute(sql).fetchall()

    def close(self) -> None:
        if self.daemon.process.poll() is None:
            self.daemon.kill()
        self.service.close()
        self.hook.close()
        self.mailbox.close()


@pytest.fixture
def station(tmp_path: Path) -> Iterator[Station]:
    """A running daemon with two megabytes for its database."""
    made = Station(tmp_path)
    try:
        yield made
    finally:
        made.close()


DATABASE, HUB = "watchkeeper", "service hide-hub"


def test_its_own_full_disk_is_told_and_outlived(station: Station) -> None:
    """The alert about it is sent, and so is one raised and ended meanwhile; with space all is in the database."""
    station.until("the first sample", lambda: station.ask("SELECT 1 FROM samples"))
    station.fill()
    station.until("the alert about the database", lambda: station.told() == [(DATABASE, "raised")])
    assert "cannot write its database" in station.hook.events[0]["data"]["headline"]
    samples = station.ask("SELECT count(*) FROM samples")
    port = station.service.port
    station.service.close()
    station.until("the silence", lambda: (HUB, "raised") in station.told())
    station.service = Service(port)
    station.until("its end", lambda: (HUB, "ended") in station.told())
    assert station.ask("SELECT count(*) FROM samples") == samples
    assert station.ask("SELECT count(*) FROM outbox") == [(0,)]

    (station.state / "ballast").unlink()
    station.until("the end of it", lambda: (DATABASE, "ended") in station.told())
    station.until("the mails", lambda: len(station.mailbox.mails) >= 4)
    station.until("new samples", lambda: station.ask("SELECT count(*) FROM samples") > samples)
    time.sleep(1.5)
    assert station.told() == [(DATABASE, "raised"), (HUB, "raised"), (HUB, "ended"), (DATABASE, "ended")]
    _all_of_it_is_in_the_database(station)
    assert station.daemon.stop() == 0


def _all_of_it_is_in_the_database(station: Station) -> None:
    """Transitions in their order, the gap after them, each message once and marked as delivered."""
    lines = station.ask(
        "SELECT json_extract(body, '$.key.subject'), json_extract(body, '$.details.event'),"
        " json_extract(body, '$.text') FROM events WHERE entry IN ('transition', 'note') ORDER BY id"
    )
    assert [(subject, event) for subject, event, _ in lines] == [
        (DATABASE, "raise"),
        (HUB, "raise"),
        (HUB, "clear"),
        (DATABASE, "clear"),
        (None, None),
    ]
    assert "the database can be written again; samples are missing for " in lines[-1][2]
    deliveries = station.ask("SELECT state, json_extract(message, '$.id') FROM outbox WHERE notifier LIKE '%webhook%'")
    assert [state for state, _ in deliveries] == ["delivered"] * 4
    assert sorted(number for _, number in deliveries) == sorted(event["id"] for event in station.hook.events)
    assert station.ask("SELECT count(*) FROM outbox") == [(8,)]
    assert station.ask("PRAGMA integrity_check") == [("ok",)]
