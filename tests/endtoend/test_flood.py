"""A visitor cannot blind the daemon: probes, deliveries and the page go on while its connections are flooded.

One real daemon that may open 1,024 descriptors, as on most hosts; flooding processes of their own; a real webhook
receiver; a real service that stops and starts, so that there is something to deliver during each flood.
"""

import http.client
import json
import subprocess
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import urlsplit

import pytest

from tests.support.daemon import Daemon, base, command
from tests.support.flooding import flood
from tests.support.receivers import Hook, Service
from watchkeeper.web.http.limits import Limits

pytestmark = pytest.mark.untraced

DESCRIPTORS = 1_024
MOST_OF_PAGE = Limits().connections + Limits().accepts
"""Connections that the page holds, and those of one turn of accepts before older ones are gone."""

CONFIG = (
    base("{folder}/state")
    + """
[rules.not_answering]
warning = "1s"
off_delay = "1s"
[rules.chattering]
raises = 1000
[[probe]]
kind = "memory"
every = "1s"
[[probe]]
kind = "command"
name = "lamp"
run = ["/bin/echo", "7"]
format = "number"
at_most = 9
every = "1s"
[[probe]]
kind = "http"
name = "hide-hub"
url = "{service}"
every = "1s"
timeout = "2s"
[[notifier]]
kind = "webhook"
url = "{hook}"
"""
)


@dataclass
class Host:
    """The daemon with all that is around it."""

    daemon: Daemon
    service: Service
    hook: Hook
    log: Path
    at_rest: int = 0
    down: bool = False

    @property
    def port(self) -> int:
        """The page's port."""
        return urlsplit(self.daemon.address).port or 0

    def get(self, path: str) -> tuple[int, bytes]:
        """One answer, as a person gets it: asked for again where the connection is closed, or all were busy (503)."""
        end_s = time.monotonic() + 30
        while time.monotonic() < end_s:
            connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=10)
            try:
                connection.request("GET", path)
                answer = connection.getresponse()
                status, body = answer.status, answer.read()
                if status != 503:
                    return status, body
            except (ConnectionError, http.client.HTTPException, TimeoutError):
                continue
            finally:
                connection.close()
            time.sleep(0.2)
        raise AssertionError(f"no answer to {path} in 30 s")

    def descriptors(self) -> int:
        """How many the daemon has open."""
        return len(list(Path(f"/proc/{self.daemon.process.pid}/fd").iterdir()))

    def newest(self) -> dict[str, str]:
        """When each series of the quick probes was last seen, as the page tells it: one of a file, one of a program."""
        items = json.loads(self.get("/api/v1/quantities")[1])["items"]
        return {each["subject"]: each["last_reading_at"] for each in items if each["subject"] in {"memory", "lamp"}}

    def turn_service(self) -> None:
        """Stop the service, or start it again."""
        if self.down:
            self.service = Service(self.service.port)
        else:
            self.service.close()
        self.down = not self.down

    def until(self, what: str, true: Callable[[], object], within_s: float = 60) -> None:
        """Wait for something."""
        end_s = time.monotonic() + within_s
        while not true():
            assert self.daemon.process.poll() is None, "the daemon ended by itself"
            assert time.monotonic() < end_s, f"{what} did not come within {within_s:g} s"
            time.sleep(0.1)


@pytest.fixture(scope="module")
def host(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Host]:
    """One daemon for all floods."""
    folder = tmp_path_factory.mktemp("flood")
    config, log = folder / "config.toml", folder / "log"
    service, hook = Service(), Hook()
    config.write_text(CONFIG.format(folder=folder, service=service.url, hook=hook.url))
    (folder / "state").mkdir()
    words = ["sh", "-c", f'ulimit -n {DESCRIPTORS}; exec "$@"', "sh", *command(config)]
    with log.open("w") as err, Daemon(subprocess.Popen(words, stdout=subprocess.PIPE, stderr=err, text=True)) as daemon:
        made = Host(daemon, service, hook, log)
        made.until("the first samples", lambda: len(made.newest()) == 2)
        made.at_rest = made.descriptors()
        yield made
        assert daemon.stop() == 0
    if not made.down:
        made.service.close()
    hook.close()


@pytest.mark.parametrize("hosts", ["one", "many"])
@pytest.mark.parametrize(
    ("kind", "count"),
    [("idle", 1_100), ("asking", 1_100), ("idle", 10_000), ("head", 300), ("body", 300), ("stream", 2_000)],
)
def test_the_watch_goes_on(host: Host, kind: str, count: int, hosts: str) -> None:
    """During a flood samples keep coming, a message is delivered, page and health answer, descriptors stay bounded."""
    lines = len(host.log.read_text().splitlines())
    with flood(kind, count, hosts, host.port):
        told, seen = len(host.hook.events), host.newest()
        host.turn_service()
        host.until("the message", lambda: len(host.hook.events) > told)
        host.until("new samples of all", lambda: all(at > seen[key] for key, at in host.newest().items()))
        assert host.get("/api/v1/health")[0] == 200
        assert b"gannet" in host.get("/")[1]
        assert host.get("/static/page.css")[0] == host.get("/static/page.js")[0] == 200
        assert host.descriptors() <= host.at_rest + MOST_OF_PAGE + 30
    host.until("the end of its connections", lambda: host.descriptors() <= host.at_rest + 30)
    assert len(host.log.read_text().splitlines()) <= lines + 10
