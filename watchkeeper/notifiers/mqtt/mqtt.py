"""Publish messages on the operator's own MQTT 5 broker, for the lamps, panels and automations of the house.

Under the topic of the settings (`watchkeeper` by default):
  daemon                            retained: `running`; `lost` is the last will, which the broker publishes when the
                                    connection is lost; `stopped` after a stop
  messages                          each message once, not retained: for what reacts to news
  state/SUBJECT/QUANTITY/CONCERN    retained: the newest message about it, for what shows the current state

Payloads of the last two are the content of `data` in a webhook's event. Everything has QoS 1: at least once. One
connection is held while the daemon runs, because a last will belongs to a connection. Not here: the protocol
(connection.py).
"""

import asyncio
import hashlib
import importlib.util
import ipaddress
import logging
import re
import ssl
from datetime import datetime
from typing import TYPE_CHECKING, Annotated, Literal, Self

from pydantic import AfterValidator, Field, model_validator

from watchkeeper.clock import Clock
from watchkeeper.config.types import SecretSource, WholePath
from watchkeeper.errors import DeliveryDeferred, DeliveryError, DeliveryRefused
from watchkeeper.logs.fields import Event, about
from watchkeeper.messages.wording import clean
from watchkeeper.model.alert import NotificationKind
from watchkeeper.model.history.first_quantities import first_quantity
from watchkeeper.model.message import Message
from watchkeeper.notifiers import cloudevent
from watchkeeper.notifiers.base import BaseNotifier, ReceiverSettings, read_secret, server_name, tls_trouble, trust

if TYPE_CHECKING:
    from watchkeeper.notifiers.mqtt.connection import Link, Publication

log = logging.getLogger(__name__)

REJOIN_S = (1.0, 2.0, 5.0, 10.0, 30.0, 60.0)
"""Waits before the connection is opened again, each longer. Meanwhile a delivery opens its own."""

FAREWELL_S = 3.0
"""How long a stop waits for the broker to accept the message that monitoring has ended."""

LONGEST_LEVEL = 200
"""Bytes of one level of a topic. A topic holds 65,535 (MQTT 5.0, 1.5.4); a longer path is identified by its hash."""

_STATES = frozenset({NotificationKind.RAISED, NotificationKind.WORSE, NotificationKind.EASED, NotificationKind.ENDED})
"""Notifications about an alert itself: these change its state."""

_UNSAFE = re.compile(r"[^A-Za-z0-9 ._~!'(),;:=@-]")


def level(text: str) -> str:
    """Any text as one level of a topic: what MQTT or a file name would interpret is percent-encoded (RFC 3986).

    `/` separates levels, `+` and `#` are wildcards, a leading `$` belongs to the broker (MQTT 5.0, 4.7).
    """
    raw = text.encode("utf-8", "surrogateescape")
    made = _UNSAFE.sub(lambda found: f"%{ord(found[0]):02X}", raw.decode("latin-1"))
    if len(made) <= LONGEST_LEVEL:
        return made or "%00"
    mark = hashlib.sha256(raw).hexdigest()[:16]
    return f"{made[: LONGEST_LEVEL - 17]}-{mark}"


def _topic(text: str) -> str:
    if not text or set(text) & set("+#\0") or not text.isprintable() or text[0] in "$/" or text.endswith("/"):
        raise ValueError(f'"{clean(text, 60)}" is not a topic to publish under; write one such as watchkeeper/gannet')
    return text


def _is_near(server: str) -> bool:
    """Is it this host itself, or an address of a private network, such as a guest's on this host's own bridge?"""
    try:
        found = ipaddress.ip_address(server)
    except ValueError:
        return server.lower() == "localhost"
    return found.is_loopback or found.is_private


class MqttSettings(ReceiverSettings):
    """An MQTT 5 broker.

    server: name of the broker. port: its port; by default 8883 with TLS and 1883 without.
    security: `tls`, or `none` for localhost and for addresses of a private network.
    user, password: the login; both or neither.
    topic: the topic under which everything is published. Each monitored host needs its own.
    ca_file: CA certificates (PEM) for the broker's certificate, instead of the system's.
    """

    kind: Literal["mqtt"]
    quiet_summary: bool = False  # programs read it: each change is one entry
    server: Annotated[str, server_name("broker.example.org")]
    port: Annotated[int, Field(ge=1, le=65_535)] | None = None
    security: Literal["tls", "none"] = "tls"
    user: str | None = None
    password: SecretSource | None = None
    topic: Annotated[str, Field(max_length=200), AfterValidator(_topic)] = "watchkeeper"
    ca_file: WholePath | None = None

    @model_validator(mode="after")
    def _agrees(self) -> Self:
        if importlib.util.find_spec("paho") is None:
            raise ValueError("needs the package paho-mqtt, which is not installed here: pip install paho-mqtt")
        if self.security == "none" and not _is_near(self.server):
            raise ValueError('security "none" is only for localhost and private addresses; write "tls"')
        if (self.user is None) != (self.password is None):
            raise ValueError("user and password belong together; write both or neither")
        return self

    @property
    def effective_port(self) -> int:
        """The port, or the usual one for the kind of security."""
        return self.port or {"tls": 8883, "none": 1883}[self.security]


class Mqtt(BaseNotifier[MqttSettings]):
    """One broker."""

    def __init__(self, settings: MqttSettings, clock: Clock) -> None:
        """Take the settings; nothing is opened before `attend` or a delivery."""
        super().__init__(settings, clock)
        self._link: Link | None = None
        self._newest: dict[str, datetime] = {}
        self._first_topic_deleted = False

    async def deliver(self, message: Message) -> None:
        """Publish, on the held connection or, if there is none, on a separate one.

        Raises what Notifier.deliver documents.
        """
        try:
            async with asyncio.timeout(self._settings.timeout):
                if self._link is not None and self._link.alive:
                    await self._publish(self._link, message)
                else:
                    await self._publish_apart(message)
        except TimeoutError:
            raise DeliveryDeferred(f"{self.name}: no answer within {self._settings.timeout:g} s") from None
        except ssl.SSLError as error:
            raise DeliveryDeferred(f"{self.name}: {tls_trouble(error)}") from None
        except DeliveryError as error:
            said = str(error)
            named = said if said.startswith(f"{self.name}: ") else f"{self.name}: {said}"
            raise (DeliveryRefused if isinstance(error, DeliveryRefused) else DeliveryDeferred)(named) from None

    async def attend(self) -> None:
        """Hold a connection until cancelled, so that the broker can report when this daemon is lost."""
        tries = 0
        while True:
            try:
                tries = await self._hold(tries)
            except (DeliveryError, OSError) as error:  # a TimeoutError is an OSError
                why, fields = (
                    clean(str(error), 300) or "no answer in time",
                    about(Event.DISCONNECTED, notifier=self.name),
                )
                log.warning("%s: not connected: %s", self.name, why, extra=fields)
            await asyncio.sleep(REJOIN_S[min(tries, len(REJOIN_S) - 1)])
            tries += 1

    async def _hold(self, tries: int) -> int:
        """Open the connection and hold it until it is lost; return the number of tries to count from then."""
        link = await self._opened(will=True)
        try:
            await link.publish(self._daemon("running"))
            await self._delete_first_topic(link)
            self._link, tries = link, 0
            log.info("%s: connected", self.name, extra=about(Event.CONNECTED, notifier=self.name))
            why = await link.lost()
            log.warning(
                "%s: the connection was lost: %s", self.name, why, extra=about(Event.DISCONNECTED, notifier=self.name)
            )
        except asyncio.CancelledError:
            await self._say_ended(link)
            raise
        finally:
            self._link = None
            await link.close()
        return tries

    async def _say_ended(self, link: "Link") -> None:
        try:
            async with asyncio.timeout(FAREWELL_S):
                await link.publish(self._daemon("stopped"))
        except (DeliveryError, OSError):
            return  # the last will then says `lost`, which is true as well

    async def _publish_apart(self, message: Message) -> None:
        link = await self._opened(will=False)
        try:
            await self._publish(link, message)
        finally:
            await link.close()

    async def _opened(self, *, will: bool) -> "Link":
        from watchkeeper.notifiers.mqtt.connection import Broker, Link  # noqa: PLC0415  an extra

        settings = self._settings
        source = settings.password
        password = None
        if source is not None:
            password = await asyncio.to_thread(read_secret, source, f"{self.name}: password")
        context = await trust(settings.ca_file) if settings.security == "tls" else None
        broker = Broker(settings.server, settings.effective_port, context, settings.user, password)
        link = Link(broker, self._daemon("lost") if will else None)
        try:
            await link.open(settings.timeout)
        except BaseException:
            await link.close()
            raise
        return link

    async def _delete_first_topic(self, link: "Link") -> None:
        """What version 0.1.0 kept of itself on the broker is deleted by an empty message (MQTT 5.0, 3.3.1.3)."""
        from watchkeeper.notifiers.mqtt.connection import Publication  # noqa: PLC0415  an extra

        if not self._first_topic_deleted:
            await link.publish(Publication(f"{self._settings.topic}/watch", b"", retain=True))
            self._first_topic_deleted = True

    def _daemon(self, word: str) -> "Publication":
        from watchkeeper.notifiers.mqtt.connection import Publication  # noqa: PLC0415  an extra

        return Publication(f"{self._settings.topic}/daemon", word.encode(), retain=True, media_type="text/plain")

    async def _publish(self, link: "Link", message: Message) -> None:
        from watchkeeper.notifiers.mqtt.connection import Publication  # noqa: PLC0415  an extra

        content, topic = cloudevent.data_bytes(message), self._settings.topic
        if message.kind in _STATES and not message.test:
            key, place = message.key, f"{topic}/state/{level(message.key.subject)}"
            where = f"{place}/{level(key.quantity)}/{message.concern.value}"
            first = f"{place}/{level(first_quantity(key))}/{message.concern.first_name}"
            # An episode that could not be reported in time must not overwrite a newer one.
            if message.at >= self._newest.get(where, message.at):
                await link.publish(Publication(where, content, retain=True))
                if first != where and where not in self._newest:
                    # What version 0.1.0 left is deleted by an empty message (MQTT 5.0, 3.3.1.3).
                    await link.publish(Publication(first, b"", retain=True))
                self._newest[where] = message.at
        await link.publish(Publication(f"{topic}/messages", content))
