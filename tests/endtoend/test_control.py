"""The terminal acts on a real daemon: acknowledge, shelve and note, over the local socket."""

import json
import os
import socket
import stat
import subprocess
import sys
import urllib.request
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.support.daemon import Daemon, base
from tests.support.needs import need
from tests.support.waiting import until

CONFIG = (
    base("{folder}/state")
    + """
[rules.not_answering]
warning = "1s"
[[probe]]
kind = "tcp"
name = "hide-hub"
host = "127.0.0.1"
port = 9
every = "1s"
[[probe]]
kind = "snapshots"
name = "tide-log"
files = ["{folder}/none/*.img"]
max_age = "1d"
every = "1s"
"""
)


@pytest.fixture
def config(tmp_path: Path) -> Path:
    """A service and snapshots that are not there."""
    path = tmp_path / "config.toml"
    path.write_text(CONFIG.format(folder=tmp_path))
    return path


@pytest.fixture
def daemon(config: Path) -> Iterator[Daemon]:
    """A daemon that has raised both alerts."""
    with Daemon.start(config) as running:
        until("both alerts", lambda: len(alerts(running, "active")) == 2)
        yield running


def get(daemon: Daemon, path: str) -> dict[str, Any]:
    """An answer of the API."""
    with urllib.request.urlopen(f"{daemon.address}api/v1/{path}", timeout=60) as answer:
        found: dict[str, Any] = json.load(answer)
        return found


def alerts(daemon: Daemon, state: str) -> list[str]:
    """The subjects of the alerts in a state."""
    return [each["subject"] for each in get(daemon, "raised")["items"] if each["state"] == state]


def run(config: Path, *words: str, **more: Any) -> subprocess.CompletedProcess[str]:
    """A command with this configuration."""
    argv = [sys.executable, "-m", "watchkeeper", "--config", str(config), *words]
    return subprocess.run(argv, capture_output=True, text=True, timeout=60, check=False, **more)


def test_the_operator_acts_in_the_terminal(config: Path, daemon: Daemon) -> None:
    """What is done there is on the page and in the event log at once; names that do not fit are explained."""
    listed = run(config, "acknowledge").stdout
    assert listed.count("(warning), active") == 2
    ambiguous = run(config, "acknowledge", "s")
    assert (ambiguous.returncode, "means more than one" in ambiguous.stderr) == (64, True)
    unknown = run(config, "acknowledge", "service hide-hup")
    assert 'did you mean "service hide-hub"?' in " ".join(unknown.stderr.split())
    assert run(config, "acknowledge", "hide-hub").stdout.startswith("Acknowledged: service hide-hub")
    assert alerts(daemon, "acknowledged") == ["service hide-hub"]
    assert run(config, "shelve", "tide-log", "--for", "8h").stdout.startswith("Shelved until ")
    shelved = {each["subject"]: each["shelved_until"] for each in get(daemon, "raised")["items"]}
    assert shelved["snapshots of tide-log"] is not None
    assert run(config, "shelve", "tide-log", "--end").stdout.startswith("No longer shelved")
    assert run(config, "shelve", "tide-log", "--for", "90d").returncode == 64
    assert run(config, "shelve", "tide-log", "--for", "8").returncode == 64
    assert run(config, "note", "--about", "service hide-hub", "Its guest is being moved.").returncode == 0
    lines = [each for each in get(daemon, "events")["items"] if each["kind"] == "note"]
    assert ("Its guest is being moved.", "service hide-hub") in [(each["text"], each["subject"]) for each in lines]
    assert run(config, "note", "--about", "hide-hub", "Moved.").returncode == 0
    lines = [each for each in get(daemon, "events")["items"] if each["kind"] == "note"]
    assert ("Moved.", "service hide-hub") in [(each["text"], each["subject"]) for each in lines], "a part of the name"
    assert run(config, "note", "--about", "hide-hup", "x").returncode == 64
    assert run(config, "note", "x" * 1_001).returncode == 64
    assert run(config, "acknowledge", "--all").stdout.startswith("Acknowledged: snapshots of tide-log")
    assert run(config, "acknowledge").stdout == "There is nothing to acknowledge.\n"
    assert daemon.stop() == 0
    assert not (config.parent / "state/control.sock").exists()
    gone = run(config, "note", "too late")
    assert (gone.returncode, "no daemon runs on the database" in gone.stderr) == (69, True)


@pytest.mark.usefixtures("daemon")
def test_only_the_daemons_user_and_root(config: Path) -> None:
    """By the file system, and by the kernel's word on who connects."""
    place = config.parent / "state/control.sock"
    assert stat.S_IMODE(place.stat().st_mode) == 0o600
    need(os.geteuid() == 0, "needs root to become another user")
    place.chmod(0o666)
    place.parent.chmod(0o755)
    # The daemon may have answered and closed before it has read the request.
    code = (
        "import contextlib, socket, sys; s = socket.socket(socket.AF_UNIX); s.connect(sys.argv[1])\n"
        "with contextlib.suppress(BrokenPipeError): s.sendall(b'{}\\n')\n"
        "print(s.recv(999).decode())"
    )
    # From within its folder: another pytest that starts closes the folders above to other users.
    argv = ["/usr/bin/python3", "-I", "-c", code, place.name]
    done = subprocess.run(
        argv, user=65_534, group=65_534, capture_output=True, text=True, timeout=60, check=False, cwd=place.parent
    )
    assert done.returncode == 0, done.stderr
    assert json.loads(done.stdout) == {"error": "only root and the user that runs watchkeeper may act here"}


NO_REQUESTS = (
    b"\n",
    b"{}\n",
    b"[]\n",
    b"\xff\n",
    b'{"act": "stop"}\n',
    b'{"act": "note", "text": ""}\n',
    b"x" * 200_000,
    b"",
)


def test_what_is_no_request_does_nothing(config: Path, daemon: Daemon) -> None:
    """It is refused in words or dropped, and the daemon goes on."""
    for number, sent in enumerate(NO_REQUESTS):
        answer = answered(config, sent)
        assert answer == b"" or "error" in json.loads(answer), sent
        text = f"still here after {number}"
        note = json.dumps({"act": "note", "text": text}).encode() + b"\n"
        assert "error" not in json.loads(answered(config, note)), sent
        assert next(each["text"] for each in get(daemon, "events")["items"] if each["kind"] == "note") == text
    assert daemon.stop() == 0


def answered(config: Path, sent: bytes) -> bytes:
    """What the socket answers; nothing if the connection was dropped."""
    with socket.socket(socket.AF_UNIX) as connection:
        connection.settimeout(30)
        connection.connect(str(config.parent / "state/control.sock"))
        try:
            connection.sendall(sent)
            connection.shutdown(socket.SHUT_WR)
            return connection.recv(9_999)
        except OSError:
            return b""
