"""Two hosts and two stations as real processes: one page, a host that falls silent, a station that ends."""

import asyncio
import json
import re
import urllib.request
from collections.abc import Awaitable, Callable
from contextlib import ExitStack
from pathlib import Path
from typing import TypeVar

import aiohttp
import pytest

from tests.archive.copying import initialised
from tests.support.acting import PASSWORD, password_file
from tests.support.daemon import Daemon
from tests.support.postgres import server
from tests.support.receivers import Hook
from tests.support.waiting import until

T = TypeVar("T")


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


@pytest.mark.slow
@pytest.mark.untraced
@pytest.mark.timeout(200)
async def test_an_acknowledgement_goes_to_its_host_and_comes_back(tmp_path: Path) -> None:
    """On the page of a station: one host does what it is asked, and the page shows it; the other one says why not."""
    with server() as archive, ExitStack() as stack:
        addresses = initialised(archive, tmp_path, "gannet", "petrel", "--page")
        for name, more in (("gannet", "accept_requests = true\n"), ("petrel", "")):
            stack.enter_context(Daemon.start(configured(tmp_path, name, addresses[name], more + PROBES)))
        config = configured(tmp_path, "puffin", addresses["the station"], "")
        protected = f'port = 0\npassword = {{ file = "{password_file(tmp_path).file}" }}\n'
        config.write_text(config.read_text().replace("port = 0\n", protected))
        page = stack.enter_context(Daemon.start(config, "station")).address.rstrip("/")
        async with aiohttp.ClientSession(cookie_jar=aiohttp.CookieJar(unsafe=True)) as session:
            async with session.post(f"{page}/operator/sign-in", data={"password": PASSWORD}) as answer:
                word = re.search(r'name="word" value="([\w-]+)"', await answer.text())
            assert word

            async def doors() -> dict[str, str]:
                """By host: the state of its door's alert."""
                async with session.get(f"{page}/api/v1/raised") as answer:
                    items = (await answer.json())["items"]
                ours = [each for each in items if each["subject"].endswith(": service door")]
                return {each["subject"].partition(":")[0]: each["state"] for each in ours}

            await becomes(doors, lambda found: found == {"gannet": "active", "petrel": "active"})
            async with session.get(f"{page}/api/v1/quantities") as answer:
                items = (await answer.json())["items"]
            answers = [each for each in items if each["quantity"] == "answer"]
            for number in (each["id"] for each in answers if each["subject"].endswith(": service door")):
                data = {"word": word[1], "concern": "not_answering", "back": f"subjects/{number}"}
                async with session.post(f"{page}/subjects/{number}/acknowledge", data=data) as answer:
                    assert "was asked to acknowledge it" in await answer.text()

            async def notes() -> dict[str, str]:
                async with session.get(f"{page}/api/v1/events") as answer:
                    lines = (await answer.json())["items"]
                return {line["subject"]: line["text"] for line in lines if line["kind"] == "note"}

            said = await becomes(notes, lambda found: len(found) == 2)
            assert said["gannet: service door"] == "the station puffin asked to acknowledge this: acknowledged"
            assert "set archive.accept_requests = true on it" in said["petrel: service door"]
            found = await becomes(doors, lambda found: found["gannet"] == "acknowledged")
            assert found["petrel"] == "active"


async def becomes(ask: Callable[[], Awaitable[T]], true: Callable[[T], bool]) -> T:
    """Ask until the answer is as expected, for a minute at most; returns it."""
    async with asyncio.timeout(60):
        while not true(found := await ask()):  # noqa: ASYNC110  of other processes
            await asyncio.sleep(0.2)
    return found
