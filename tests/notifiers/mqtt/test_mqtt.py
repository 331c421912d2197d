"""The MQTT notifier against Debian's broker on loopback."""

import asyncio
import contextlib
import json
import ssl
import subprocess
import time
from collections.abc import AsyncIterator, Callable, Iterator
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
import trustme
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from tests.support.broker import Broker, Reader, broker, kept
from tests.support.messages import HOST, NOW, ZONE, messages
from tests.support.outbox import MemoryOutboxStore, SetClock
from tests.support.receivers import free_port
from watchkeeper.errors import DeliveryDeferred
from watchkeeper.messages.build import test_message as trial_message
from watchkeeper.model.alert import Concern, State
from watchkeeper.model.observation import SeriesKey
from watchkeeper.notifiers import cloudevent
from watchkeeper.notifiers.mqtt import mqtt
from watchkeeper.notifiers.mqtt.connection import Broker as ConnectionTo
from watchkeeper.notifiers.mqtt.connection import Link, Publication
from watchkeeper.notifiers.mqtt.mqtt import LONGEST_LEVEL, Mqtt, MqttSettings, level
from watchkeeper.notifiers.outbox.outbox import Outbox
from watchkeeper.notifiers.registry import make_notifier

SPACE = "watchkeeper/state/pool skerry/space/full"


@pytest.fixture
def running(tmp_path: Path) -> Iterator[Broker]:
    """A broker that accepts every client."""
    with broker(tmp_path) as found:
        yield found


def panel(port: int, **keys: Any) -> Mqtt:
    """A notifier for a broker on loopback."""
    plain = {"kind": "mqtt", "server": "127.0.0.1", "port": port, "security": "none", "timeout": "5s"}
    made = make_notifier(MqttSettings.model_validate(plain | keys), SetClock())
    assert isinstance(made, Mqtt)
    return made


async def until(true: Callable[[], object]) -> None:
    """Wait for something that another process does."""
    async with asyncio.timeout(30):
        while not true():  # noqa: ASYNC110  another process
            await asyncio.sleep(0.02)


@contextlib.asynccontextmanager
async def attended(notifier: Mqtt) -> AsyncIterator[asyncio.Task[None]]:
    """Keep the notifier's connection open."""
    task = asyncio.create_task(notifier.attend())
    try:
        yield task
    finally:
        task.cancel()
        await asyncio.wait({task})


async def test_messages_and_states(running: Broker) -> None:
    """Each message goes out once to current subscribers; the newest is retained for later ones."""
    notifier = panel(running.port)
    with await asyncio.to_thread(Reader, running.port) as reader:
        for message in messages():
            await notifier.deliver(message)
        await until(lambda: len(reader.got) == 8)
    told = [json.loads(payload) for topic, payload, _ in reader.got if topic == "watchkeeper/messages"]
    assert told == [cloudevent.data(message) for message in messages()]
    found = await asyncio.to_thread(kept, running.port)
    assert set(found) == {SPACE}
    assert json.loads(found[SPACE]) == cloudevent.data(messages()[-1])
    assert {message.qos for message in reader.messages} == {1}
    properties = reader.messages[0].properties
    assert properties is not None
    found_in: Any = properties
    assert found_in.json() == {"PayloadFormatIndicator": 1, "ContentType": "application/json"}


async def test_a_late_message_does_not_undo_a_newer_state(running: Broker) -> None:
    """A message of an earlier episode that was delayed is published, and changes no state."""
    notifier = panel(running.port)
    raised, *_ = messages()
    with await asyncio.to_thread(Reader, running.port) as reader:
        await notifier.deliver(raised)
        await notifier.deliver(replace(raised, id="earlier", at=raised.at - timedelta(hours=1)))
        await until(lambda: len(reader.got) == 3)
    found = await asyncio.to_thread(kept, running.port)
    assert json.loads(found[SPACE])["id"] == raised.id


async def test_a_trial_changes_no_state(running: Broker) -> None:
    """A test message is published, and changes nothing else."""
    with await asyncio.to_thread(Reader, running.port) as reader:
        await panel(running.port, topic="watchkeeper/gannet").deliver(trial_message(HOST, NOW, ZONE))
        await until(lambda: reader.got)
    assert [topic for topic, *_ in reader.got] == ["watchkeeper/gannet/messages"]


async def test_the_last_will(running: Broker) -> None:
    """While the connection is open the broker's value is `kept`; if it breaks without a DISCONNECT, `lost`."""
    notifier = panel(running.port)
    with await asyncio.to_thread(Reader, running.port) as reader:
        async with attended(notifier):
            await until(lambda: reader.got)
            await notifier.deliver(messages()[0])
            link = notifier._link
            assert link is not None
            sock: Any = link._client.socket()
            sock.shutdown(2)  # like a power cut or a pulled plug
            await until(lambda: len(reader.got) >= 6)
        await until(lambda: reader.got[-1][1] == b"stopped")
    words = [payload for topic, payload, _ in reader.got if topic == "watchkeeper/daemon"]
    assert words == [b"running", b"lost", b"running", b"stopped"]
    assert await asyncio.to_thread(kept, running.port) | {SPACE: b""} == {"watchkeeper/daemon": b"stopped", SPACE: b""}


async def test_the_topic_of_the_first_version_is_deleted(running: Broker) -> None:
    """0.1.0 left a retained `watch`: it would always say that a daemon runs."""
    first = Publication("watchkeeper/watch", b"kept", retain=True)
    link = Link(ConnectionTo("127.0.0.1", running.port, None, None, None))
    await link.open(30.0)
    await link.publish(first)
    await link.close()
    assert (await asyncio.to_thread(kept, running.port))["watchkeeper/watch"] == b"kept"
    with await asyncio.to_thread(Reader, running.port) as reader:
        async with attended(panel(running.port)):
            await until(lambda: ("watchkeeper/watch", b"") in [each[:2] for each in reader.got])
    assert "watchkeeper/watch" not in await asyncio.to_thread(kept, running.port)


async def test_the_outbox_holds_the_connection(running: Broker) -> None:
    """It is opened when deliveries begin and closed with a DISCONNECT when they end."""
    outbox = Outbox(MemoryOutboxStore(), [panel(running.port)], SetClock())
    with await asyncio.to_thread(Reader, running.port) as reader:
        task = asyncio.create_task(outbox.run())
        await until(lambda: reader.got)
        await outbox.close(1)
        await task
        await until(lambda: reader.got[-1][1] == b"stopped")
    assert [payload for topic, payload, _ in reader.got if topic == "watchkeeper/daemon"] == [b"running", b"stopped"]


async def test_a_broker_that_comes_back(
    running: Broker, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    """While it is down deliveries are deferred; then the connection is opened again."""
    monkeypatch.setattr(mqtt, "REJOIN_S", (0.1,))
    notifier = panel(running.port)
    async with attended(notifier):
        await until(lambda: notifier._link)
        await asyncio.to_thread(running.stop)
        await until(lambda: notifier._link is None)
        with pytest.raises(
            DeliveryDeferred, match=rf"^mqtt: cannot connect to 127\.0\.0\.1:{running.port} \(connection refused\)$"
        ):
            await notifier.deliver(messages()[0])
        await asyncio.to_thread(running.start)
        await until(lambda: notifier._link)
        await notifier.deliver(messages()[0])
    assert "mqtt: the connection was lost" in caplog.text


async def test_a_password(tmp_path: Path) -> None:
    """Clients without access or without publish rights get an error: nothing counts as delivered, no secret shown."""
    secret, users, rights = tmp_path / "password", tmp_path / "users", tmp_path / "rights"
    # Written by `mosquitto_passwd -b users gannet rookery`.
    users.write_text("")
    words = ["mosquitto_passwd", "-b", str(users), "gannet", "rookery"]
    await asyncio.to_thread(subprocess.run, words, check=True, capture_output=True)
    rights.write_text("user gannet\ntopic readwrite gannet/#\n")
    more = f"allow_anonymous false\npassword_file {users}\nacl_file {rights}\n"
    login = {"user": "gannet", "password": {"file": str(secret)}}
    with broker(tmp_path, more) as found:
        secret.write_text("nest-egg\n")
        with pytest.raises(DeliveryDeferred, match=r"^mqtt: the broker refused the connection: Not authorized$"):
            await panel(found.port, **login).deliver(messages()[0])
        with pytest.raises(DeliveryDeferred, match="refused the connection"):
            await panel(found.port).deliver(messages()[0])
        secret.write_text("rookery\n")
        with pytest.raises(DeliveryDeferred, match=r"^mqtt: the broker did not accept the message: Not authorized$"):
            await panel(found.port, **login).deliver(messages()[0])
        await panel(found.port, topic="gannet", **login).deliver(messages()[0])
        assert len(await asyncio.to_thread(kept, found.port, "gannet", "rookery")) == 1
        secret.unlink()
        with pytest.raises(DeliveryDeferred, match="mqtt: password cannot be read from"):
            await panel(found.port, **login).deliver(messages()[0])


# The library leaves the socket of a failed handshake to the garbage collector, which warns about it.
@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")
async def test_tls(tmp_path: Path) -> None:
    """The broker's certificate is checked against the operator's own authority, and a wrong one is reported."""
    authority, other = trustme.CA(), trustme.CA()
    issued = authority.issue_cert("127.0.0.1")
    for name, blob in (("own.pem", authority), ("other.pem", other)):
        blob.cert_pem.write_to_path(str(tmp_path / name))
    issued.private_key_pem.write_to_path(str(tmp_path / "key.pem"))
    issued.cert_chain_pems[0].write_to_path(str(tmp_path / "cert.pem"))
    more = f"allow_anonymous true\ncertfile {tmp_path}/cert.pem\nkeyfile {tmp_path}/key.pem\n"
    with broker(tmp_path, more) as found:
        await panel(found.port, security="tls", ca_file=str(tmp_path / "own.pem")).deliver(messages()[0])
        with pytest.raises(DeliveryDeferred, match="its certificate was not accepted: unable to get local issuer"):
            await panel(found.port, security="tls", ca_file=str(tmp_path / "other.pem")).deliver(messages()[0])
    assert ssl.HAS_TLSv1_3


@pytest.mark.parametrize("greeting", [b"", b"220 gannet ESMTP\r\n"])
async def test_what_is_no_broker(greeting: bytes) -> None:
    """A server that does not answer or is not a broker is given up in the configured time; delivery is deferred."""

    async def answer(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        writer.write(greeting)
        await reader.read()
        writer.close()

    server = await asyncio.start_server(answer, "127.0.0.1", 0)
    port = server.sockets[0].getsockname()[1]
    began_s = time.monotonic()
    with pytest.raises(DeliveryDeferred, match=r"^mqtt: (no answer within 1 s|the broker closed the connection)"):
        await panel(port, timeout="1s").deliver(messages()[0])
    assert time.monotonic() - began_s < 4
    server.close()
    await server.wait_closed()


async def test_a_broker_that_goes_while_it_is_asked(running: Broker) -> None:
    """A connection that breaks before the answer arrives leaves the message undelivered."""
    notifier = panel(running.port)
    link = await notifier._opened(will=False)
    running.pause()
    delivering = asyncio.create_task(notifier._publish(link, messages()[0]))
    await asyncio.sleep(0.1)
    await asyncio.to_thread(running.stop)
    with pytest.raises(DeliveryDeferred, match="the broker closed the connection"):
        await delivering
    with pytest.raises(DeliveryDeferred, match="the connection to the broker was lost"):
        await notifier._publish(link, messages()[0])
    await link.close()


async def test_a_stop_while_the_broker_is_held_up(running: Broker, monkeypatch: pytest.MonkeyPatch) -> None:
    """A DISCONNECT without an answer delays the stop no longer than allowed."""
    monkeypatch.setattr(mqtt, "FAREWELL_S", 0.2)
    notifier = panel(running.port)
    async with attended(notifier):
        await until(lambda: notifier._link)
        running.pause()
        began_s = time.monotonic()
    assert time.monotonic() - began_s < 5


async def test_nobody_there() -> None:
    """A port on which nothing listens."""
    with pytest.raises(DeliveryDeferred, match=r"cannot connect to 127\.0\.0\.1:\d+ \(connection refused\)"):
        await panel(free_port()).deliver(messages()[0])


@given(st.text())
def test_levels_are_safe_and_apart(text: str) -> None:
    """MQTT 5.0, 4.7: no separator, wildcard or NUL in a level; a name's original bytes can be decoded from it."""
    made = level(text)
    assert 0 < len(made) <= LONGEST_LEVEL
    assert not set(made) & set("/+#\0$")
    assert made.isascii()


def test_names_that_differ_have_topics_that_differ() -> None:
    """Percent signs are encoded too; shortened names keep a hash of the whole."""
    assert level("file system /srv") == "file system %2Fsrv"
    assert level("a/b") != level("a%2Fb")
    assert level("x" * 300) != level("x" * 301)
    assert level("\udcff") == "%FF"
    assert level("") == "%00"


async def test_what_the_first_version_left_is_deleted(running: Broker) -> None:
    """Version 0.1.0 retained a failure under another name of its concern. It would stay there."""
    over = replace(messages()[0], concern=Concern.NOT_ANSWERING, state=State.NORMAL)
    left = Publication("watchkeeper/state/pool skerry/space/silent", b"{}", retain=True)
    notifier = panel(running.port)
    link = await notifier._opened(will=False)
    await link.publish(left)
    await link.close()
    assert list(await asyncio.to_thread(kept, running.port)) == [left.topic]
    await notifier.deliver(over)
    assert list(await asyncio.to_thread(kept, running.port)) == ["watchkeeper/state/pool skerry/space/not_answering"]


async def test_a_name_that_is_hostile(running: Broker) -> None:
    """A subject's name cannot escape from its place in the tree."""
    hostile = replace(messages()[0], key=SeriesKey("#/+/$SYS/\0\udc80", "space"))
    await panel(running.port).deliver(hostile)
    (topic,) = await asyncio.to_thread(kept, running.port)
    assert topic == "watchkeeper/state/%23%2F%2B%2F%24SYS%2F%00%80/space/full"


@pytest.mark.parametrize(
    ("keys", "said"),
    [
        ({"security": "none", "server": "broker.example.org"}, "only for localhost and private addresses"),
        ({"user": "gannet"}, "belong together"),
        ({"server": "mqtt://broker"}, "is not a host name"),
        ({"topic": "watch/#"}, "is not a topic"),
        ({"topic": "$SYS"}, "is not a topic"),
        ({"topic": "watch/"}, "is not a topic"),
    ],
)
def test_settings_that_cannot_work(keys: dict[str, str], said: str) -> None:
    """Settings that cannot work are reported before anything starts."""
    with pytest.raises(ValidationError, match=said):
        MqttSettings.model_validate({"kind": "mqtt", "server": "127.0.0.1"} | keys)


def test_ports_and_places() -> None:
    """The default ports; plain text on this host and on its own networks."""
    assert MqttSettings.model_validate({"kind": "mqtt", "server": "broker.test"}).effective_port == 8883
    near = [{"kind": "mqtt", "server": server, "security": "none"} for server in ("localhost", "::1", "192.168.7.9")]
    assert {MqttSettings.model_validate(each).effective_port for each in near} == {1883}


def test_the_package_is_named_where_it_is_missing(monkeypatch: pytest.MonkeyPatch) -> None:
    """Without the client the configuration error says what to install."""
    monkeypatch.setattr("importlib.util.find_spec", lambda _: None)
    with pytest.raises(ValidationError, match=r"needs the package paho-mqtt, .* pip install paho-mqtt"):
        MqttSettings.model_validate({"kind": "mqtt", "server": "127.0.0.1"})
