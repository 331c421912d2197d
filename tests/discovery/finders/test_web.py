"""Services on ports, against real listeners on loopback; and who listens, as psutil and the kernel tell it."""

import asyncio
import ssl
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager
from dataclasses import replace
from pathlib import Path

import psutil
import pytest
import trustme
from aiohttp import web as server

from tests.discovery.conftest import document, put, usable, value_of
from watchkeeper.discovery.finders import listeners, web
from watchkeeper.discovery.host import Host, Listener
from watchkeeper.discovery.proposal import Proposal, Thing

Handler = Callable[[server.BaseRequest], Awaitable[server.StreamResponse]]


@asynccontextmanager
async def serving(handler: Handler, authority: trustme.CA | None = None) -> AsyncIterator[int]:
    """A real web server on a port of the kernel's choice."""
    context = None
    if authority:
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        authority.issue_cert("hide-hub.test").configure_cert(context)
    runner = server.ServerRunner(server.Server(handler), shutdown_timeout=0.1)
    await runner.setup()
    site = server.TCPSite(runner, "127.0.0.1", 0, ssl_context=context)
    await site.start()
    try:
        yield int(runner.addresses[0][1])
    finally:
        await runner.cleanup()


def answering(status: int = 200, text: str = "", **headers: str) -> Handler:
    """A service that always gives the same answer."""

    async def answer(_request: server.BaseRequest) -> server.StreamResponse:
        return server.Response(status=status, text=text, content_type="text/html", headers=headers)

    return answer


def hearing(host: Host, *heard: Listener, ask: bool = True) -> Host:
    """The host with these listeners."""
    return replace(host, ears=lambda: heard, ask_web=ask)


async def the(host: Host, port: int, address: str = "127.0.0.1", pid: int | None = None) -> Proposal:
    """What is proposed for one listener."""
    (proposal,) = (await web.find(hearing(host, Listener(port, address, pid)))).proposals
    return proposal


async def test_a_service_that_answers(host: Host) -> None:
    """Its address, the status as it was, its title and its service."""
    put(host.root, "proc/42/cgroup", "0::/system.slice/tide-log.service\n")
    async with serving(answering(text="<html><title>Tide &amp;\n log</title>")) as port:
        proposal = await the(host, port, "0.0.0.0", 42)
    assert (value_of(proposal, "name"), value_of(proposal, "url")) == (
        f"tide-log on {port}", f"http://127.0.0.1:{port}/",
    )  # fmt: skip
    assert value_of(proposal, "status") == (200,)
    assert proposal.about == (f'An HTTP service on port {port}, of tide-log, with the title "Tide & log".',)
    usable(document(proposal))


@pytest.mark.parametrize(
    ("status", "why"), [(401, "asks for a login"), (302, "redirects to another address"), (404, "The status just now")]
)
async def test_other_answers_count_as_seen(host: Host, status: int, why: str) -> None:
    """A login or a redirect is how this service answers when it is well."""
    async with serving(answering(status, Location="/elsewhere")) as port:
        proposal = await the(host, port)
    assert value_of(proposal, "status") == (status,)
    assert why in next(key.why for key in proposal.keys if key.name == "status")
    usable(document(proposal))


async def test_an_error_of_the_server_is_not_taken_for_its_answer(host: Host) -> None:
    """It is offered with the default statuses, and the fault is named."""
    async with serving(answering(502)) as port:
        proposal = await the(host, port)
    assert proposal.offered
    assert "status" not in [key.name for key in proposal.keys]
    assert "status 502 just now" in proposal.about[1]


async def test_a_service_with_tls(host: Host) -> None:
    """It is found by a second request; its certificate is for a name, so it is not verified by its address."""
    async with serving(answering(text="<title>x"), trustme.CA()) as port:
        proposal = await the(host, port)
    assert value_of(proposal, "url") == f"https://127.0.0.1:{port}/"
    assert value_of(proposal, "verify") is False
    usable(document(proposal))


async def test_a_service_that_speaks_something_else(host: Host) -> None:
    """It is offered as a port that takes connections."""

    async def greet(_reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        writer.write(b"220 gannet.example.org\r\n")
        writer.close()

    async with await asyncio.start_server(greet, "127.0.0.1", 0) as listening:
        port = listening.sockets[0].getsockname()[1]
        proposal = await the(host, port)
    assert (proposal.kind, proposal.offered) == ("tcp", True)
    assert value_of(proposal, "port") == port
    usable(document(proposal))


async def test_a_service_that_says_nothing_is_not_waited_for(host: Host, monkeypatch: pytest.MonkeyPatch) -> None:
    """The time of one request is bounded."""
    monkeypatch.setattr(web, "ASK_TIMEOUT_S", 0.2)
    held = asyncio.Event()

    async def hold(_reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        await held.wait()
        writer.close()

    async with await asyncio.start_server(hold, "127.0.0.1", 0) as listening:
        proposal = await the(host, listening.sockets[0].getsockname()[1])
        held.set()
    assert proposal.kind == "tcp"


async def test_a_bad_request_in_the_clear_is_an_answer_where_tls_brings_none(host: Host) -> None:
    """400 is what many TLS ports say to a request in the clear; here there is no TLS behind it."""
    async with serving(answering(400)) as port:
        proposal = await the(host, port)
    assert (proposal.kind, value_of(proposal, "status")) == ("http", (400,))


async def test_ports_that_are_not_asked(host: Host) -> None:
    """Ports where a request could print a page, requests that are switched off, and watchkeeper's own page."""
    asked = []

    async def note(request: server.BaseRequest) -> server.StreamResponse:
        asked.append(request.path)
        return server.Response()

    async with serving(note) as port:
        quiet = hearing(host, Listener(port), Listener(9100), Listener(5901), ask=False)
        found = await web.find(quiet)
        assert [each.kind for each in found.proposals] == ["tcp", "tcp", "tcp"]
        assert not asked
        assert {9100, 22, 25} <= web.NOT_WEB
        own = replace(hearing(host, Listener(port)), own_port=port)
        assert (await web.find(own)).proposals == ()
    assert not asked
    assert found.there == {Thing("port", str(port)), Thing("port", "9100"), Thing("port", "5901")}


async def test_a_port_that_a_guest_listens_on(host: Host) -> None:
    """The service depends on the guest whose process uses the port."""
    put(host.root, "proc/42/cmdline", "kvm\0-name\0hide-hub\0")
    put(host.root, "proc/42/comm", "kvm\n")
    async with serving(answering()) as port:
        proposal = await the(host, port, pid=42)
    assert value_of(proposal, "name") == f"hide-hub on {port}"
    assert "which depends on the guest hide-hub" in proposal.about[0]
    assert value_of(proposal, "depends_on") == ("guest hide-hub",)
    usable(document(proposal))


async def test_listeners_that_cannot_be_listed(host: Host) -> None:
    """It is reported, and no port counts as gone."""

    def deaf() -> list[Listener]:
        raise PermissionError(13, "Permission denied")

    found = await web.find(replace(host, ears=deaf))
    assert [each.what for each in found.unseen] == ["services on TCP ports"]
    assert not found.looked


def test_an_address_of_ipv6_stands_in_brackets() -> None:
    """RFC 3986, section 3.2.2."""
    assert web.Service(80, "::1", "", "").host == "[::1]"


@pytest.mark.parametrize(
    ("addresses", "best"),
    [
        (["0.0.0.0"], "127.0.0.1"),
        (["127.0.0.53", "192.0.2.7"], "127.0.0.1"),
        (["::"], "::1"),
        (["192.0.2.7"], "192.0.2.7"),
        ([""], "127.0.0.1"),
    ],
)
def test_loopback_is_asked_where_it_can_be(addresses: list[str], best: str) -> None:
    """An address of RFC 5737 represents one of this host."""
    assert listeners.address_of([Listener(80, each) for each in addresses]) == best


async def test_who_really_listens() -> None:
    """Psutil and the kernel's own table tell of the same listener; ports of the kernel's choice are passed over."""
    fixed = await free_port()
    async with await asyncio.start_server(lambda _r, w: w.close(), "127.0.0.1", fixed):
        heard = [each for each in listeners.hear() if each.port == fixed]
    assert heard
    assert heard[0].address == "127.0.0.1"
    assert all(each.port < 32_768 for each in listeners.hear())


async def free_port() -> int:
    """A port below those that the kernel chooses, which is free now."""
    for port in range(20_000, 30_000):
        try:
            listening = await asyncio.start_server(lambda _r, w: w.close(), "127.0.0.1", port)
        except OSError:
            continue
        listening.close()
        await listening.wait_closed()
        return port
    raise AssertionError("no port is free")


def test_without_leave_the_kernels_table_is_read(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """proc(5): local address and state are in hex; 0A is a listener."""

    def refused(_kind: str) -> None:
        raise psutil.AccessDenied

    monkeypatch.setattr(psutil, "net_connections", refused)
    put(
        tmp_path, "tcp",
        "  sl  local_address rem_address   st\n   0: 0100007F:1FBB 00000000:0000 0A 00000000:00000000\n",
    )  # fmt: skip
    assert listeners.hear(tmp_path) == [Listener(8123)]


def test_whose_port_it_is(tmp_path: Path) -> None:
    """The service of systemd, else the program; nothing where the process has ended."""
    put(tmp_path, "5/cgroup", "0::/user.slice\n")
    put(tmp_path, "5/comm", "tide-log\n")
    assert listeners.owner_of([Listener(80), Listener(80, pid=4), Listener(80, pid=5)], tmp_path) == ("tide-log", 5)
    assert listeners.owner_of([Listener(80, pid=4)], tmp_path) == ("", None)
