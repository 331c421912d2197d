"""Strangers try secrets on a real daemon's page as fast as they can: the operator and the job get in each time."""

import asyncio
import re
import secrets
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path

import aiohttp
import pytest

from tests.endtoend.test_acting import PASSWORD, make_password
from tests.support.daemon import Daemon

pytestmark = pytest.mark.untraced

REFUSED, SIGN_INS = 50, 10
"""Each of the two floods lasts until the strangers were refused so often without a look at their secret (429), and the
operator and the job have come in so often meanwhile."""


def _config(folder: Path, token: str) -> Path:
    make_password(folder / "page-password")
    (folder / "token").write_text(token)
    (folder / "token").chmod(0o600)
    config = folder / "config.toml"
    config.write_text(f"""
[page]
port = 0
password = {{ file = "{folder / "page-password"}" }}
[store]
path = "{folder / "watch.db"}"
[[probe]]
kind = "job"
name = "nightly-backup"
within = "26h"
token = {{ file = "{folder / "token"}" }}
""")
    return config


@asynccontextmanager
async def _strangers(address: str) -> AsyncIterator[list[int]]:
    """Two at the operator's own address and two at others: wrong passwords and wrong tokens alternately."""
    seen: list[int] = []

    async def strange(place: str) -> None:
        connector = aiohttp.TCPConnector(local_addr=(place, 0))
        async with aiohttp.ClientSession(connector=connector, cookie_jar=aiohttp.DummyCookieJar()) as session:
            for i in range(100_000):
                password = {"password": "wrong password"}
                async with session.post(f"{address}operator/sign-in", data=password) as answer:
                    seen.append(answer.status)
                headers = {"Authorization": f"Bearer wrong-token-{i:020}", "X-Forwarded-For": f"192.0.2.{i % 256}"}
                async with session.post(f"{address}jobs/nightly-backup/ran", headers=headers) as answer:
                    seen.append(answer.status)

    tasks = [asyncio.create_task(strange(p)) for p in ("127.0.0.1", "127.0.0.1", "127.0.0.2", "127.9.9.9")]
    try:
        yield seen
    finally:
        for each in tasks:
            each.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)


async def _sign_in(session: aiohttp.ClientSession, address: str) -> int:
    data = {"password": PASSWORD}
    async with session.post(f"{address}operator/sign-in", data=data, allow_redirects=False) as answer:
        await answer.read()
        return answer.status


async def _check_in(session: aiohttp.ClientSession, address: str, token: str) -> int:
    headers = {"Authorization": f"Bearer {token}"}
    async with session.post(f"{address}jobs/nightly-backup/ran", headers=headers) as answer:
        return answer.status


async def test_strangers_lock_nobody_out(tmp_path: Path) -> None:
    """Before and after a restart: a browser that signed in once gets in each time, and so does the job."""
    token = secrets.token_urlsafe(32)
    config = _config(tmp_path, token)
    async with aiohttp.ClientSession(cookie_jar=aiohttp.CookieJar(unsafe=True)) as mine, aiohttp.ClientSession() as job:
        with Daemon.start(config) as daemon:
            assert await _sign_in(mine, daemon.address) == 303
            assert daemon.stop() == 0
        for _ in range(2):
            with Daemon.start(config) as daemon:
                async with _strangers(daemon.address) as seen:
                    signed_in, checked_in = [], []
                    for _ in range(500):
                        signed_in.append(await _sign_in(mine, daemon.address))
                        checked_in.append(await _check_in(job, daemon.address, token))
                        if seen.count(429) > REFUSED and len(signed_in) >= SIGN_INS:
                            break
                async with mine.get(f"{daemon.address}operator") as answer:
                    assert re.search(r'name="word"', await answer.text())
                assert daemon.stop() == 0
            assert set(signed_in) == {303}
            assert set(checked_in) == {204}
            assert seen.count(429) > REFUSED
