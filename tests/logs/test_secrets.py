"""Secrets are sent through every notifier's ways to fail, and none of them is found in anything that was logged.

The receivers are hostile: they say the secret back in whatever place their protocol has for words.
"""

import asyncio
import base64
import json
import logging
from collections.abc import AsyncIterator, Awaitable, Callable, Mapping
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

import pytest

from tests.support.messages import messages
from tests.support.outbox import MemoryOutboxStore, SetClock
from watchkeeper.clock import Clock
from watchkeeper.config.tables.heartbeat import HeartbeatSettings
from watchkeeper.daemon.heartbeat import Heartbeat
from watchkeeper.logs import lines
from watchkeeper.model.records import Delivery
from watchkeeper.notifiers.outbox.outbox import Outbox
from watchkeeper.notifiers.registry import BUILT_IN, make_notifier
from watchkeeper.web.dashboard.health import Check, HealthReport, Measurements

WORD = "tern-egg-9917"
SIGNING = "whsec_" + base64.b64encode(b"a key of the nest box, 9917").decode()
ENCODED = [
    base64.b64encode(text.encode()).decode().rstrip("=") for text in (WORD, f"\0gannet\0{WORD}", f"gannet\0{WORD}")
]
SECRETS = [WORD, SIGNING, SIGNING.removeprefix("whsec_"), *ENCODED, WORD.replace("-", "%2D")]

Talk = Callable[[asyncio.StreamReader, asyncio.StreamWriter], Awaitable[None]]


async def echo_http(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
    """Refuses with all that it was told as its reason, as a header and as its body."""
    head = (await reader.readuntil(b"\r\n\r\n")).decode("latin-1")
    said = " ".join(head.split())
    writer.write(f"HTTP/1.1 500 {said}\r\nRetry-After: {said}\r\nContent-Length: {len(said)}\r\n\r\n{said}".encode())
    await writer.drain()


async def gone_http(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
    """Refuses each time, with all that it was given."""
    said = " ".join((await reader.readuntil(b"\r\n\r\n")).decode("latin-1").split())
    writer.write(f"HTTP/1.1 410 {said}\r\nContent-Length: 0\r\n\r\n".encode())
    await writer.drain()


async def lead_http(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
    """Sends away, to an address with all that it was told."""
    said = "%20".join((await reader.readuntil(b"\r\n\r\n")).decode("latin-1").split())
    writer.write(f"HTTP/1.1 302 Found\r\nLocation: http://127.0.0.1:1/{said}\r\nContent-Length: 0\r\n\r\n".encode())
    await writer.drain()


async def echo_raw(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
    """Says back whatever comes, in no protocol at all."""
    writer.write(WORD.encode() + b"\r\n")
    writer.write(await reader.read(65_536))
    await writer.drain()


async def hang_up(_reader: asyncio.StreamReader, _writer: asyncio.StreamWriter) -> None:
    """Is gone at once."""


async def echo_smtp(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
    """Lets nobody in, and says why with the password in it, plain and as it came."""
    writer.write(b"220 mail.example.org ESMTP\r\n")
    while line := (await reader.readline()).decode().strip():
        verb = line.split()[0].upper()
        if verb == "EHLO":
            writer.write(b"250-mail.example.org\r\n250 AUTH PLAIN LOGIN CRAM-MD5\r\n")
        elif verb == "AUTH":
            writer.write(f"535 5.7.8 no: {line} {WORD} {' '.join(ENCODED)}\r\n".encode())
        else:
            writer.write(f"550 no: {line} {WORD}\r\n".encode())
        await writer.drain()


async def turn_away_smtp(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
    """Lets in who knows the password, and then takes no mail, with the password in its reason."""
    writer.write(b"220 mail.example.org ESMTP\r\n")
    while line := (await reader.readline()).decode().strip():
        match line.split()[0].upper():
            case "EHLO":
                writer.write(b"250-mail.example.org\r\n250 AUTH PLAIN\r\n")
            case "AUTH":
                writer.write(b"235 2.7.0 come in\r\n")
            case _:
                writer.write(f"550 no: {WORD} {' '.join(ENCODED)}\r\n".encode())
        await writer.drain()


async def echo_mqtt(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
    """Refuses a connection with the password as its reason string: MQTT 5, 3.2.2.3.9."""
    await reader.read(65_536)
    reason = b"\x1f" + len(WORD).to_bytes(2, "big") + WORD.encode()
    body = b"\x00\x86" + bytes([len(reason)]) + reason
    writer.write(b"\x20" + bytes([len(body)]) + body)
    await writer.drain()


@asynccontextmanager
async def serving(talk: Talk) -> AsyncIterator[int]:
    """A server that talks so; its port."""

    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        try:
            await talk(reader, writer)
        except (ConnectionError, asyncio.IncompleteReadError):
            pass
        finally:
            writer.close()

    server = await asyncio.start_server(serve, "127.0.0.1", 0)
    async with server:
        yield server.sockets[0].getsockname()[1]


def told(caplog: pytest.LogCaptureFixture) -> str:
    """All that was logged by anybody, as the journal and a terminal get it."""
    entries = [lines.journal_fields(each, "") for each in caplog.records]
    return json.dumps([*entries, *(lines.service_line(each, "") for each in caplog.records)])


def kept(folder: Path, name: str, text: str) -> dict[str, str]:
    """A secret in a file, as the configuration names it."""
    path = folder / name
    path.write_text(text)
    return {"file": str(path)}


def settings(kind: str, folder: Path, port: int) -> dict[str, Any]:
    """A notifier's settings, with a secret wherever it takes one."""
    password = {"user": "gannet", "password": kept(folder, "password", WORD)}
    known: Mapping[str, dict[str, Any]] = {
        "webhook": {
            "url": kept(folder, "url", f"http://127.0.0.1:{port}/{WORD}?key={WORD}"),
            "secret": kept(folder, "secret", SIGNING),
            "headers": {"X-Plain": WORD, "Authorization": kept(folder, "token", f"Bearer {WORD}")},
        },
        "mail": {
            "server": "127.0.0.1",
            "port": port,
            "security": "none",
            "from": "gannet@example.org",
            "to": ["keeper@example.org"],
            **password,
        },
        "mqtt": {"server": "127.0.0.1", "port": port, "security": "none", **password},
        "syslog": {"server": "127.0.0.1", "port": port},
        "command": {"run": ["/bin/sh", "-c", "exit 75"]},
    }
    return {"kind": kind, "timeout": "2s", **known[kind]}


WAYS = [
    *(("webhook", talk) for talk in (echo_http, gone_http, lead_http, echo_raw, hang_up)),
    *(("mail", talk) for talk in (echo_smtp, turn_away_smtp, echo_raw, hang_up)),
    *(("mqtt", talk) for talk in (echo_mqtt, echo_raw, hang_up)),
    *(("syslog", talk) for talk in (echo_raw, hang_up)),
    ("command", hang_up),
]


def test_no_notifier_is_left_out() -> None:
    """Whoever adds a notifier adds its ways to fail here."""
    assert {kind for kind, _ in WAYS} == {*BUILT_IN}


@pytest.mark.parametrize(("kind", "talk"), WAYS)
async def test_a_delivery_that_fails_tells_no_secret(
    kind: str, talk: Talk, tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    """Whatever the receiver says, log and journal hold no secret, and do tell that it failed."""
    caplog.set_level(logging.DEBUG)
    store, clock = MemoryOutboxStore(), SetClock()
    async with serving(talk) as port:
        model = BUILT_IN[kind].settings
        notifier = make_notifier(model.model_validate(settings(kind, tmp_path, port)), clock)
        store.add([Delivery(notifier.name, messages()[0], clock.now(), clock.now())])
        outbox = Outbox(store, [notifier], clock)
        running = asyncio.create_task(outbox.run())
        async with asyncio.timeout(20):
            while not store.events:  # noqa: ASYNC110  the store is a dictionary
                await asyncio.sleep(0.01)
        await outbox.close(5)
        await running
    delivery = store.deliveries[1]
    assert delivery.trouble
    logged = told(caplog)
    assert kind in logged
    for secret in SECRETS:
        assert secret not in logged
        assert secret not in repr(store.events) + delivery.trouble


class Well:
    """All is well."""

    def read(self) -> Measurements:
        return Measurements(SetClock().now(), (Check("rules", "reviews", HealthReport.PASS),))


@pytest.mark.parametrize("talk", [echo_http, gone_http, lead_http, echo_raw, hang_up])
async def test_a_sign_of_life_that_fails_tells_no_secret(
    talk: Talk, tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    """The address that hears of the watch is a secret; it is in nothing that is logged."""
    caplog.set_level(logging.DEBUG)
    async with serving(talk) as port:
        url = kept(tmp_path, "url", f"http://127.0.0.1:{port}/{WORD}?key={WORD}")
        await Heartbeat(HeartbeatSettings.model_validate({"url": url}), Clock(), Well(), "gannet").tell()
    logged = told(caplog)
    assert "heartbeat: " in logged
    assert not any(secret in logged for secret in SECRETS)
