"""A real daemon rereads its configuration at SIGHUP, as with `systemctl reload`."""

import json
import re
import signal
import sqlite3
import threading
import time
import urllib.request
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.support.daemon import Daemon, base
from tests.support.receivers import Hook, free_port

HEAD = (
    base()
    + """
[rules.not_answering]
warning = "1s"
[grouping]
recovery_time = "0s"
"""
)

PROBE = """
[[probe]]
kind = "http"
name = "{name}"
url = "http://127.0.0.1:{port}/"
every = "1s"
timeout = "1s"
"""

LISTENS = """
[[probe]]
kind = "tcp"
name = "{name}"
host = "127.0.0.1"
port = {port}
every = "1s"
timeout = "1s"
"""

POST = """
[[notifier]]
kind = "webhook"
name = "{name}"
url = "http://127.0.0.1:{port}/"
"""


class Station:
    """A configuration that is rewritten, and the daemon that runs on it."""

    def __init__(self, folder: Path) -> None:
        self.folder, self.config = folder, folder / "config.toml"
        self.database = folder / "watchkeeper.db"
        self.hook, self.nobody = Hook(free_port()), free_port()
        self.post = POST.format(name="hook", port=self.hook.port)

    def write(self, *parts: str) -> None:
        """Write the configuration that applies from now on, after its fixed head."""
        self.config.write_text(HEAD.format(folder=self.folder) + "".join(parts))

    def silent(self, name: str = "hide-hub") -> str:
        """A probe of a service that does not answer."""
        return PROBE.format(name=name, port=self.nobody)

    def sound(self, name: str) -> str:
        """A probe of a service that answers: the receiver of messages."""
        return LISTENS.format(name=name, port=self.hook.port)

    def rows(self, sql: str) -> list[Any]:
        """Rows of the database, read while the daemon writes."""
        conn = sqlite3.connect(f"file:{self.database}?mode=ro", uri=True, timeout=5)
        try:
            return conn.execute(sql).fetchall()
        finally:
            conn.close()

    def journal(self, entry: str) -> list[str]:
        """The event log's lines of one kind, oldest first."""
        return [body for (body,) in self.rows(f"SELECT body FROM events WHERE entry = '{entry}' ORDER BY id")]

    def reload(self, daemon: Daemon) -> str:
        """Send the signal and wait for its line in the event log."""
        before = len(self.journal("configuration"))
        daemon.process.send_signal(signal.SIGHUP)
        self.until(lambda: any("configuration" in line for line in self.journal("configuration")[before:]))
        return next(line for line in self.journal("configuration")[before:] if "configuration" in line)

    @staticmethod
    def until(there: Callable[[], bool], within_s: float = 90) -> None:
        """Wait until a condition is true."""
        end = time.monotonic() + within_s
        while not there():
            assert time.monotonic() < end, "it did not come"
            time.sleep(0.1)

    def looks(self, subject: str, more: int) -> None:
        """Wait until a subject has been sampled `more` more times, and everything to report has been sent."""
        before = count(self, subject)
        self.until(lambda: count(self, subject) >= before + more)
        self.until(lambda: not self.rows("SELECT 1 FROM outbox WHERE state = 'waiting'"))

    def told(self) -> list[tuple[str, str]]:
        """The messages sent: kind of notification and subject."""
        return [(each["data"]["kind"], each["data"]["subject"]) for each in self.hook.events]


@pytest.fixture
def station(tmp_path: Path) -> Iterator[Station]:
    """A station that has no configuration yet."""
    made = Station(tmp_path)
    yield made
    made.hook.close()


def test_errors_change_nothing_and_are_seen(station: Station) -> None:
    """Every error is reported; the alert stays active, the probe runs on, and the page says so until a valid reload."""
    station.write(station.silent(), station.post)
    with Daemon.start(station.config) as daemon:
        station.until(lambda: bool(station.hook.events))
        good = station.config.read_text()
        station.config.write_text(good + '[[probe]]\nkind = "htpp"\n[[probe]]\nkind = "tcp"\nname = "x"\n')
        line = station.reload(daemon)
        assert "was rejected" in line
        assert "probe[2].kind" in line
        assert "probe[3]" in line
        assert "run watchkeeper check-config" in health(daemon)
        before = count(station, "service hide-hub")
        station.until(lambda: count(station, "service hide-hub") > before + 1)
        station.config.write_text(good)
        assert "was reloaded" in station.reload(daemon)
        assert "run watchkeeper check-config" not in health(daemon)
        assert station.told() == [("raised", "service hide-hub")]
        assert daemon.stop() == 0


def test_what_cannot_change_in_place_is_refused_with_the_remedy(station: Station) -> None:
    """The page and the database's path need a restart, and the log line says so."""
    station.write(station.silent())
    with Daemon.start(station.config) as daemon:
        text = station.config.read_text()
        station.config.write_text(text.replace("port = 0", f"port = {free_port()}").replace("keeper.db", "keepers.db"))
        line = station.reload(daemon)
        assert "page.port" in line
        assert "store.path" in line
        assert "restart" in line
        assert daemon.stop() == 0


@pytest.mark.parametrize("restart", [False, True])
def test_a_probe_that_leaves_ends_its_alert_with_the_reason(station: Station, *, restart: bool) -> None:
    """Reload and restart have the same result: the alert ends as no longer monitored, with nothing to acknowledge."""
    station.write(station.silent(), station.sound("tide-log"), station.post)
    with Daemon.start(station.config) as daemon:
        station.until(lambda: ("raised", "service hide-hub") in station.told())
        station.write(station.sound("tide-log"), station.post)
        if restart:
            assert daemon.stop() == 0
            with Daemon.start(station.config) as second:
                station.until(lambda: len(station.told()) > 1)
                assert second.stop() == 0
        else:
            station.reload(daemon)
            station.until(lambda: len(station.told()) > 1)
    assert station.told() == [("raised", "service hide-hub"), ("ended", "service hide-hub")]
    assert "no longer monitored" in json.dumps(station.hook.events[1])
    states = [json.loads(body)["state"] for (body,) in station.rows("SELECT body FROM alerts")]
    assert set(states) <= {"normal"}
    assert any("no longer monitored" in line for line in station.journal("configuration"))


@pytest.mark.parametrize("restart", [False, True])
def test_an_alert_does_not_flap_because_its_probe_is_replaced(station: Station, *, restart: bool) -> None:
    """A different timeout makes another probe of the same series: one raise, no end."""
    station.write(station.silent(), station.post)
    with Daemon.start(station.config) as daemon:
        station.until(lambda: bool(station.hook.events))
        station.write(station.silent().replace('timeout = "1s"', 'timeout = "2s"'), station.post)
        if restart:
            assert daemon.stop() == 0
            with Daemon.start(station.config) as second:
                station.looks("service hide-hub", 4)
                assert second.stop() == 0
        else:
            assert "changed: probe hide-hub" in station.reload(daemon)
            station.looks("service hide-hub", 4)
    assert station.told() == [("raised", "service hide-hub")]


def test_a_new_probe_and_another_notifier_are_put_to_work(station: Station) -> None:
    """The new probe's alert goes to the new receiver; pending messages for the old one stay in the outbox."""
    other = Hook(free_port())
    station.write(station.sound("tide-log"), POST.format(name="old", port=station.nobody))
    with Daemon.start(station.config) as daemon:
        station.write(station.sound("tide-log"), station.silent(), POST.format(name="new", port=other.port))
        line = station.reload(daemon)
        assert "new: probe hide-hub" in line
        assert "removed: notifier old" in line
        station.until(lambda: bool(other.events))
        assert daemon.stop() == 0
    other.close()


def test_a_reload_under_load_loses_no_sample_and_twenty_leak_nothing(station: Station) -> None:
    """Forty probes run every second through twenty reloads; handles, threads and sampling interval stay the same."""
    names = [f"nest-cams-{number}" for number in range(40)]
    probes = "".join(station.sound(name) for name in names)
    station.write(probes)
    with Daemon.start(station.config) as daemon:
        station.until(lambda: count(station, "service nest-cams-39") > 4)
        before = held(daemon)
        began = time.time()
        late = Lateness()
        for turn in range(20):
            station.write(probes, station.silent() if turn % 2 else "", station.post if turn % 3 else "")
            station.reload(daemon)
        station.write(probes)
        station.reload(daemon)
        station.looks("service nest-cams-39", 3)
        lasted = time.time() - began
        # If the machine delayed a process, runs were late, and one that was due twice ran once.
        missing = 2.5 + late.ended()
        handles, threads = held(daemon)
        assert handles <= before[0] + 4
        # Thread pools grow to their bounds as calls happen to overlap; a leak would be one or more per reload.
        assert threads <= before[1] + 10
        for name in ("nest-cams-0", "nest-cams-39"):
            (taken,) = station.rows(
                "SELECT count(*) FROM samples JOIN series ON series.id = samples.series"
                f" WHERE key LIKE '%service {name}\"%' AND at_ms >= {int(began * 1000)}"
            )[0]
            assert taken >= lasted - missing, (
                f"{name}: {taken} samples in {lasted:.1f} s, {missing:.1f} s may be missing"
            )
        assert not any("away" in line for line in station.journal("note"))
        assert daemon.stop() == 0


class Lateness(threading.Thread):
    """How long the machine delays a process that only wakes up now and then: no delay on an idle machine."""

    STEP_S = 0.1

    def __init__(self) -> None:
        super().__init__(daemon=True)
        self.late_s, self._over = 0.0, threading.Event()
        self.start()

    def run(self) -> None:
        due_s = time.monotonic() + self.STEP_S
        while not self._over.wait(max(due_s - time.monotonic(), 0.0)):
            now_s = time.monotonic()
            self.late_s += now_s - due_s
            due_s = now_s + self.STEP_S

    def ended(self) -> float:
        """Stop measuring; returns the total delay in seconds."""
        self._over.set()
        self.join(30)
        return self.late_s


def held(daemon: Daemon) -> tuple[int, int]:
    """Open handles and threads of the process."""
    of = Path("/proc") / str(daemon.process.pid)
    found = re.search(r"^Threads:\s+(\d+)", (of / "status").read_text(), re.MULTILINE)
    assert found is not None
    return len(list((of / "fd").iterdir())), int(found[1])


def count(station: Station, subject: str) -> int:
    """How many samples a subject's series has."""
    sql = f"SELECT count(*) FROM samples JOIN series ON series.id = samples.series WHERE key LIKE '%{subject}%'"
    return int(station.rows(sql)[0][0])


def health(daemon: Daemon) -> str:
    """What the page reports about the health of the daemon."""
    with urllib.request.urlopen(daemon.address, timeout=60) as answer:
        return str(answer.read().decode())
