"""TCP, against real servers on loopback."""

import asyncio
import socket
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager

import pytest
from pydantic import ValidationError

from tests.probes.hands import the_answer
from tests.support.receivers import free_port
from watchkeeper.errors import ProbeTimeout
from watchkeeper.model.observation import Answer
from watchkeeper.probes.base import ProbeContext
from watchkeeper.probes.services.tcp import TcpProbe, TcpSettings
from watchkeeper.probes.support import resolve as names
from watchkeeper.probes.support.resolve import Address

Serve = Callable[[asyncio.StreamReader, asyncio.StreamWriter], Awaitable[None]]


@asynccontextmanager
async def server(said: bytes, *, then_close: bool = True) -> AsyncIterator[int]:
    """A server that says something to everybody; its port."""
    done = asyncio.Event()

    async def serve(_: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        writer.write(said)
        if not then_close:
            await done.wait()
        writer.close()

    async with await asyncio.start_server(serve, "127.0.0.1", 0) as started:
        yield started.sockets[0].getsockname()[1]
        done.set()
        await asyncio.sleep(0)


async def look(bench: ProbeContext, port: int, **settings: object) -> Answer:
    """One look at a port of loopback."""
    probe = TcpProbe(
        TcpSettings.model_validate({"name": "tide-log", "host": "127.0.0.1", "port": port, **settings}), bench
    )
    seen = await probe.observe()
    await probe.close()
    return the_answer(seen)


async def test_a_service_that_takes_connections(bench: ProbeContext) -> None:
    """An open port answers, with how long the name and the connection took."""
    async with server(b"", then_close=False) as port:
        answer = await look(bench, port)
    assert str(answer.key) == "service tide-log: answer"
    assert answer.answered
    assert answer.reason == ""
    assert [phase for phase, _ in answer.phases] == ["name", "connect"]
    assert answer.took_s is not None
    assert answer.took_s >= sum(took for _, took in answer.phases)
    assert answer.facts == (("address", f"127.0.0.1 port {port}"),)


async def test_a_greeting_as_expected(bench: ProbeContext) -> None:
    """A greeting that matches is a phase of its own; the server need not close."""
    async with server(b"220 tide-log.test ready\r\n", then_close=False) as port:
        answer = await look(bench, port, greeting="^220 .*ready")
    assert answer.answered
    assert [phase for phase, _ in answer.phases] == ["name", "connect", "greeting"]


@pytest.mark.parametrize(
    ("said", "reason"),
    [
        (b"421 not now\r\n", 'unexpected greeting "421 not now"'),
        (b"", "it closed the connection without a greeting"),
        (b"\x1b[31m\xff\x00" + b"x" * 100_000, 'unexpected greeting "\\x1b[31m\N{REPLACEMENT CHARACTER}\\x00xxx'),
    ],
)
async def test_another_greeting(bench: ProbeContext, said: bytes, reason: str) -> None:
    """What is said instead is told, in one line of bounded length, however long and hostile it is."""
    async with server(said) as port:
        answer = await look(bench, port, greeting="^220 ")
    assert not answer.answered
    assert answer.reason.startswith(reason)
    assert len(answer.reason) < 250


async def test_a_service_that_never_greets(bench: ProbeContext) -> None:
    """Where nothing is said, time runs out, and the reason says what it was waiting for."""
    async with server(b"", then_close=False) as port:
        answer = await look(bench, port, greeting="^220 ", timeout=0.2)
    assert not answer.answered
    assert answer.took_s is None
    assert answer.reason.startswith("no answer within")
    assert answer.reason.endswith("(waiting for the greeting)")


async def test_a_pattern_that_takes_too_long(bench: ProbeContext) -> None:
    """A regular expression that would search for minutes is ended."""
    async with server(b"a" * 60 + b"!", then_close=False) as port:
        answer = await look(bench, port, greeting="^(a+)+$")
    assert answer.reason == "searching its greeting takes too long; write a simpler regular expression"


async def test_a_closed_port(bench: ProbeContext) -> None:
    """Where nobody listens, the reason says so."""
    answer = await look(bench, free_port())
    assert not answer.answered
    assert answer.reason == "connection refused"
    assert [phase for phase, _ in answer.phases] == ["name"]


async def test_a_name_that_cannot_be(bench: ProbeContext) -> None:
    """A name with an empty label never reaches a name server."""
    answer = await look(bench, 9, host="hide..hub")
    assert answer.reason == "name hide..hub is not valid"


async def test_the_next_address_is_tried(bench: ProbeContext, monkeypatch: pytest.MonkeyPatch) -> None:
    """A dead first address costs its part of the time; the second one answers."""
    async with server(b"", then_close=False) as port:
        found = [Address(socket.AF_INET, "127.0.0.1", free_port()), Address(socket.AF_INET, "127.0.0.1", port)]

        async def look_up(*_: object) -> list[Address]:
            return found

        monkeypatch.setattr(names, "look_up", look_up)
        assert (await look(bench, port)).answered
        found.clear()
        assert (await look(bench, port)).reason == "no connection: its name has no address"


async def test_a_host_that_swallows_all(bench: ProbeContext) -> None:
    """A listener whose queue is full answers nothing: the time for one address runs out."""
    with socket.socket() as full:
        full.bind(("127.0.0.1", 0))
        full.listen(0)
        port = full.getsockname()[1]
        waiting = [socket.socket() for _ in range(4)]
        for each in waiting:
            each.setblocking(False)
            each.connect_ex(("127.0.0.1", port))
        answer = await look(bench, port, timeout=0.3)
        for each in waiting:
            each.close()
    assert not answer.answered
    assert answer.reason == "the host does not answer"


@pytest.mark.parametrize(
    "wrong",
    [
        {"host": ""}, {"host": "hide hub"}, {"host": "127.0.0.1:80"}, {"host": "http://hide-hub.test"},
        {"host": "hide\x00hub"}, {"port": 0}, {"port": 70_000}, {"greeting": "("}, {"name": ""},
    ],
)  # fmt: skip
def test_settings_that_make_no_sense(wrong: dict[str, object]) -> None:
    """A host that is none, a port that is none and a broken pattern are refused."""
    with pytest.raises(ValidationError):
        TcpSettings.model_validate({"name": "tide-log", "host": "hide-hub.test", "port": 25, **wrong})


def test_hosts_that_make_sense() -> None:
    """Names and addresses of both kinds, with a zone where one is needed."""
    for host in ("hide-hub", "hide-hub.test", "192.0.2.7", "2001:db8::7", "fe80::1%eth0"):
        assert names.plain_host(host) == host


async def test_look_up_of_both_families(bench: ProbeContext) -> None:
    """Loopback addresses are found as they are; the scope of a link-local one is kept for connecting."""
    assert await names.look_up(bench.workers, "127.0.0.1", 7, 5) == [Address(socket.AF_INET, "127.0.0.1", 7)]
    (six,) = await names.look_up(bench.workers, "::1", 7, 5)
    assert six.where == ("::1", 7, 0, 0)


@pytest.mark.parametrize(
    ("error", "reason"),
    [
        (socket.gaierror(socket.EAI_NONAME, "no"), "name hide-hub is not known"),
        (socket.gaierror(socket.EAI_AGAIN, "later"), "name hide-hub cannot be looked up: later"),
        (
            ProbeTimeout("name lookup of hide-hub did not answer within 5s"),
            "name lookup of hide-hub did not answer",
        ),
        (TimeoutError(), "the host does not answer"),
        (OSError(113, "x"), "no route to the host"),
        (OSError(5, "Input/output error"), "no connection: Input/output error"),
    ],
)
def test_reasons(error: Exception, reason: str) -> None:
    """Each error has its clause."""
    assert names.why(error, "hide-hub").startswith(reason)
