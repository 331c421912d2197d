"""Opening the port, and the settings that say which."""

import asyncio
import errno
import socket
from contextlib import closing
from pathlib import Path

import aiohttp
import pytest
from pydantic import ValidationError

from tests.support import readstore
from tests.web.conftest import app_of
from watchkeeper.config.types import SecretSource
from watchkeeper.errors import StartError
from watchkeeper.web.bound_page import _trouble
from watchkeeper.web.server import serve
from watchkeeper.web.settings import PageSettings


async def _raw(port: int, request: bytes) -> bytes:
    reader, writer = await asyncio.open_connection("127.0.0.1", port)
    writer.write(request)
    found = await reader.read()
    writer.close()
    await writer.wait_closed()
    return found


async def test_address_is_the_real_one() -> None:
    """Port 0 takes a free port, and the printed address leads to the page."""
    settings = PageSettings(port=0)
    served = await serve(app_of(readstore.calm()), settings)
    try:
        async with aiohttp.ClientSession() as session, session.get(served.address) as answer:
            assert answer.status == 200
            assert "Nothing needs you" in await answer.text()
    finally:
        await served.cleanup()


async def test_ipv6_address_is_in_brackets() -> None:
    """::1 is written as an address in an address (RFC 3986, 3.2.2), with the prefix behind it."""
    settings = PageSettings(port=0, listen="::1", prefix="/watch")
    served = await serve(app_of(readstore.calm(), settings), settings)
    try:
        assert served.address.startswith("http://[::1]:")
        assert served.address.endswith("/watch/")
        async with aiohttp.ClientSession() as session, session.get(served.address.rstrip("/")) as answer:
            assert answer.status == 200
    finally:
        await served.cleanup()


async def test_port_in_use() -> None:
    """A taken port is named with the remedy, and nothing is left open."""
    with closing(socket.create_server(("127.0.0.1", 0))) as other:
        port = other.getsockname()[1]
        with pytest.raises(StartError, match=rf"port {port} on 127.0.0.1 is taken; .* set page.port"):
            await serve(app_of(readstore.calm()), PageSettings(port=port))


@pytest.mark.parametrize(
    ("number", "words"),
    [
        (errno.EACCES, "take one above 1023"),
        (errno.EADDRNOTAVAIL, "has no address 127.0.0.1"),
        (errno.EIO, "port 8417 on 127.0.0.1: broken"),
    ],
)
def test_other_troubles(number: int, words: str) -> None:
    """Every reason why a port cannot be had is told with what to do."""
    assert words in _trouble(OSError(number, "broken"), PageSettings())


@pytest.mark.parametrize(
    ("text", "words"), [("", "cannot be read from"), ("gulls\n", "holds no hash; make one with: watchkeeper password")]
)
async def test_a_password_that_is_none_stops_the_start(tmp_path: Path, text: str, words: str) -> None:
    """A file that is not there, or holds no hash, is told at the start, and nothing of what is in it."""
    place = tmp_path / "page-password"
    if text:
        place.write_text(text)
    settings = PageSettings(port=0, password=SecretSource(file=place))
    with pytest.raises(StartError, match=words) as told:
        await serve(app_of(readstore.calm(), settings), settings)
    assert "page-password" in str(told.value)
    assert "gulls" not in str(told.value)


@pytest.mark.parametrize(
    ("request_head", "status"),
    [
        (b"GET / HTTP/1.1\r\nConnection: close\r\n\r\n", b" 400 "),
        (b"GET / HTTP/1.0\r\n\r\n", b" 400 "),
        (b"GET / HTTP/1.1\r\nHost: localhost\r\nHost: evil.test\r\nConnection: close\r\n\r\n", b" 400 "),
        (b"GET / HTTP/1.1\r\nHost: localhost\r\nX: " + b"x" * 9_000 + b"\r\n\r\n", b" 400 "),
        (b"GET / HTTP/1.1\r\nHost: localhost\r\n" + b"X: y\r\n" * 200 + b"\r\n", b" 400 "),
        (b"GET / HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n\r\n", b" 200 "),
    ],
)
async def test_request_heads(request_head: bytes, status: bytes) -> None:
    """A request without exactly one Host field, or with a head beyond all measure, is refused on a raw connection."""
    served = await serve(app_of(readstore.calm()), PageSettings(port=0))
    try:
        port = served.runner.addresses[0][1]
        assert status in (await asyncio.wait_for(_raw(port, request_head), 10)).split(b"\r\n")[0]
    finally:
        await served.cleanup()


@pytest.mark.parametrize("listen", ["127.0.0.1", "127.0.0.2", "::1", "localhost"])
def test_loopback_is_allowed(listen: str) -> None:
    """The page may be served on any loopback address."""
    assert PageSettings(listen=listen).listen == listen


@pytest.mark.parametrize(
    ("values", "words"),
    [
        ({"listen": "0.0.0.0"}, "can be reached from other machines; make one with `watchkeeper password`"),
        ({"listen": "192.0.2.7"}, "can be reached from other machines; make one with `watchkeeper password`"),
        ({"listen": "::"}, "can be reached from other machines; make one with `watchkeeper password`"),
        ({"listen": "gannet"}, "is not an address"),
        ({"reading": "password"}, "needs a password when it is"),
        ({"port": 65_536}, "less than or equal to 65535"),
        ({"hosts": ["http://watch.example.org"]}, "is not a host name"),
        ({"hosts": ["watch.example.org:443"]}, "is not a host name"),
        ({"prefix": "watch"}, "begin it with /"),
        ({"prefix": "/a b"}, "begin it with /"),
        ({"colour": "red"}, "Extra inputs"),
    ],
)
def test_settings_are_refused_with_the_reason(values: dict[str, object], words: str) -> None:
    """What is not allowed is told with what is."""
    with pytest.raises(ValidationError, match=words):
        PageSettings.model_validate(values)


@pytest.mark.parametrize(
    ("listen", "reading", "private"),
    [
        ("127.0.0.1", None, False),
        ("127.0.0.1", "password", True),
        ("192.0.2.7", None, True),
        ("::", "password", True),
        ("0.0.0.0", "open", False),
    ],
)
def test_who_may_read(listen: str, reading: str | None, *, private: bool) -> None:
    """With a password the page may be served anywhere, and is then read with it, unless the operator says otherwise."""
    values = {"listen": listen, "reading": reading, "password": {"file": "/etc/watchkeeper/page-password"}}
    settings = PageSettings.model_validate(values)
    assert settings.private is private
    assert settings.loopback is (listen == "127.0.0.1")
    assert settings.names == (("192.0.2.7",) if listen == "192.0.2.7" else settings.names)
    assert "0.0.0.0" not in settings.names


def test_settings_are_made_even() -> None:
    """Names are compared in lower case; a slash at a prefix's end says nothing."""
    settings = PageSettings(hosts=("Watch.Example.org",), prefix="/watch/")
    assert (settings.hosts, settings.prefix) == (("watch.example.org",), "/watch")
