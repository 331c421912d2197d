"""The syslog notifier against Debian's syslog server, and against servers that fail."""

import asyncio
import socket
import ssl
import struct
from collections.abc import AsyncIterator, Iterator
from contextlib import asynccontextmanager
from pathlib import Path

import pytest
import trustme
from pydantic import ValidationError

from tests.support.logserver import LogServer, log_server
from tests.support.messages import messages
from tests.support.outbox import MemoryOutboxStore, SetClock
from watchkeeper.clock import Clock
from watchkeeper.config.types import SecretSource
from watchkeeper.errors import DeliveryDeferred
from watchkeeper.model.records import DeliveryState
from watchkeeper.notifiers.outbox.outbox import Outbox
from watchkeeper.notifiers.outbox.retry_policy import RetryPolicy
from watchkeeper.notifiers.registry import make_notifier
from watchkeeper.notifiers.syslog.entry import SD_ID
from watchkeeper.notifiers.syslog.syslog import Syslog, SyslogSettings

RAISED = messages()[0]


def notifier(**table: object) -> Syslog:
    """A notifier with these settings."""
    made = make_notifier(SyslogSettings.model_validate({"kind": "syslog", "timeout": "5s", **table}), SetClock())
    assert isinstance(made, Syslog)
    return made


def to(server: LogServer, **table: object) -> Syslog:
    """A notifier for a server, whose authority it trusts."""
    return notifier(server="127.0.0.1", port=server.port, ca_file=str(server.folder / "ca.pem"), **table)


@pytest.fixture
def server(tmp_path: Path) -> Iterator[LogServer]:
    """A running syslog server."""
    with log_server(tmp_path) as running:
        yield running


async def test_over_tls(server: LogServer) -> None:
    """The server's own parser finds every field of the alert again, in order, once each."""
    told = messages()
    for message in told:
        await to(server, facility="local3").deliver(message)
    seen = await asyncio.to_thread(server.seen, len(told))
    assert [each["msgid"] for each in seen] == [m.kind.value for m in told]
    for each, message in zip(seen, told, strict=True):
        data = each["$!"]["rfc5424-sd"][SD_ID]
        assert (data["id"], data["thread"]) == (message.id, message.thread)
        assert (data["subject"], data["quantity"]) == (message.key.subject, message.key.quantity)
        assert (each["hostname"], each["syslogfacility"], each["protocol-version"]) == ("gannet", "19", "1")
        assert each["timereported"].startswith(message.at.isoformat()[:19])
        assert message.headline in each["msg"]


async def test_to_the_local_socket(server: LogServer) -> None:
    """In the short form by default; with structured data where it is asked for."""
    await notifier(socket=str(server.local)).deliver(RAISED)
    await notifier(socket=str(server.local5424), format="rfc5424").deliver(RAISED)
    short, whole = await asyncio.to_thread(server.seen, 2)
    assert (short["syslogseverity"], short["protocol-version"]) == ("4", "0")
    assert RAISED.headline in short["msg"]
    assert whole["$!"]["rfc5424-sd"][SD_ID]["id"] == RAISED.id


async def test_the_outbox_tries_again(server: LogServer) -> None:
    """While the server is down nothing is lost; when it runs again the entries arrive in their order."""
    server.stop()
    store, clock = MemoryOutboxStore(), Clock()
    outbox = Outbox(store, [to(server)], clock, patience=RetryPolicy(first_s=0.05, longest_s=0.2))
    for message in messages()[:3]:
        store.add(outbox.deliveries_for(message, clock.now()))
    running = asyncio.create_task(outbox.run())
    async with asyncio.timeout(60):
        while not any(each.tries for each in store.deliveries.values()):  # noqa: ASYNC110  the store is a dictionary
            await asyncio.sleep(0.01)
        await asyncio.to_thread(server.start)
        while any(each.state is not DeliveryState.DELIVERED for each in store.deliveries.values()):  # noqa: ASYNC110
            await asyncio.sleep(0.01)
    await outbox.close(5)
    await running
    seen = await asyncio.to_thread(server.seen, 3)
    ids = [each["$!"]["rfc5424-sd"][SD_ID]["id"].removesuffix("-late") for each in seen]
    assert ids == [m.id for m in messages()[:3]]


@pytest.mark.parametrize(("name", "trusted"), [("192.0.2.7", True), ("127.0.0.1", False)])
async def test_the_certificate_is_checked(tmp_path: Path, name: str, *, trusted: bool) -> None:
    """Both its name and its authority; nothing arrives otherwise."""
    with log_server(tmp_path, name) as server:
        if not trusted:
            trustme.CA().cert_pem.write_to_path(tmp_path / "ca.pem")
        with pytest.raises(DeliveryDeferred, match="its certificate was not accepted"):
            await to(server).deliver(RAISED)
        assert await asyncio.to_thread(server.seen, 0) == []


async def test_a_server_that_asks_for_a_certificate(tmp_path: Path) -> None:
    """It gets ours if there is one; without it, it takes nothing."""
    with log_server(tmp_path, mode="x509/certvalid") as server:
        with pytest.raises(DeliveryDeferred):
            await to(server).deliver(RAISED)
        client = tmp_path / "client.pem"
        server.ca.issue_cert("gannet.example.org").private_key_and_cert_chain_pem.write_to_path(client)
        await to(server, certificate=SecretSource(file=client)).deliver(RAISED)
        (seen,) = await asyncio.to_thread(server.seen, 1)
        assert seen["msgid"] == "raised"
        client.write_text("not a certificate")
        with pytest.raises(DeliveryDeferred, match=r"certificate .*client\.pem cannot be used"):
            await to(server, certificate=SecretSource(file=client)).deliver(RAISED)


@asynccontextmanager
async def tls_server(tmp_path: Path, talk: str) -> AsyncIterator[tuple[int, list[bytes]]]:
    """A server of our own that behaves badly after the handshake; its port, and what it read."""
    ca, got = trustme.CA(), list[bytes]()
    ca.cert_pem.write_to_path(tmp_path / "ca.pem")
    context = ssl.create_default_context(ssl.Purpose.CLIENT_AUTH)
    ca.issue_cert("127.0.0.1").configure_cert(context)
    ended = asyncio.Event()

    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        got.append(await reader.read(65_536))
        if talk == "mute":
            await ended.wait()
        writer.close()

    server = await asyncio.start_server(serve, "127.0.0.1", 0, ssl=context)
    async with server:
        yield server.sockets[0].getsockname()[1], got
        ended.set()


async def test_the_frame(tmp_path: Path) -> None:
    """Octet counting of RFC 5425, 4.3: the length in octets, a space, the entry, and nothing else."""
    async with tls_server(tmp_path, "close") as (port, got):
        await notifier(server="127.0.0.1", port=port, ca_file=str(tmp_path / "ca.pem")).deliver(RAISED)
    length, _, entry = got[0].partition(b" ")
    assert int(length) == len(entry)
    assert entry.startswith(b"<28>1 ")


async def test_a_broken_connection_is_tried_again(tmp_path: Path) -> None:
    """It is not known whether the entry arrived."""
    ca, context = trustme.CA(), ssl.create_default_context(ssl.Purpose.CLIENT_AUTH)
    ca.cert_pem.write_to_path(tmp_path / "ca.pem")
    ca.issue_cert("127.0.0.1").configure_cert(context)

    def reset_unread(listening: socket.socket) -> None:
        """Shake hands, and reset the connection without a look at what was sent."""
        connection, _ = listening.accept()
        with context.wrap_socket(connection, server_side=True) as secured:
            secured.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))

    with socket.create_server(("127.0.0.1", 0)) as listening:
        listening.settimeout(30)
        resetting = asyncio.create_task(asyncio.to_thread(reset_unread, listening))
        port = listening.getsockname()[1]
        with pytest.raises(DeliveryDeferred, match=r"cannot send to 127\.0\.0\.1:\d+ \(connection reset\)"):
            await notifier(server="127.0.0.1", port=port, ca_file=str(tmp_path / "ca.pem")).deliver(RAISED)
        await resetting


async def test_a_server_that_never_closes(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """It has got the entry: sending it again every half an hour would be worse."""
    monkeypatch.setattr("watchkeeper.notifiers.syslog.syslog.FAREWELL_S", 0.3)
    async with tls_server(tmp_path, "mute") as (port, got):
        await notifier(server="127.0.0.1", port=port, ca_file=str(tmp_path / "ca.pem")).deliver(RAISED)
        assert got[0].endswith(b".")


async def test_a_port_without_tls(unused_port: int, tmp_path: Path) -> None:
    """A server that does not speak TLS, and one that is not there."""
    ca = tmp_path / "ca.pem"
    trustme.CA().cert_pem.write_to_path(ca)
    with pytest.raises(DeliveryDeferred, match="connection refused"):
        await notifier(server="127.0.0.1", port=unused_port, ca_file=str(ca)).deliver(RAISED)

    async def plain(_reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        writer.write(b"220 this is no TLS\r\n")
        await writer.drain()
        writer.close()

    server = await asyncio.start_server(plain, "127.0.0.1", 0)
    async with server:
        port = server.sockets[0].getsockname()[1]
        with pytest.raises(DeliveryDeferred, match="TLS failed"):
            await notifier(server="127.0.0.1", port=port, ca_file=str(ca)).deliver(RAISED)


async def test_a_mute_port_takes_no_longer_than_the_timeout(tmp_path: Path) -> None:
    """A server that accepts and says nothing."""
    ca = tmp_path / "ca.pem"
    trustme.CA().cert_pem.write_to_path(ca)
    with socket.create_server(("127.0.0.1", 0)) as mute:
        port = mute.getsockname()[1]
        with pytest.raises(DeliveryDeferred, match="did not answer in time"):
            await notifier(server="127.0.0.1", port=port, ca_file=str(ca), timeout="1s").deliver(RAISED)


async def test_local_sockets_that_fail(tmp_path: Path) -> None:
    """One that is missing, and one whose daemon has stopped reading: neither blocks the daemon."""
    with pytest.raises(DeliveryDeferred, match="No such file"):
        await notifier(socket=str(tmp_path / "none")).deliver(RAISED)
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as stuck:
        stuck.bind(str(tmp_path / "stuck"))
        target = notifier(socket=str(tmp_path / "stuck"))
        with pytest.raises(DeliveryDeferred, match=r"the queue of .*stuck is full"):
            await asyncio.wait_for(_deliver_many(target), 60)


async def _deliver_many(target: Syslog) -> None:
    for _ in range(100_000):  # many more than the queue of a socket takes
        await target.deliver(RAISED)


@pytest.mark.parametrize(
    ("table", "said"),
    [
        ({"port": 6514}, "port belongs to a log host"),
        ({"ca_file": "/etc/ca.pem"}, "ca_file belongs to a log host"),
        ({"server": "logs.example.org", "socket": "/dev/log"}, "server and socket are two ways"),
        ({"server": "logs.example.org", "format": "local"}, 'format "local" is for the socket'),
        ({"server": "logs.example.org:6514"}, 'write "logs.example.org" here, and port = 6514'),
        ({"server": "[2001:db8::7]:6514"}, 'write ".2001:db8::7." here, and port = 6514'),
        ({"facility": "mail"}, "facility"),
    ],
)
def test_settings_that_do_not_fit(table: dict[str, object], said: str) -> None:
    """Said when the configuration is read, with the remedy."""
    with pytest.raises(ValidationError, match=said):
        notifier(**table)
    assert notifier(server="2001:db8::7").name == "syslog"
