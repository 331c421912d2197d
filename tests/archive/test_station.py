"""Two hosts and two stations as real processes: one page, a host that falls silent, a station that ends."""

import json
import urllib.request
from contextlib import ExitStack
from pathlib import Path

import pytest

from tests.archive.copying import initialised
from tests.support.daemon import Daemon
from tests.support.postgres import server
from tests.support.receivers import Hook
from tests.support.waiting import until


def configured(folder: Path, name: str, address: str, more: str) -> Path:
    """A configuration in a folder of its own, with an address of the archive."""
    (folder / name).mkdir()
    (folder / name / "archive-url").write_text(address)
    (folder / name / "archive-url").chmod(0o600)
    config = folder / name / "config.toml"
    config.write_text(
        f"""
watch_host = false
[host]
name = "{name}"
time_zone = "UTC"
[page]
port = 0
[store]
path = "{folder / name}/watchkeeper.db"
[rules.not_reporting]
intervals = 300
[archive]
url = {{ file = "{folder / name}/archive-url" }}
every = "1s"
silent_after = "8s"
{more}
"""
    )
    return config


def read(address: str) -> str:
    """A page of a station."""
    with urllib.request.urlopen(address, timeout=30) as answer:
        return str(answer.read().decode())


PROBES = """
[[probe]]
kind = "memory"
every = "1s"
[[probe]]
kind = "http"
name = "door"
url = "http://127.0.0.1:9/"
every = "2s"
timeout = "1s"
[rules.not_answering]
warning = "1s"
"""


@pytest.mark.slow
@pytest.mark.untraced
@pytest.mark.timeout(200)
def test_a_station_shows_all_hosts_and_reports_a_silent_one(tmp_path: Path) -> None:
    """One of two stations sends; the other one does so when the first has ended."""
    with server() as archive, ExitStack() as stack:
        addresses = initialised(archive, tmp_path, "gannet", "petrel", "--page")
        hooks = Hook(), Hook()
        for each in hooks:
            stack.callback(each.close)
        hosts = {
            name: stack.enter_context(Daemon.start(configured(tmp_path, name, addresses[name], PROBES)))
            for name in ("gannet", "petrel")
        }
        stations = [
            stack.enter_context(
                Daemon.start(
                    configured(
                        tmp_path,
                        f"station {number}",
                        addresses["the station"],
                        f'[[notifier]]\nkind = "webhook"\nurl = "{hook.url}"\n[rules.faulty]\non_delay = "1s"\n',
                    ),
                    "station",
                )
            )
            for number, hook in enumerate(hooks)
        ]

        def shown(*texts: str) -> bool:
            return all(text in read(each.address) for each in stations for text in texts)

        until("both hosts on both pages", lambda: shown("gannet: memory", "petrel: memory", "gannet: service door"))
        found = json.loads(read(f"{stations[0].address.rstrip('/')}/api/v1/quantities"))
        of_gannet = [each for each in found["items"] if each["subject"].startswith("gannet: ")]
        assert of_gannet
        series = next(each["id"] for each in of_gannet if each["subject"] == "gannet: memory")
        history = json.loads(read(f"{stations[0].address.rstrip('/')}/api/v1/quantities/{series}/history"))
        assert history["items"]
        for path in ("/events", "/api/v1/raised", "/api/v1/outbox", "/api/v1/status", f"/subjects/{series}"):
            assert read(stations[0].address.rstrip("/") + path)

        def told(which: int) -> list[tuple[str, str]]:
            return [(e["data"]["subject"], e["data"]["kind"]) for e in hooks[which].events]

        hosts["petrel"].kill()
        until("the alarm of one station", lambda: any(("host petrel", "raised") in told(n) for n in (0, 1)))
        first = next(n for n in (0, 1) if told(n))
        until("the alert on both pages", lambda: shown("host petrel", "has not been heard from"))
        body = next(e["data"]["body"] for e in hooks[first].events if e["data"]["subject"] == "host petrel")
        assert "since" in body
        assert "door" in body
        assert not told(1 - first)
        stations[first].kill()
        hosts["gannet"].kill()
        until("the alarm of the other one", lambda: ("host gannet", "raised") in told(1 - first), within_s=120)
        assert ("host petrel", "raised") not in told(1 - first)
