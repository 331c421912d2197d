"""Telling systemd how the watch is, over a real datagram socket and by a real daemon."""

import itertools
import logging
import os
import signal
import socket
import subprocess
import time
import urllib.request
from collections.abc import Callable, Iterator, Sequence
from datetime import UTC, timedelta
from pathlib import Path

import pytest

from tests.support.daemon import Daemon, command
from tests.support.outbox import SetClock
from watchkeeper.daemon.sd_notify import EVERY_S, LONGEST_STATUS, Reports, Service, status_line
from watchkeeper.errors import StoreError
from watchkeeper.model.alert import Concern
from watchkeeper.model.finding import Finding
from watchkeeper.model.observation import SeriesKey
from watchkeeper.web.dashboard.health import Check, HealthReport, Measurements

NOW = SetClock().now()


class Ear:
    """A socket as systemd holds it: what has come, one datagram after the other."""

    def __init__(self, address: str) -> None:
        self.socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self.socket.bind(f"\0{address[1:]}" if address.startswith("@") else address)
        self.environment = {"NOTIFY_SOCKET": address}

    def heard(self, within_s: float = 0.05) -> str | None:
        """The next datagram; None where none comes in time."""
        self.socket.settimeout(within_s)
        try:
            return self.socket.recv(4096).decode()
        except TimeoutError:
            return None

    def all(self) -> list[str]:
        """What has come by now."""
        found: list[str] = []
        while len(found) < 10_000 and (one := self.heard()) is not None:
            found.append(one)
        return found

    def until(self, wanted: str, within_s: float = 30) -> list[str]:
        """What comes up to this datagram, which must come."""
        return self._until([], lambda one: one == wanted, wanted, within_s)

    def first(self, begins: str, heard: list[str], within_s: float = 30) -> str:
        """The first datagram that begins so: of those heard already, or else of those that still come."""
        return next(
            one
            for one in self._until(heard, lambda one: one.startswith(begins), begins, within_s)
            if one.startswith(begins)
        )

    def _until(self, heard: list[str], wanted: Callable[[str], bool], name: str, within_s: float) -> list[str]:
        end, found = time.monotonic() + within_s, [*heard]
        while not any(map(wanted, found)):
            assert time.monotonic() < end, f"no {name}, only {found}"
            if (one := self.heard(1)) is not None:
                found.append(one)
        return found


@pytest.fixture
def ear(tmp_path: Path) -> Iterator[Ear]:
    """A socket that is a file."""
    found = Ear(str(tmp_path / "notify"))
    yield found
    found.socket.close()


class Vitals:
    """Says what it is told to say."""

    def __init__(self, **checks: HealthReport) -> None:
        self.checks = checks

    def read(self) -> Measurements:
        return Measurements(NOW, tuple(Check(name, "works", fitness) for name, fitness in self.checks.items()))


class Findings:
    """What a store would give."""

    def __init__(self, *found: Finding | StoreError) -> None:
        self.found = found

    async def __call__(self) -> Sequence[Finding]:
        for each in self.found:
            if isinstance(each, StoreError):
                raise each
        return [each for each in self.found if isinstance(each, Finding)]


def reports(ear: Ear, vitals: Vitals, findings: Findings | None = None, watchdog_s: float | None = 120) -> Reports:
    """Those of a service whose watchdog waits so long."""
    limits = {} if watchdog_s is None else {"WATCHDOG_USEC": str(int(watchdog_s * 1e6))}
    return Reports(Service(ear.environment | limits), SetClock(), vitals, findings or Findings(), UTC)


def due(subject: str, days: float, concern: Concern = Concern.OVERDUE) -> Finding:
    """A deadline so many days from now."""
    quantity = "" if concern is Concern.OVERDUE else "space"
    return Finding(SeriesKey(subject, quantity), concern, NOW, None, ends_at=NOW + timedelta(days=days))


def test_assignments_come_in_one_datagram(ear: Ear) -> None:
    """sd_notify(3): a list of assignments, separated by line breaks."""
    Service(ear.environment).tell("READY=1", "STATUS=nothing full, overdue or due")
    assert ear.all() == ["READY=1\nSTATUS=nothing full, overdue or due"]


def test_a_socket_of_the_abstract_namespace_is_reached() -> None:
    """sd_notify(3): an address that begins with @ is abstract, which the kernel wants as a NUL."""
    ear = Ear(f"@watchkeeper-test-{os.getpid()}")
    Service(ear.environment).tell("READY=1")
    assert ear.all() == ["READY=1"]
    ear.socket.close()


def test_without_a_socket_nobody_is_told() -> None:
    """A daemon in a terminal has no service manager, and needs none."""
    service = Service({})
    service.tell("READY=1")
    assert not service.listens


def test_a_socket_that_is_gone_is_logged_once(tmp_path: Path, caplog: pytest.LogCaptureFixture, ear: Ear) -> None:
    """The watch goes on; the log names the address, and names it again only after it has worked in between."""
    service = Service({"NOTIFY_SOCKET": str(tmp_path / "notify")})
    path = tmp_path / "notify"
    path.rename(tmp_path / "away")
    with caplog.at_level(logging.WARNING, "watchkeeper.daemon.sd_notify"):
        service.tell("WATCHDOG=1")
        service.tell("WATCHDOG=1")
        (tmp_path / "away").rename(path)
        service.tell("WATCHDOG=1")
        path.rename(tmp_path / "away")
        service.tell("WATCHDOG=1")
    logged = [each.getMessage() for each in caplog.records if each.name == "watchkeeper.daemon.sd_notify"]
    assert len(logged) == 2
    assert str(path) in logged[0]
    assert ear.all() == ["WATCHDOG=1"]


def test_a_reader_that_reads_nothing_holds_nothing_up(ear: Ear, caplog: pytest.LogCaptureFixture) -> None:
    """The queue of a datagram socket is short: what finds no room in it is dropped, and the event loop goes on."""
    service = Service(ear.environment)
    with caplog.at_level(logging.WARNING, "watchkeeper.daemon.sd_notify"):
        for _ in range(2000):
            service.tell("WATCHDOG=1")
    assert 0 < len(ear.all()) < 2000
    assert len(caplog.records) == 1


@pytest.mark.parametrize(
    ("environment", "waits_s"),
    [
        ({}, None),
        ({"WATCHDOG_USEC": "120000000"}, 120.0),
        ({"WATCHDOG_USEC": "120000000", "WATCHDOG_PID": "77"}, 120.0),
        ({"WATCHDOG_USEC": "120000000", "WATCHDOG_PID": "78"}, None),
        ({"WATCHDOG_USEC": "0"}, None),
        ({"WATCHDOG_USEC": "soon"}, None),
        ({"WATCHDOG_USEC": "-5"}, None),
    ],
)
def test_whose_watchdog_it_is(environment: dict[str, str], waits_s: float | None) -> None:
    """sd_watchdog_enabled(3): it counts where WATCHDOG_PID is not set, or is this process."""
    assert Service(environment, pid=77).watchdog_s == waits_s


@pytest.mark.parametrize(("watchdog_s", "every_s"), [(None, EVERY_S), (120, EVERY_S), (4, 2)])
def test_the_watchdog_is_fed_at_half_its_time_or_sooner(ear: Ear, watchdog_s: float | None, every_s: float) -> None:
    """sd_watchdog_enabled(3) recommends half of the time."""
    assert reports(ear, Vitals(), watchdog_s=watchdog_s).every_s == every_s


@pytest.mark.parametrize(("other", "trouble"), list(itertools.product(HealthReport, ["probes", "store", "deliveries"])))
async def test_trouble_that_a_new_start_does_not_repair_keeps_the_watchdog_fed(
    ear: Ear, other: HealthReport, trouble: str
) -> None:
    """A probe that fails, a full disk and a receiver that is away are told by alerts; ending the daemon loses those."""
    await reports(ear, Vitals(rules=HealthReport.PASS, **{trouble: other})).tell()
    assert ear.all()[0] == "WATCHDOG=1"


async def test_rules_that_stand_still_starve_the_watchdog(ear: Ear) -> None:
    """If nothing is evaluated, systemd ends the daemon and starts it again. The status says why, once."""
    told = reports(ear, Vitals(probes=HealthReport.PASS, rules=HealthReport.FAIL))
    await told.tell()
    await told.tell()
    assert ear.all() == ["STATUS=monitoring is impaired: rules: works"]


async def test_without_a_watchdog_only_the_status_is_told(ear: Ear) -> None:
    """WatchdogSec= may be left out of the unit."""
    await reports(ear, Vitals(rules=HealthReport.PASS), watchdog_s=None).tell()
    assert ear.all() == ["STATUS=nothing full, overdue or due"]


async def test_a_store_that_cannot_be_read_is_the_status(ear: Ear) -> None:
    """The watchdog comes first, and waits for no disk; a line break in the reason makes no second assignment."""
    broken = StoreError("it cannot be read:\nREADY=1")
    await reports(ear, Vitals(rules=HealthReport.PASS), Findings(broken)).tell()
    assert ear.all() == ["WATCHDOG=1", "STATUS=the findings cannot be read: it cannot be read: READY=1"]


async def test_the_status_is_one_line_whatever_a_thing_is_called(ear: Ear) -> None:
    """Names come from outside, and a line break in one would be another assignment."""
    await reports(ear, Vitals(), Findings(due("a\nSTOPPING=1" + "b" * 500, 1)), None).tell()
    (status,) = ear.all()
    assert "\n" not in status
    assert len(status) <= len("STATUS=") + LONGEST_STATUS


def test_the_status_names_what_is_nearest() -> None:
    """Of what lies ahead the first, and how much is past already."""
    ahead = [due("guest tide-log", 9), due("certificate of hide-hub", 3), due("scrub of skerry", 30)]
    nearest = status_line(ahead, NOW, UTC)
    assert nearest == "next: certificate of hide-hub due in 3 days"
    past = [due("snapshot of ringing-db", -1), due("/skerry", -0.01, Concern.FULL)]
    assert status_line([*ahead, *past], NOW, UTC) == f"2 full or overdue; {nearest}"
    assert status_line(past[:1], NOW, UTC) == "1 full or overdue"
    silent = Finding(SeriesKey("hide-hub", "answer"), Concern.NOT_ANSWERING, NOW, None)
    assert status_line([silent], NOW, UTC) == "nothing full, overdue or due"


CONFIG = """
watch_host = false
[host]
name = "gannet"
[page]
port = 0
[store]
path = "{folder}/watchkeeper.db"
"""


def test_a_daemon_tells_of_its_life(ear: Ear, tmp_path: Path) -> None:
    """READY=1 comes once the page answers, then food for the watchdog at its pace, and STOPPING=1 on SIGTERM."""
    config = tmp_path / "config.toml"
    config.write_text(CONFIG.format(folder=tmp_path))
    environment = os.environ | ear.environment | {"WATCHDOG_USEC": "1000000"}
    process = subprocess.Popen(command(config), stdout=subprocess.PIPE, text=True, env=environment)
    with Daemon(process) as daemon:
        ear.until("READY=1")
        with urllib.request.urlopen(f"{daemon.address}", timeout=60) as answer:
            assert answer.status == 200
        fed = [ear.until("WATCHDOG=1") for _ in range(3)]
        assert not any("STOPPING=1" in each for each in fed)
        assert daemon.stop() == 0
    last = ear.all()
    assert "STOPPING=1" in last
    assert "WATCHDOG=1" not in last[last.index("STOPPING=1") :]


def test_a_daemon_that_cannot_start_is_never_ready(ear: Ear, tmp_path: Path) -> None:
    """With its database's folder missing it ends, and systemd has heard nothing that it could take for a start."""
    config = tmp_path / "config.toml"
    config.write_text(CONFIG.format(folder=tmp_path / "config.toml"))
    environment = os.environ | ear.environment
    done = subprocess.run(command(config), env=environment, capture_output=True, check=False, timeout=60)
    assert done.returncode == 69
    assert ear.all() == []


def test_a_reload_is_told_from_its_begin_to_its_end(ear: Ear, tmp_path: Path) -> None:
    """RELOADING=1 with the monotonic time of its begin, then READY=1; what was rejected stays in the status."""
    config = tmp_path / "config.toml"
    config.write_text(CONFIG.format(folder=tmp_path))
    environment = os.environ | ear.environment | {"WATCHDOG_USEC": "1000000"}
    process = subprocess.Popen(command(config), stdout=subprocess.PIPE, text=True, env=environment)
    with Daemon(process) as daemon:
        ear.until("READY=1")
        config.write_text(CONFIG.format(folder=tmp_path) + "[pgae]\n")
        before_us = time.monotonic() * 1e6
        process.send_signal(signal.SIGHUP)
        heard = ear.until("READY=1")
        reloading = next(each for each in heard if "RELOADING=1" in each)
        words = dict(line.split("=", 1) for line in reloading.splitlines())
        assert before_us <= int(words["MONOTONIC_USEC"]) <= time.monotonic() * 1e6
        # It comes before or after the reload's end, and the status of the start may come late.
        assert ear.first("STATUS=the new configuration has 1 error and was rejected", heard)
        assert daemon.stop() == 0
