"""The daemon of today starts on a database of version 0.1.0: what waited is delivered, what was raised goes on."""

import json
import sqlite3
import time
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import Any
from urllib.request import urlopen

import pytest

from tests.store.upgrade import first_version
from tests.support.daemon import Daemon
from tests.support.receivers import Hook, Service, free_port
from watchkeeper.model.observation import SeriesKey

pytestmark = pytest.mark.untraced

CONFIG = """
watch_host = false
[host]
name = "gannet"
[page]
port = 0
[store]
path = "{folder}/watchkeeper.db"
[rules.not_answering]
off_delay = "1s"
[[probe]]
kind = "http"
name = "hide-hub"
url = "http://127.0.0.1:{service}/"
every = "1s"
timeout = "1s"
[[notifier]]
kind = "webhook"
name = "mail"
url = "http://127.0.0.1:{hook}/"
"""
HUB = SeriesKey("service hide-hub", "answer")
RAISED_AT = "2026-03-08T21:03:20.000Z"


def test_an_upgraded_daemon_goes_on(tmp_path: Path) -> None:
    """Waiting messages come; the alert is on the page, is not notified again, and ends in its thread."""
    database, port = tmp_path / "state" / "watchkeeper.db", free_port()
    first_version.make(database)
    with closing(sqlite3.connect(database)) as conn:
        sql = "SELECT json_extract(message, '$.id') FROM outbox WHERE state = 'waiting' AND notifier = '\"mail\"'"
        waiting = {id_ for (id_,) in conn.execute(sql)}
    config = tmp_path / "config.toml"
    with closing(Hook()) as hook:
        config.write_text(CONFIG.format(folder=database.parent, service=port, hook=hook.port))
        with Daemon.start(config) as daemon:
            # Each was tried before, so its id says that its fields have new names. One that newer messages follow says
            # that it is late, and its id says so too.
            waited = {f"{each}-upgraded" for each in waiting}
            _until(lambda: waited <= {each["id"].removesuffix("-late") for each in hook.events}, "what waited")
            _until(lambda: _newest(daemon) > "2026-03-10", "a look of today")
            (alert,) = [each for each in _items(daemon, "raised") if each["subject"] == HUB.subject]
            assert (alert["state"], alert["priority"], alert["raised_at"]) == ("active", "alarm", RAISED_AT)
            assert "service hide-hub" in _page(daemon)
            assert _of_hub(hook) == []
            with closing(Service(port)):
                _until(lambda: bool(_of_hub(hook)), "the end")
            (ended,) = _of_hub(hook)
            assert (ended["kind"], ended["thread"]) == ("ended", first_version.threads()[HUB])
            assert daemon.stop() == 0


def _of_hub(hook: Hook) -> list[dict[str, Any]]:
    """Messages about the service, but for the reminder that is due after the months since then."""
    told = [each["data"] for each in hook.events if each["data"]["subject"] == HUB.subject]
    return [each for each in told if each["kind"] != "reminded"]


def _newest(daemon: Daemon) -> str:
    """When the service was last evaluated."""
    return max(str(each["at"]) for each in _items(daemon, "findings") if each["subject"] == HUB.subject)


def _items(daemon: Daemon, path: str) -> list[dict[str, Any]]:
    with urlopen(f"{daemon.address}api/v1/{path}", timeout=60) as answer:
        return list(json.load(answer)["items"])


def _page(daemon: Daemon) -> str:
    with urlopen(daemon.address, timeout=60) as answer:
        return str(answer.read().decode())


def _until(there: Callable[[], bool], what: str) -> None:
    end = time.monotonic() + 90
    while not there():
        assert time.monotonic() < end, f"{what} did not come"
        time.sleep(0.05)
