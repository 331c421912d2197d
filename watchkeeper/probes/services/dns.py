"""DNS: whether a name server answers a question, how fast, and with the expected values.

The message format is in dns_message.py. The query goes over UDP, and again over TCP if the answer did not fit
(RFC 7766).
"""

import asyncio
import contextlib
import ipaddress
import secrets
import struct
from collections.abc import Sequence
from typing import Annotated, Literal

from pydantic import AfterValidator, Field, model_validator

from watchkeeper.config.types import Duration
from watchkeeper.model.observation import Answer, Facts, Observed, SeriesKey
from watchkeeper.probes.base import BaseProbe, ProbeContext
from watchkeeper.probes.services import dns_message
from watchkeeper.probes.services.dns_message import BadAnswer, Question, Reply
from watchkeeper.probes.services.in_guest import InGuestSettings, Target
from watchkeeper.probes.support import resolve as names
from watchkeeper.probes.support.sanitize import clip
from watchkeeper.probes.support.timer import Timer

TRIES = 3
"""UDP may lose a packet: the same question is sent this many times, spread over the timeout."""

PACKETS_WAITING = 16
"""Packets that may wait to be read; more are dropped, as UDP allows."""


def _server(value: str) -> str:
    ipaddress.ip_address(value)  # Not a name: looking it up would need a working name server.
    return value


def _name(value: str) -> str:
    dns_message.to_name(value)
    return value


class DnsSettings(InGuestSettings):
    """A name server: whether it answers a query as expected, and how fast."""

    kind: Literal["dns"] = "dns"
    name: str = Field(min_length=1, max_length=100, description="name of the name server in messages")
    every: Duration = Field(60.0, description="time between runs")
    timeout: Duration = Field(5.0, description="maximum time for the whole exchange, repeated queries included")
    server: Annotated[str, AfterValidator(_server)] = Field(
        "", description="IP address of the name server; not needed with `guest`"
    )
    port: int = Field(53, ge=1, le=65535, description="its port")
    question: Annotated[str, AfterValidator(_name)] = Field(description="the name to query, such as hide-hub.test")
    record: Literal["A", "AAAA", "CNAME", "MX", "NS", "PTR", "SRV", "TXT"] = Field(
        "A", description="the record type to query"
    )
    expect: tuple[str, ...] = Field((), description="values that must be in the answer; by default any answer is OK")

    @model_validator(mode="after")
    def _has_target(self) -> "DnsSettings":
        if bool(self.server) == bool(self.guest):
            raise ValueError('it needs one of server and guest, such as server = "192.0.2.53"')
        return self


class _Inbox(asyncio.DatagramProtocol):
    """Queues what a connected UDP socket receives: packets from the one server, and ICMP errors."""

    def __init__(self) -> None:
        self.heard: asyncio.Queue[bytes | Exception] = asyncio.Queue(PACKETS_WAITING)

    def datagram_received(self, data: bytes, _addr: object) -> None:
        """Queue a packet."""
        self._keep(data)

    def error_received(self, exc: Exception) -> None:
        """Queue an ICMP error: nothing listens there, or there is no route."""
        self._keep(exc)

    def _keep(self, what: bytes | Exception) -> None:
        with contextlib.suppress(asyncio.QueueFull):
            self.heard.put_nowait(what)


class DnsProbe(BaseProbe):
    """Monitors one name server with one question."""

    def __init__(self, settings: DnsSettings, bench: ProbeContext) -> None:
        self._settings, self._clock, self._target = settings, bench.clock, Target(bench, settings)
        self._server = settings.server
        self._name = dns_message.to_name(settings.question)
        self._expected = frozenset(_plain(value) for value in settings.expect)
        self._key = SeriesKey(f"service {settings.name}", "answer")

    async def observe(self) -> Sequence[Observed]:
        """Query once, over UDP and, if the answer does not fit, over TCP."""
        if unseen := await self._target.missing(self._key.subject):
            return unseen
        self._server = next(iter(self._target.addresses), self._settings.server)
        watch = Timer(self._clock, "asking over UDP")
        question = Question(secrets.randbelow(0x10000), self._name, self._settings.record)
        timer = asyncio.timeout(self._settings.timeout)
        try:
            async with timer:
                reply = await self._ask(question, watch)
        except (OSError, BadAnswer, EOFError) as error:
            late = timer.expired()
            trouble = watch.too_late(self._settings.timeout) if late else _why(error, self._server)
            facts = self._facts(())
            return [Answer(self._key, answered=False, reason=trouble, phases=tuple(watch.phases), facts=facts)]
        trouble = self._why_not(reply)
        return [Answer(self._key, not trouble, trouble, watch.took_s, tuple(watch.phases), self._facts(reply.records))]

    async def _ask(self, question: Question, watch: Timer) -> Reply:
        reply = await self._over_udp(question, watch)
        watch.passed("UDP", "asking over TCP, because the answer was too long for UDP")
        if reply.truncated:
            reply = await self._over_tcp(question)
            watch.passed("TCP")
        return reply

    async def _over_udp(self, question: Question, watch: Timer) -> Reply:
        where = (self._server, self._settings.port)
        transport, inbox = await asyncio.get_running_loop().create_datagram_endpoint(_Inbox, remote_addr=where)
        asking = asyncio.create_task(self._keep_asking(transport, question.packet()))
        try:
            return await _first_answer(inbox, question, watch)
        finally:
            asking.cancel()
            transport.abort()

    async def _keep_asking(self, transport: asyncio.DatagramTransport, packet: bytes) -> None:
        for _ in range(TRIES):
            transport.sendto(packet)
            await asyncio.sleep(self._settings.timeout / TRIES)

    async def _over_tcp(self, question: Question) -> Reply:
        reader, writer = await asyncio.open_connection(self._server, self._settings.port)
        try:
            packet = question.packet()
            writer.write(struct.pack("!H", len(packet)) + packet)
            (length,) = struct.unpack("!H", await reader.readexactly(2))
            return dns_message.read(await reader.readexactly(length), question)
        finally:
            writer.transport.abort()

    def _why_not(self, reply: Reply) -> str:
        asked = f"{self._settings.record} of {clip(self._settings.question)}"
        if reply.refusal or not reply.records:
            return f"{asked}: {reply.refusal or 'the name exists, but no such record'}"
        missing = self._expected - {_plain(value) for value in reply.records}
        if missing:
            return clip(f"{asked}: {', '.join(sorted(missing))} is not in the answer ({', '.join(reply.records)})")
        return ""

    def _facts(self, records: Sequence[str]) -> Facts:
        facts: Facts = (
            ("server", f"{self._server} port {self._settings.port}"),
            ("question", f"{self._settings.record} of {clip(self._settings.question)}"),
        )
        return (*facts, ("answer", clip(", ".join(records)))) if records else facts


async def _first_answer(inbox: _Inbox, question: Question, watch: Timer) -> Reply:
    """The first answer to the question. Other packets are ignored: an answer to an earlier question may arrive late."""
    while True:
        heard = await inbox.heard.get()
        if isinstance(heard, Exception):
            raise heard
        try:
            return dns_message.read(heard, question)
        except BadAnswer as error:
            watch.stage = f"an answer arrived, but {error}"


def _plain(value: str) -> str:
    """A record's value for comparison: addresses in normal form, names without case and without the final dot."""
    try:
        return str(ipaddress.ip_address(value.strip()))
    except ValueError:
        return value.strip().removesuffix(".").lower()


def _why(error: Exception, server: str) -> str:
    if isinstance(error, BadAnswer):
        return f"its answer is not valid: {error}"
    if isinstance(error, EOFError):
        return "the connection closed in the middle of its answer"
    return names.why(error, server)
