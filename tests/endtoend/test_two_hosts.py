"""Two real daemons monitor each other with the health path and the HTTP probe, and each sends heartbeats."""

from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path

import pytest

from tests.support.daemon import Daemon
from tests.support.receivers import Hook, free_port
from tests.support.waiting import until

pytestmark = pytest.mark.untraced

CONFIG = """
watch_host = false

[host]
name = "{name}"
time_zone = "UTC"

[page]
port = {port}

[store]
path = "{folder}/watchkeeper.db"

[heartbeat]
url = "{alive}"
every = "1s"

[rules.not_reporting]
intervals = 300

[rules.not_answering]
warning = "5s"
alarm = "never"

[[probe]]
kind = "http"
name = "{other}"
url = "http://127.0.0.1:{other_port}/api/v1/health"
body_json = {{ "/status" = "pass" }}
every = "1s"
timeout = "2s"

[[notifier]]
kind = "webhook"
url = "{hook}"
"""


class Pair:
    """Two hosts, with one receiver of messages and one of heartbeats."""

    def __init__(self, folder: Path, stack: ExitStack) -> None:
        self.hook, self.alive = Hook(), Hook()
        stack.callback(self.hook.close)
        stack.callback(self.alive.close)
        self._stack, self._configs = stack, {}
        ports = {name: free_port() for name in ("gannet", "petrel")}
        for name, other in (("gannet", "petrel"), ("petrel", "gannet")):
            place = folder / name
            place.mkdir()
            text = CONFIG.format(
                name=name,
                other=other,
                port=ports[name],
                other_port=ports[other],
                folder=place,
                hook=self.hook.url,
                alive=self.alive.url,
            )
            (place / "config.toml").write_text(text)
            self._configs[name] = place / "config.toml"

    def start(self, name: str) -> Daemon:
        return self._stack.enter_context(Daemon.start(self._configs[name]))

    def told(self) -> list[tuple[str, str, str]]:
        """Who reported what about whom."""
        return [(e["data"]["host"], e["data"]["kind"], e["data"]["subject"]) for e in self.hook.events]

    def lives(self, name: str) -> int:
        """How many heartbeats a host has sent."""
        return sum(each["host"] == name and each["status"] == "pass" for each in self.alive.events)


@pytest.fixture
def pair(tmp_path: Path) -> Iterator[Pair]:
    """Two hosts that are not started yet."""
    with ExitStack() as stack:
        yield Pair(tmp_path, stack)


def test_each_tells_when_the_other_falls_silent(pair: Pair) -> None:
    """While both run nothing is reported; when one is killed the other reports it, and reports its return."""
    gannet, petrel = pair.start("gannet"), pair.start("petrel")
    until("a sign of life of both", lambda: pair.lives("gannet") >= 2 and pair.lives("petrel") >= 2)
    # A busy machine may start the second one slowly, and the first then misses it: that ends, and nothing follows.
    assert any(_quiet(pair) for _ in range(10)), pair.told()
    pair.hook.events.clear()
    petrel.kill()
    silent = pair.lives("petrel")
    until("word that petrel is silent", lambda: ("gannet", "raised", "service petrel") in pair.told())
    assert pair.lives("petrel") == silent
    pair.start("petrel")
    until("word that petrel is back", lambda: ("gannet", "ended", "service petrel") in pair.told())
    assert all(host == "gannet" for host, *_ in pair.told())
    assert gannet.process.poll() is None


def _quiet(pair: Pair) -> bool:
    """Whether nothing is reported during three heartbeats of both, and everything raised before has ended."""
    before, told = {name: pair.lives(name) for name in ("gannet", "petrel")}, len(pair.told())
    until("more signs of life", lambda: all(pair.lives(name) >= before[name] + 3 for name in before))
    words = [telling for _, telling, _ in pair.told()]
    return len(words) == told and words.count("raised") == words.count("ended")
