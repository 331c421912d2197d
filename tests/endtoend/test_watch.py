"""The whole daemon as a real process: a file system that fills, a service that stops, snapshots that go stale.

Everything is real and on this machine. The file system is a tmpfs in a private mount namespace that only the daemon
sees (and readers through /proc/PID/root); the mail server and the webhook receiver listen on loopback; and time is
real, which is why this test takes over a minute.
"""

import json
import os
import sqlite3
import subprocess
import threading
import time
import urllib.request
from collections.abc import Callable, Iterator
from contextlib import closing
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

import psutil
import pytest

from tests.support.daemon import Daemon, base, command
from tests.support.receivers import Hook, Mailbox, Service
from tests.support.station import seen_by, start_on_tmpfs

MIB = 2**20
SIZE_MIB = 64
RATE_MIB_S = 1.0

CONFIG = (
    base("{folder}/state")
    + """
[rules.full]
caution = "never"
warning = "30s"
alarm = "10s"
off_delay = "2s"

[rules.not_answering]
warning = "2s"
alarm = "never"

[rules.overdue]
late_alarm = "never"

[[probe]]
kind = "filesystems"
only = ["{mount}"]
every = "1s"

[[probe]]
kind = "http"
name = "hide-hub"
url = "{service}"
every = "1s"
timeout = "1s"

[[probe]]
kind = "snapshots"
name = "ringing-db"
files = ["{folder}/snapshots/*.img"]
every = "1s"
max_age = "20s"

[[notifier]]
kind = "mail"
server = "127.0.0.1"
port = {smtp}
security = "none"
from = "gannet@example.org"
to = ["keeper@example.org"]

[[notifier]]
kind = "webhook"
url = "{hook}"
"""
)


@dataclass
class Station:
    """The daemon under test with everything around it."""

    daemon: Daemon
    mount: Path
    folder: Path
    service: Service
    mailbox: Mailbox
    hook: Hook

    def get(self, path: str) -> Any:
        with urllib.request.urlopen(self.daemon.address.rstrip("/") + path, timeout=60) as answer:
            body = answer.read()
            return json.loads(body) if "json" in answer.headers["Content-Type"] else body.decode()

    def events(self, concern: str) -> list[dict[str, Any]]:
        """The webhook events about a concern, in order of arrival."""
        return [e["data"] for e in self.hook.events if e["data"]["concern"] == concern]

    def until(self, what: str, true: Callable[[], object], within_s: float = 90) -> None:
        end = time.monotonic() + within_s
        while not true():
            assert self.daemon.process.poll() is None, "the daemon ended by itself"
            assert time.monotonic() < end, f"{what} did not come within {within_s} s: {self.hook.events}"
            time.sleep(0.1)


class Filler(threading.Thread):
    """Writes at a steady rate until it is stopped or the file system is full, and records when that was."""

    def __init__(self, path: Path) -> None:
        super().__init__(daemon=True)
        self.path, self.full_at, self.stopped = path, 0.0, threading.Event()

    def run(self) -> None:
        step = 0.25
        began, written = time.monotonic(), 0
        with self.path.open("wb", buffering=0) as file:
            while not self.stopped.wait(max(0.0, began + written * step - time.monotonic())):
                try:
                    file.write(b"x" * int(RATE_MIB_S * step * MIB))
                except OSError:
                    self.full_at = time.time()
                    return
                written += 1


@pytest.fixture
def station(tmp_path: Path) -> Iterator[Station]:
    """A running daemon that monitors a file system, a service and a folder of snapshots."""
    mount = tmp_path / "skerry"
    (tmp_path / "snapshots").mkdir()
    (tmp_path / "snapshots" / "first.img").write_bytes(b"disk")
    service, mailbox, hook = Service(), Mailbox(), Hook()
    config = tmp_path / "config.toml"
    config.write_text(
        CONFIG.format(folder=tmp_path, mount=mount, service=service.url, smtp=mailbox.port, hook=hook.url)
    )
    process = start_on_tmpfs(mount, f"{SIZE_MIB}m", command(config), stdout=subprocess.PIPE)
    try:
        with Daemon(process) as daemon:
            yield Station(daemon, seen_by(process, mount), tmp_path, service, mailbox, hook)
    finally:
        service.close()
        mailbox.close()
        hook.close()


def test_the_watch_from_first_sample_to_last_message(station: Station) -> None:
    """A fill is forecast early and accurately, each transition goes to each receiver once, each end in its thread."""
    assert "gannet" in station.get("/")
    filler = Filler(station.mount / "footage")
    filler.start()
    _a_service_that_stops_and_comes_back(station)
    _snapshots_that_go_stale_and_come_again(station)
    _a_fill_that_is_foreseen(station, filler)
    _a_clean_up_that_ends_it(station, filler)
    _every_transition_was_told_once(station)
    _nothing_is_left_running(station)


def _a_service_that_stops_and_comes_back(station: Station) -> None:
    station.until("the first answer", lambda: len(station.get("/api/v1/quantities")["items"]) >= 4)
    port = station.service.port
    station.service.close()
    station.until("the silence", lambda: [e["kind"] for e in station.events("not_answering")] == ["raised"])
    station.service = Service(port)
    station.until("its end", lambda: [e["kind"] for e in station.events("not_answering")] == ["raised", "ended"])
    assert station.events("not_answering")[0]["subject"] == "service hide-hub"


def _snapshots_that_go_stale_and_come_again(station: Station) -> None:
    station.until("the overdue snapshot", lambda: [e["kind"] for e in station.events("overdue")] == ["raised"], 30)
    (station.folder / "snapshots" / "second.img").write_bytes(b"disk")
    station.until("its end", lambda: [e["kind"] for e in station.events("overdue")] == ["raised", "ended"])


def _a_fill_that_is_foreseen(station: Station, filler: Filler) -> None:
    """The warning comes before the file system is full, and its time to full is within a tenth of the true one."""
    station.until("the alarm", lambda: len(station.events("full")) >= 2, 90)
    filler.join(60)
    assert filler.full_at, "the file system never filled"
    warned, alarmed = station.events("full")[:2]
    assert (warned["kind"], warned["priority"]) == ("raised", "warning")
    assert (alarmed["kind"], alarmed["priority"]) == ("worse", "alarm")
    for told in (warned, alarmed):
        at, likely = (datetime.fromisoformat(told[name]).timestamp() for name in ("at", "likely_at"))
        assert at < filler.full_at
        assert likely - at == pytest.approx(filler.full_at - at, rel=0.1, abs=1.0)
        earliest, latest = (datetime.fromisoformat(told[name]).timestamp() for name in ("earliest_at", "latest_at"))
        assert earliest <= likely <= latest


def _a_clean_up_that_ends_it(station: Station, filler: Filler) -> None:
    filler.path.unlink()
    station.until("the end of the fill", lambda: station.events("full")[-1]["kind"] == "ended", 60)
    told = [e["kind"] for e in station.events("full")]
    assert told[0] == "raised"
    assert told[-1] == "ended"
    assert "ended" not in told[:-1]


def _every_transition_was_told_once(station: Station) -> None:
    """Event log, webhook and mailbox contain the same transitions, and each mail is in its episode's thread."""
    told = [line for line in station.get("/api/v1/events?limit=200")["items"] if line["kind"] == "transition"]
    station.until("the last mail", lambda: len(station.mailbox.mails) >= len(told))
    time.sleep(1.5)  # one more run of every probe: a second copy of anything would arrive now
    assert len(station.hook.events) == len(station.mailbox.mails) == len(told)
    ids = [event["id"] for event in station.hook.events]
    assert len(set(ids)) == len(ids)
    mails = {str(mail["Message-ID"]): mail for mail in station.mailbox.mails}
    assert len(mails) == len(ids)
    for event in station.hook.events:
        number, thread = event["data"]["number"], event["data"]["thread"]
        (mail,) = (m for name, m in mails.items() if event["id"] in name)
        assert (mail["In-Reply-To"] is None) == (number == 1)
        assert len(str(mail["References"] or "").split()) == number - 1
        assert all(thread in reference for reference in str(mail["References"] or "").split())


def _nothing_is_left_running(station: Station) -> None:
    process = psutil.Process(station.daemon.process.pid)
    assert process.children() == []
    assert station.daemon.stop() == 0
    assert not process.is_running()
    database = station.folder / "state" / "watchkeeper.db"
    with closing(sqlite3.connect(f"file:{database}?mode=ro", uri=True)) as opened:
        assert opened.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    assert not os.path.ismount(station.folder / "skerry")
