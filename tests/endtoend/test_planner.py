"""A real daemon plans on its page what the commands answer on the same host, with the newest configuration."""

import json
import signal
import subprocess
import sys
import time
import urllib.parse
import urllib.request
from pathlib import Path
from typing import Any

from tests.support.daemon import Daemon, base
from tests.support.receivers import Hook, free_port

HEAD = (
    base()
    + """
[[probe]]
kind = "memory"
every = "1s"
"""
)
SERVICE = """
[[probe]]
kind = "tcp"
name = "{name}"
host = "127.0.0.1"
port = {port}
every = "1s"
timeout = "1s"
"""


def asked(daemon: Daemon, what: str, **query: str) -> dict[str, Any]:
    """The API's answer."""
    with urllib.request.urlopen(f"{daemon.address}api/v1/{what}?{urllib.parse.urlencode(query)}") as answer:
        found: dict[str, Any] = json.load(answer)
        return found


def told(config: Path, *words: str) -> dict[str, Any]:
    """The command's answer on the same host."""
    line = [sys.executable, "-m", "watchkeeper", "--config", str(config), *words, "--json"]
    done = subprocess.run(line, capture_output=True, text=True, check=False, timeout=60)
    assert done.returncode in {0, 1}, done.stderr
    found: dict[str, Any] = json.loads(done.stdout)
    return found


def test_the_page_plans_as_the_commands_do(tmp_path: Path) -> None:
    """The three questions of one host, asked of the daemon and by command; then a reload applies at once."""
    hook, config = Hook(free_port()), tmp_path / "config.toml"
    head = HEAD.format(folder=tmp_path)
    tide, hub = (SERVICE.format(name=name, port=hook.port) for name in ("tide-log", "hide-hub"))
    config.write_text(head + tide)
    with Daemon.start(config) as daemon:
        _wait_for(daemon, "service tide-log")
        page, command = (
            asked(daemon, "capacity", memory="64MiB", cpus="1"),
            told(config, "capacity", "--memory", "64MiB", "--cpus", "1"),
        )
        assert {name: page[name] for name in ("host", "fits", "question", "stores", "cpus", "not_seen")} == {
            name: command[name] for name in ("host", "fits", "question", "stores", "cpus", "not_seen")
        }
        assert page["memory"]["total_bytes"] == command["memory"]["total_bytes"] > 0
        points = [
            (each["name"], each["verdict"], each["about"]) for each in told(config, "preflight", "tide-log")["checks"]
        ]
        assert points == _points(daemon, "tide-log")
        assert ("answers", "go", "service tide-log") in points
        of_page, of_command = asked(daemon, "reclaim"), told(config, "reclaim")
        assert (of_page["sets"], of_page["not_seen"]) == (of_command["sets"], of_command["not_seen"])
        config.write_text(head + hub)
        daemon.process.send_signal(signal.SIGHUP)
        _wait_for(daemon, "service hide-hub")
        assert ("answers", "go", "service tide-log") not in _points(daemon, "tide-log")
        assert ("answers", "go", "service hide-hub") in _points(daemon, "hide-hub")
        with urllib.request.urlopen(f"{daemon.address}capacity?memory=64MiB") as answer:
            assert b"64 MiB of memory" in answer.read()
        assert daemon.stop() == 0


def _points(daemon: Daemon, subject: str) -> list[tuple[str, str, str]]:
    return [
        (each["name"], each["verdict"], each["about"]) for each in asked(daemon, "preflight", subject=subject)["checks"]
    ]


def _wait_for(daemon: Daemon, subject: str) -> None:
    """Wait until a service has been seen."""
    end_s = time.monotonic() + 30
    while time.monotonic() < end_s:
        if any(each["subject"] == subject for each in asked(daemon, "quantities")["items"]):
            return
        time.sleep(0.2)
    raise AssertionError(f"{subject} was not seen")
