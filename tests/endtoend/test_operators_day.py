"""What an operator asks and does in the terminal, on a real daemon with a real mail server and a real webhook."""

import json
import subprocess
import sys
import urllib.request
from collections.abc import Iterator
from pathlib import Path
from typing import Any
from urllib.parse import quote

import pytest

from tests.support.daemon import Daemon
from tests.support.receivers import Hook, Mailbox
from tests.support.waiting import until

CONFIG = """
watch_host = false
[page]
port = 0
[store]
path = "{folder}/state/watchkeeper.db"
[rules.not_answering]
warning = "1s"
alarm = "1h"
[[probe]]
kind = "tcp"
name = "hide-hub"
host = "127.0.0.1"
port = 9
every = "1s"
[[notifier]]
kind = "mail"
name = "mail"
server = "127.0.0.1"
port = {mail}
security = "none"
from = "watchkeeper@gannet.example"
to = ["operator@gannet.example"]
[[notifier]]
kind = "webhook"
name = "urgent"
url = "{hook}"
at_least = "alarm"
"""


@pytest.fixture
def mailbox() -> Iterator[Mailbox]:
    """A real mail server."""
    made = Mailbox()
    yield made
    made.close()


@pytest.fixture
def hook() -> Iterator[Hook]:
    """A real webhook receiver."""
    made = Hook()
    yield made
    made.close()


@pytest.fixture
def config(tmp_path: Path, mailbox: Mailbox, hook: Hook) -> Path:
    """One service that does not answer; mail for all, a webhook for alarms."""
    path = tmp_path / "config.toml"
    path.write_text(CONFIG.format(folder=tmp_path, mail=mailbox.port, hook=hook.url))
    return path


def run(config: Path, *words: str) -> subprocess.CompletedProcess[str]:
    """A command with this configuration; its output in one line, as it is wrapped."""
    argv = [sys.executable, "-m", "watchkeeper", "--config", str(config), *words]
    done = subprocess.run(argv, capture_output=True, text=True, timeout=60, check=False)
    return subprocess.CompletedProcess(
        argv, done.returncode, " ".join(done.stdout.split()), " ".join(done.stderr.split())
    )


def get(daemon: Daemon, path: str) -> Any:
    """An answer of the page or the API."""
    with urllib.request.urlopen(f"{daemon.address}{path}", timeout=10) as answer:
        text = answer.read().decode()
        return json.loads(text) if path.startswith("api") else text


def test_why_it_was_or_was_not_sent(config: Path, mailbox: Mailbox, hook: Hook) -> None:
    """By the command, the API and the page; also when the daemon has stopped."""
    with Daemon.start(config) as daemon:
        until("the mail", lambda: mailbox.mails)
        until("its line", lambda: "mail: sent " in run(config, "explain", "hide-hub").stdout)
        found = get(daemon, f"api/v1/decisions?subject={quote('service hide-hub')}")["items"]
        assert [each["not_sent_because"] for each in found[-1]["notifiers"]] == [None, 'at_least is "alarm"']
        assert "Why it was or was not sent" in get(daemon, f"subjects/{found[-1]['quantity_id']}")
        assert daemon.stop() == 0
    assert hook.events == []
    said = run(config, "explain", "hide-hub").stdout
    for part in (
        "limits: warning after 1 s, alarm after 1 h",
        "calls for a warning",
        "alert active (warning)",
        'urgent caution, warning: not sent: at_least is "alarm"; alarm: sent at once',
        "message: service hide-hub not answering",
        'urgent: not sent: at_least is "alarm"',
    ):
        assert part in said
    unknown = run(config, "explain", "service hide-hup")
    assert (unknown.returncode, 'did you mean "service hide-hub"?' in unknown.stderr) == (64, True)
