"""Limits of the page's connections: what is closed when, for whom, and what is said about it."""

import asyncio
import logging
import socket
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager, closing
from pathlib import Path

import aiohttp
import pytest
from aiohttp import web

from tests.support import readstore
from tests.support.acting import PASSWORD, ActingDouble, password_file
from tests.web.conftest import app_of
from watchkeeper.web.app import BODY_LIMIT
from watchkeeper.web.http.connections import network_of
from watchkeeper.web.http.event_stream import EVENT_STREAM
from watchkeeper.web.http.limits import Limits
from watchkeeper.web.server import Served, serve
from watchkeeper.web.settings import PageSettings

GET = b"GET / HTTP/1.1\r\nHost: localhost\r\n\r\n"
STREAM = b"GET /api/v1/stream HTTP/1.1\r\nHost: localhost\r\n\r\n"
FORM = b"Content-Type: application/x-www-form-urlencoded\r\n"
BODY = b"POST /operator/sign-in HTTP/1.1\r\nHost: localhost\r\n" + FORM + b"Content-Length: 99\r\n\r\npass"
LONG = Limits(look_s=0.02)

Peer = tuple[asyncio.StreamReader, asyncio.StreamWriter]


@asynccontextmanager
async def serving(limits: Limits, app: web.Application | None = None) -> AsyncIterator[tuple[Served, int]]:
    """A page with these limits, and its port."""
    served = await serve(app or app_of(readstore.calm()), PageSettings(port=0), limits)
    try:
        yield served, served.runner.addresses[0][1]
    finally:
        await served.cleanup()


@asynccontextmanager
async def clients() -> AsyncIterator[Callable[..., Awaitable[Peer]]]:
    """Opens connections from an address of this host, which send something; all are closed at the end."""
    opened: list[asyncio.StreamWriter] = []

    async def connect(port: int, sent: bytes = b"", host: str = "127.0.0.1") -> Peer:
        reader, writer = await asyncio.open_connection("127.0.0.1", port, local_addr=(host, 0))
        opened.append(writer)
        writer.write(sent)
        return reader, writer

    yield connect
    for each in opened:
        each.close()
    await asyncio.gather(*(each.wait_closed() for each in opened), return_exceptions=True)


async def status(peer: Peer) -> int:
    """The status of the next answer; 0 where the connection ends without one."""
    async with asyncio.timeout(10):
        try:
            line = await peer[0].readline()
        except ConnectionError:
            return 0
    return int(line.split()[1]) if line else 0


async def whole(peer: Peer) -> bytes:
    """Everything until the end."""
    async with asyncio.timeout(10):
        try:
            return await peer[0].read()
        except ConnectionError:
            return b""


async def until(true: Callable[[], object]) -> None:
    """Wait for something that nothing tells of."""
    async with asyncio.timeout(10):
        while not true():  # noqa: ASYNC110
            await asyncio.sleep(0.01)


@pytest.mark.parametrize(
    ("sent", "limits", "answer"),
    [
        (b"", Limits(head_s=0.2, look_s=0.02), b""),
        (GET[:20], Limits(head_s=0.2, look_s=0.02), b"HTTP/1.1 408 "),
        (BODY, Limits(body_s=0.2, look_s=0.02), b"HTTP/1.1 408 "),
    ],
    ids=["nothing", "half a head", "half a body"],
)
async def test_what_does_not_come_whole_is_not_waited_for(
    sent: bytes, limits: Limits, answer: bytes, caplog: pytest.LogCaptureFixture
) -> None:
    """A head and a body have a time limit each; who has begun to send is told so, and the log is not."""
    async with serving(limits) as (served, port), clients() as connect:
        told = await whole(await connect(port, sent))
        assert told[:13] == answer
        assert (b"Connection: close" in told) == bool(answer)
        await until(lambda: not len(served.connections))
    assert [each for each in caplog.records if each.levelno >= logging.WARNING] == []


async def test_drops_gain_no_time() -> None:
    """A head that comes byte by byte has no more time than any other."""
    async with serving(Limits(head_s=0.3, look_s=0.02)) as (served, port), clients() as connect:
        _, writer = await connect(port)
        for _ in range(500):
            if not len(served.connections):
                break
            writer.write(b"G")
            await asyncio.sleep(0.02)
        assert not len(served.connections)


async def test_an_idle_connection_is_closed_after_its_time() -> None:
    """After an answer a connection may idle for longer than a head may take, but not without a bound."""
    async with serving(Limits(head_s=0.05, idle_s=0.6, look_s=0.02)) as (served, port), clients() as connect:
        peer = await connect(port, GET)
        assert await status(peer) == 200
        await asyncio.sleep(0.3)
        assert len(served.connections) == 1
        await whole(peer)
        await until(lambda: not len(served.connections))


@pytest.mark.parametrize("last", [b"", b"Connection: close\r\n"], ids=["kept", "last"])
async def test_a_client_that_does_not_read_is_closed(last: bytes) -> None:
    """An answer of which nothing is read does not keep its connection, also where it is the last one."""
    app = web.Application()
    body = bytes(32 * 2**20)

    async def large(_request: web.Request) -> web.Response:
        return web.Response(body=body)

    app.router.add_get("/", large)
    async with serving(Limits(unread_s=0.3, look_s=0.02), app) as (served, port):
        loop = asyncio.get_running_loop()
        with closing(socket.socket()) as client:
            client.setblocking(False)
            await loop.sock_connect(client, ("127.0.0.1", port))
            await loop.sock_sendall(client, GET[:-2] + last + b"\r\n")
            await until(lambda: len(served.connections))
            await until(lambda: not len(served.connections))


async def test_a_slow_reader_gets_its_answer() -> None:
    """One who reads on, however slowly, is not taken for one who has gone."""
    app = web.Application()
    body = bytes(24 * 2**20)

    async def large(_request: web.Request) -> web.Response:
        return web.Response(body=body)

    app.router.add_get("/", large)
    async with serving(Limits(unread_s=0.5, look_s=0.02), app) as (_, port), clients() as connect:
        reader, _ = await connect(port, GET[:-2] + b"Connection: close\r\n\r\n")
        found = 0
        while part := await asyncio.wait_for(reader.read(2**20), 10):
            found += len(part)
            await asyncio.sleep(0.04)
        assert found > len(body)


def waiting(gate: asyncio.Event) -> web.Application:
    """An application whose answer waits until it is released."""
    app = web.Application()

    async def slow(_request: web.Request) -> web.Response:
        await gate.wait()
        return web.Response(text="done")

    async def quick(_request: web.Request) -> web.Response:
        return web.Response(text="quick")

    app.router.add_get("/", slow)
    app.router.add_get("/quick", quick)
    return app


QUICK = GET.replace(b"/ ", b"/quick ")


async def test_a_new_connection_replaces_the_one_that_waited_longest() -> None:
    """Where all are taken, the longest idle one goes; a request under way is answered, though it came first."""
    gate = asyncio.Event()
    async with serving(Limits(connections=4), waiting(gate)) as (served, port), clients() as connect:
        working = await connect(port, GET)
        await asyncio.sleep(0.1)
        first, second, third = [await connect(port, QUICK) for _ in range(3)]
        assert [await status(each) for each in (first, second, third)] == [200, 200, 200]
        first[1].write(QUICK)
        await first[0].readuntil(b"quick")
        assert await status(first) == 200
        new = await connect(port, QUICK)
        assert await status(new) == 200
        assert b"quick" in await whole(second)
        assert len(served.connections) == 4
        gate.set()
        assert await status(working) == 200
        third[1].write(QUICK)
        await third[0].readuntil(b"quick")
        assert await status(third) == 200


async def test_the_crowded_address_gives_room() -> None:
    """Another address keeps its few connections, however long they idle, while one address has many."""
    async with serving(Limits(connections=12, modest=3)) as (served, port), clients() as connect:
        other = [await connect(port, GET, "127.0.0.2") for _ in range(3)]
        assert [await status(each) for each in other] == [200] * 3
        for _ in range(40):
            await connect(port)
        await until(lambda: len(served.connections) == 12)
        for each in other:
            each[1].write(GET)
            await asyncio.wait_for(each[0].readuntil(b"</html>"), 10)
            assert await status(each) == 200


async def test_a_browser_gets_its_page_though_many_addresses_have_one_connection_each() -> None:
    """An address with a browser's six connections is not the first one to give room."""
    async with serving(Limits(connections=16)) as (_, port), clients() as connect:
        browser = [await connect(port, GET, "127.0.0.2") for _ in range(6)]
        assert [await status(each) for each in browser] == [200] * 6
        for i in range(12):
            await connect(port, b"", f"127.0.1.{i + 1}")
        again = [await connect(port, GET, "127.0.0.2") for _ in range(3)]
        assert [await status(each) for each in again] == [200] * 3


async def test_many_streams_do_not_cost_a_browser_its_page() -> None:
    """An address is crowded by what waits for its client, not by its streams."""
    async with serving(Limits(connections=12, modest=3, streams=6)) as (served, port), clients() as connect:
        streams = [await connect(port, STREAM, "127.0.0.2") for _ in range(5)]
        assert [await status(each) for each in streams] == [200] * 5
        for i in range(6):
            await connect(port, b"", f"127.0.1.{i + 1}")
        fresh = await connect(port, b"", "127.0.0.2")
        await until(lambda: len(served.connections) == 12)
        await whole(await connect(port, GET[:-2] + b"Connection: close\r\n\r\n", "127.0.1.9"))
        fresh[1].write(GET)
        assert await status(fresh) == 200


async def test_a_reader_that_is_stuck_gives_room() -> None:
    """One that reads nothing for a while is closed for another, before its own time is over."""
    app = web.Application()

    async def large(_request: web.Request) -> web.Response:
        return web.Response(body=bytes(32 * 2**20))

    async def small(_request: web.Request) -> web.Response:
        return web.Response(text="small")

    app.router.add_get("/", large)
    app.router.add_get("/quick", small)
    limits = Limits(connections=4, stuck_s=0.2, look_s=0.02)
    async with serving(limits, app) as (_, port), clients() as connect:
        for _ in range(4):
            _, writer = await connect(port, GET)
            assert isinstance(writer.transport, asyncio.ReadTransport)
            writer.transport.pause_reading()
        await asyncio.sleep(1)
        assert await status(await connect(port, QUICK)) == 200


async def test_where_all_are_at_work_a_new_one_is_refused_and_another_address_is_not() -> None:
    """An address whose requests are all being answered is told to come again; the rest stays free for others."""
    gate = asyncio.Event()
    async with serving(Limits(connections=4, per_address=3), waiting(gate)) as (served, port), clients() as connect:
        working = [await connect(port, GET) for _ in range(3)]
        await until(lambda: len(served.connections) == 3)
        await asyncio.sleep(0.1)
        refused = await whole(await connect(port))
        assert refused.startswith(b"HTTP/1.1 503 ")
        assert b"Connection: close" in refused
        assert await status(await connect(port, QUICK, "127.0.0.2")) == 200
        gate.set()
        assert [await status(each) for each in working] == [200] * 3


async def test_half_a_body_gives_room() -> None:
    """A request whose body does not come waits for its client, and is closed for one that is whole."""
    async with serving(Limits(connections=4)) as (_, port), clients() as connect:
        for _ in range(4):
            await connect(port, BODY)
        await asyncio.sleep(0.1)
        assert await status(await connect(port, GET)) == 200


async def test_a_flood_is_one_line() -> None:
    """However many connections are closed for others, it is said once a minute, with their number and address."""
    lines: list[str] = []

    class Keeps(logging.Handler):
        def emit(self, record: logging.LogRecord) -> None:
            lines.append(record.getMessage())

    keeps = Keeps()
    logging.getLogger("watchkeeper").addHandler(keeps)
    try:
        async with serving(Limits(connections=4, look_s=0.2)) as (_, port), clients() as connect:
            for _ in range(60):
                await connect(port)
            await until(lambda: lines)
            for _ in range(60):
                await connect(port)
            await asyncio.sleep(0.5)
    finally:
        logging.getLogger("watchkeeper").removeHandler(keeps)
    assert len(lines) == 1
    assert "limit of connections" in lines[0]
    assert "closed for new ones; most from 127.0.0.1" in lines[0]


# Event streams ----------------------------------------------------------------------------------------------------


async def test_streams_are_kept_and_leave_room() -> None:
    """A stream is never closed for idle connections, and too many streams leave the page its room."""
    async with serving(Limits(connections=6, streams_per_address=2)) as (_, port), clients() as connect:
        streams = [await connect(port, STREAM) for _ in range(2)]
        assert [await status(each) for each in streams] == [200, 200]
        refused = await whole(await connect(port, STREAM))
        assert refused.startswith(b"HTTP/1.1 503 ")
        assert b"Connection: close" in refused
        for _ in range(30):
            await connect(port)
        await asyncio.sleep(0.2)
        assert await status(await connect(port, GET)) == 200
        assert not any(each[0].at_eof() for each in streams)


async def test_an_address_with_fewer_streams_gets_one() -> None:
    """Where all streams are taken, the address with most gives one; its own next one is refused."""
    app = app_of(readstore.calm())
    async with serving(Limits(streams=4, streams_per_address=4), app) as (_, port), clients() as connect:
        streams = [await connect(port, STREAM) for _ in range(4)]
        assert [await status(each) for each in streams] == [200] * 4
        assert await status(await connect(port, STREAM, "127.0.0.2")) == 200
        await whole(streams[0])
        await until(lambda: len(app[EVENT_STREAM]._listeners) == 4)
        assert await status(await connect(port, STREAM)) == 503


async def test_who_has_signed_in_gets_a_stream(tmp_path: Path) -> None:
    """Strangers at the same address do not keep an operator from hearing of changes, and do not take that place."""
    store = readstore.filling()
    settings = PageSettings.model_validate({"port": 0, "password": password_file(tmp_path)})
    app = app_of(store, settings, acting=ActingDouble(store))
    served = await serve(app, settings, Limits(streams_per_address=2))
    port = served.runner.addresses[0][1]
    async with clients() as connect, aiohttp.ClientSession(cookie_jar=aiohttp.CookieJar(unsafe=True)) as operator:
        for _ in range(2):
            assert await status(await connect(port, STREAM)) == 200
        async with operator.post(f"{served.address}operator/sign-in", data={"password": PASSWORD}) as answer:
            assert answer.ok
        held = []
        for _ in range(2):
            stream = await operator.get(f"{served.address}api/v1/stream")
            assert stream.status == 200
            held.append(stream)
        assert await status(await connect(port, STREAM)) == 503
        assert (await asyncio.wait_for(held[0].content.readline(), 10)).startswith(b"retry")
        for each in held:
            each.close()
    await served.cleanup()


# Refusals ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("request_bytes", "code", "ends"),
    [
        (GET.replace(b"Host: localhost\r\n", b""), 400, True),
        (GET.replace(b"/ ", b"/api/v1/status?x=1 "), 400, True),
        (BODY.replace(b"99", b"%d" % (BODY_LIMIT + 1)), 413, True),
        (GET.replace(b"/ ", b"/nothing "), 404, False),
        (GET.replace(b"localhost", b"evil.test"), 421, False),
    ],
)
async def test_which_refusals_end_the_connection(request_bytes: bytes, code: int, ends: bool) -> None:  # noqa: FBT001
    """Who sends what nobody can answer keeps no connection."""
    async with serving(LONG) as (_, port), clients() as connect:
        peer = await connect(port, request_bytes * 2)
        assert await status(peer) == code
        if ends:
            assert b"HTTP/1." not in await whole(peer)
        else:
            assert await asyncio.wait_for(peer[0].readuntil(b"HTTP/1.1"), 10)


async def test_a_client_that_leaves_within_its_body_is_no_error(caplog: pytest.LogCaptureFixture) -> None:
    """The log has nothing about it."""
    async with serving(LONG) as (served, port), clients() as connect:
        _, writer = await connect(port, BODY)
        await until(lambda: len(served.connections))
        await asyncio.sleep(0.1)
        writer.close()
        await until(lambda: not len(served.connections))
    assert [each.getMessage() for each in caplog.records if each.levelno >= logging.WARNING] == []


# What is counted --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("host", "network"),
    [
        ("192.0.2.7", "192.0.2.7"),
        ("2001:db8:1:2:3:4:5:6", "2001:db8:1:2::/64"),
        ("2001:db8:1:2::9", "2001:db8:1:2::/64"),
        ("fe80::1%eth0", "fe80::/64"),
        ("::ffff:192.0.2.7", "192.0.2.7"),
    ],
)
def test_whom_an_address_stands_for(host: str, network: str) -> None:
    """A host chooses freely within 64 bits of IPv6, so all of these share one limit."""
    assert network_of(host) == network


@pytest.mark.parametrize(
    ("descriptors", "connections"), [(65_536, 128), (1_024, 128), (384, 128), (256, 128), (200, 100), (64, 32), (4, 4)]
)
def test_a_reserve_of_descriptors_stays(descriptors: int, connections: int) -> None:
    """The page takes at most half of few descriptors, and leaves 256 of many."""
    limits = Limits().within(descriptors)
    assert limits.connections == connections
    assert limits.streams_per_address < limits.streams < limits.connections
    assert limits.streams_per_address < limits.per_address <= limits.connections


async def test_a_stop_during_a_flood_ends_everything() -> None:
    """What was accepted a moment before the stop is closed with the rest."""
    async with clients() as connect:
        async with serving(Limits(connections=8)) as (served, port):
            peers = [await connect(port, sent) for sent in (b"", GET[:9], BODY, STREAM) * 8]
        assert not len(served.connections)
        for each in peers:
            await whole(each)
