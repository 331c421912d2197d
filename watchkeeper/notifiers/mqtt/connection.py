"""One connection to an MQTT 5 broker (OASIS, 2019): opened, used to publish with QoS 1, closed. Never reopened.

Built on paho-mqtt, which runs its own thread; every answer is passed back into the event loop here. It was chosen over
an asyncio wrapper because a broker that rejects a message says so in its PUBACK, and that must not be lost. Only this
module imports it, because it is an extra that need not be installed. Not here: topics and messages (mqtt.py).
"""

import asyncio
import ssl
from dataclasses import dataclass
from typing import Any

from paho.mqtt.client import Client, ConnectFlags, DisconnectFlags, MQTTMessageInfo
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from watchkeeper.errors import DeliveryDeferred, DeliveryRefused
from watchkeeper.messages.wording import clean
from watchkeeper.os_errors import connection_failure

KEEPALIVE_S = 30
"""A broker publishes the last will after 1.5 times this without a packet from the client (MQTT 5.0, 3.1.2.10)."""

_PAYLOAD_WRONG = 0x99
"""Reason code "Payload format invalid" (MQTT 5.0, 2.4): the only one that means the message will never be accepted."""


@dataclass(frozen=True, slots=True)
class Broker:
    """Where to connect, and as which user. trust: None for a connection without TLS."""

    server: str
    port: int
    trust: ssl.SSLContext | None
    user: str | None
    password: str | None


@dataclass(frozen=True, slots=True)
class Publication:
    """What is published: its topic, its payload, and whether the broker keeps it for later subscribers."""

    topic: str
    payload: bytes
    retain: bool = False
    media_type: str = "application/json"

    @property
    def properties(self) -> Properties:
        """What type the payload is (MQTT 5.0, 3.3.2.3)."""
        made = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]  # the library has no annotation here
        made.PayloadFormatIndicator = 1  # UTF-8 text
        made.ContentType = self.media_type
        return made


class Link:
    """One connection. Its methods raise DeliveryDeferred if the broker does not respond as it should."""

    def __init__(self, broker: Broker, will: Publication | None = None) -> None:
        """will: what the broker publishes if the connection is lost without a DISCONNECT."""
        self._broker, self._loop = broker, asyncio.get_running_loop()
        self._joined: asyncio.Future[None] = self._loop.create_future()
        self._lost: asyncio.Future[str] = self._loop.create_future()
        self._waiting: dict[int, asyncio.Future[ReasonCode]] = {}
        self._client = Client(
            CallbackAPIVersion.VERSION2, protocol=MQTTProtocolVersion.MQTTv5, reconnect_on_failure=False
        )
        self._client.on_connect, self._client.on_disconnect = self._on_connect, self._on_disconnect
        self._client.on_publish = self._on_publish
        if broker.trust is not None:
            self._client.tls_set_context(broker.trust)
        if broker.user is not None:
            self._client.username_pw_set(broker.user, broker.password)
        if will is not None:
            self._client.will_set(will.topic, will.payload, qos=1, retain=will.retain)

    async def open(self, timeout_s: float) -> None:
        """Connect, and wait until the broker has accepted the connection."""
        broker = self._broker
        self._client.connect_timeout = timeout_s
        try:
            await asyncio.to_thread(self._client.connect, broker.server, broker.port, KEEPALIVE_S, clean_start=True)
        except ssl.SSLError:
            raise
        except (OSError, ValueError) as error:
            why = connection_failure(error) if isinstance(error, OSError) else str(error)
            raise DeliveryDeferred(f"cannot connect to {broker.server}:{broker.port} ({why})") from None
        self._client.loop_start()
        async with asyncio.timeout(timeout_s):
            await _either(self._joined, self._lost)
        if not self._joined.done():
            raise DeliveryDeferred(f"the broker closed the connection: {self._lost.result()}")
        self._joined.result()

    async def publish(self, what: Publication) -> None:
        """Publish with QoS 1: return once the broker has accepted it. Raises DeliveryRefused if it never will."""
        info: MQTTMessageInfo = self._client.publish(
            what.topic, what.payload, qos=1, retain=what.retain, properties=what.properties
        )
        if info.rc is not MQTTErrorCode.MQTT_ERR_SUCCESS:
            raise DeliveryDeferred("the connection to the broker was lost")
        # The answer is passed by call_soon, so it cannot arrive before this step of the loop has ended.
        answer = self._waiting[info.mid] = self._loop.create_future()
        try:
            await _either(answer, self._lost)
        finally:
            del self._waiting[info.mid]
        if not answer.done():
            raise DeliveryDeferred(f"the broker closed the connection: {self._lost.result()}")
        code = answer.result()
        if code.is_failure:
            said = f"the broker did not accept the message: {code}"
            raise DeliveryRefused(said) if code.value == _PAYLOAD_WRONG else DeliveryDeferred(said)

    async def lost(self) -> str:
        """Wait until the connection is lost; return the broker's reason."""
        return await asyncio.shield(self._lost)

    @property
    def alive(self) -> bool:
        """Is the connection open?"""
        return self._joined.done() and not self._lost.done()

    async def close(self) -> None:
        """Send DISCONNECT, so that the broker publishes no last will. Never raises."""
        self._client.disconnect()
        await asyncio.to_thread(self._client.loop_stop)
        for each in (self._joined, self._lost):
            if not each.cancel() and not each.cancelled():
                each.exception()  # mark as retrieved: nobody waits for it any more

    # In paho's own thread -----------------------------------------------------------------------------------------

    def _on_connect(
        self, _client: Client, _data: object, _flags: ConnectFlags, code: ReasonCode, _properties: Properties | None
    ) -> None:
        self._tell(self._let_in, code)

    def _on_disconnect(
        self, _client: Client, _data: object, _flags: DisconnectFlags, code: ReasonCode, _properties: Properties | None
    ) -> None:
        self._tell(self._break, clean(str(code), 100))

    def _on_publish(self, _client: Client, _data: object, mid: int, code: ReasonCode, _properties: Properties) -> None:
        self._tell(self._answer, mid, code)

    def _tell(self, what: Any, *args: object) -> None:  # noqa: ANN401  one of the three below
        if not self._loop.is_closed():
            self._loop.call_soon_threadsafe(what, *args)

    # Back in the event loop ---------------------------------------------------------------------------------------

    def _let_in(self, code: ReasonCode) -> None:
        if self._joined.done():
            return
        if code.is_failure:
            self._joined.set_exception(DeliveryDeferred(f"the broker refused the connection: {code}"))
        else:
            self._joined.set_result(None)

    def _break(self, why: str) -> None:
        if not self._lost.done():
            self._lost.set_result(why)

    def _answer(self, mid: int, code: ReasonCode) -> None:
        waiting = self._waiting.get(mid)
        if waiting is not None and not waiting.done():
            waiting.set_result(code)


async def _either(one: "asyncio.Future[Any]", other: "asyncio.Future[Any]") -> None:
    """Wait until one of the two futures is done."""
    await asyncio.wait({one, other}, return_when=asyncio.FIRST_COMPLETED)
