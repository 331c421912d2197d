"""Actions on the page of a real daemon: from the command that makes the password to the event log in the database."""

import re
import subprocess
import sys
from pathlib import Path

import aiohttp

from tests.support.daemon import Daemon

PASSWORD = "the hides are heated"


def make_password(place: Path) -> None:
    """Make the hash with the command, as an operator does."""
    subprocess.run(
        [sys.executable, "-m", "watchkeeper", "password", "--output", str(place)],
        input=f"{PASSWORD}\n",
        text=True,
        check=True,
        stderr=subprocess.PIPE,
        timeout=60,
    )


async def test_the_keeper_acts(tmp_path: Path) -> None:
    """A password made by the command works on the daemon's page; a note and a probe run take effect at once."""
    place = tmp_path / "page-password"
    make_password(place)
    config = tmp_path / "config.toml"
    config.write_text(
        f'[page]\nport = 0\npassword = {{ file = "{place}" }}\n[store]\npath = "{tmp_path / "watch.db"}"\n'
    )
    with Daemon.start(config) as daemon:
        async with aiohttp.ClientSession(cookie_jar=aiohttp.CookieJar(unsafe=True)) as session:
            sign_in, wrong = f"{daemon.address}operator/sign-in", {"password": "not the password"}
            async with session.post(sign_in, data=wrong) as answer:
                assert answer.status == 403
            async with session.post(sign_in, data={"password": PASSWORD}) as answer:
                found = re.search(r'name="word" value="([\w-]+)"', await answer.text())
            assert found
            data = {"word": found[1], "text": "Snapshot removed."}
            async with session.post(f"{daemon.address}operator/note", data=data) as answer:
                assert "Noted in the event log." in await answer.text()
            data = {"word": found[1], "probe": "memory"}
            async with session.post(f"{daemon.address}operator/run", data=data) as answer:
                assert "memory ran." in await answer.text()
            async with session.get(f"{daemon.address}api/v1/events") as answer:
                lines = (await answer.json())["items"]
        assert "Snapshot removed." in [line["text"] for line in lines if line["kind"] == "note"]
        assert daemon.stop() == 0
