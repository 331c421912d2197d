"""TCP: whether a service accepts connections and, if it speaks first, whether it sends the expected greeting.

With TLS, also whether its certificate is valid, and until when. Nothing is sent but what begins TLS. For a service that
speaks HTTP, probes/services/http/http.py is the better probe.
"""

import asyncio
import re
import ssl
from collections.abc import Sequence
from typing import Annotated, Literal

from pydantic import AfterValidator, Field, FilePath, model_validator

from watchkeeper.config.types import Duration, WholePath
from watchkeeper.errors import ProbeError
from watchkeeper.model.observation import Answer, Facts, Observed, SeriesKey
from watchkeeper.probes.base import BaseProbe, ProbeContext
from watchkeeper.probes.services import start_tls, tls
from watchkeeper.probes.services.in_guest import InGuestSettings, Target
from watchkeeper.probes.services.served_certificate import ServedCertificate
from watchkeeper.probes.services.tls import Certificate, Handshake
from watchkeeper.probes.support import resolve as names
from watchkeeper.probes.support import safe_regex
from watchkeeper.probes.support.connect import connect
from watchkeeper.probes.support.sanitize import clip
from watchkeeper.probes.support.timer import Timer

GREETING_LIMIT_BYTES = 4096
"""A greeting has one or a few lines; RFC 5321 allows 512 characters for one, and servers send several."""


def _pattern(value: str) -> str:
    try:
        re.compile(value)
    except re.error as error:
        raise ValueError(f"{value!r} is not a regular expression: {error}") from error
    return value


class TcpSettings(InGuestSettings):
    """A service on a TCP port: whether it accepts connections, and its greeting."""

    kind: Literal["tcp"] = "tcp"
    name: str = Field(min_length=1, max_length=100, description="name of the service, such as tide-log")
    every: Duration = Field(30.0, description="time between runs")
    timeout: Duration = Field(10.0, description="maximum time for name resolution, connection and greeting")
    host: Annotated[str, AfterValidator(names.plain_host)] = Field(
        "", description="name or address of the host; not needed with `guest`"
    )
    port: int = Field(ge=1, le=65535, description="the port")
    greeting: Annotated[str, AfterValidator(_pattern)] | None = Field(
        None,
        description='regular expression for the first text from the service, such as "^220 "; default: only connect',
    )
    tls: Literal["direct", "smtp", "imap", "pop3", "ldap"] | None = Field(
        None,
        description="how TLS begins: `direct` with the first byte (SMTPS, IMAPS, LDAPS, MQTT over TLS), or after a "
        "request in the protocol that is named (STARTTLS); default: no TLS",
    )
    server_name: Annotated[str, AfterValidator(names.plain_host)] | None = Field(
        None, description="name that the certificate must be valid for; default: `host`"
    )
    verify: bool = Field(default=True, description="whether the certificate must be valid for the name")
    ca_file: FilePath | None = Field(None, description="CA certificates (PEM) of your own, instead of the system's")
    certificate_file: WholePath | None = Field(
        None, description="where the service has its certificate from, on this host: it must serve the one in there"
    )

    @model_validator(mode="after")
    def _fits(self) -> "TcpSettings":
        if not self.host and not self.guest:
            raise ValueError('it has neither host nor guest; add one of them, such as host = "hide-hub.test"')
        if self.tls is None and (self.server_name or self.ca_file or self.certificate_file or not self.verify):
            raise ValueError('server_name, verify, ca_file and certificate_file need tls, such as tls = "direct"')
        if self.greeting and self.tls not in (None, "direct"):
            raise ValueError(f'with tls = "{self.tls}" the greeting is read anyway; remove the key greeting')
        return self


class TcpProbe(BaseProbe):
    """Monitors one port."""

    def __init__(self, settings: TcpSettings, bench: ProbeContext) -> None:
        self._settings, self._clock, self._target = settings, bench.clock, Target(bench, settings)
        self._greeting = None if settings.greeting is None else re.compile(settings.greeting)
        self._subject = f"service {settings.name}"
        self._host = settings.host or settings.guest
        self._name = settings.server_name or self._host
        self._certificate = ServedCertificate(bench, self._subject, settings.certificate_file, settings.timeout)

    async def observe(self) -> Sequence[Observed]:
        """Connect once, then close the connection. Raises ProbeError only for an unusable CA file."""
        if unseen := await self._target.missing(self._subject):
            return unseen
        settings = self._settings
        context = None
        if settings.tls:
            context = tls.usable_context(self._subject, settings.ca_file, verify=settings.verify, alpn="")
        handshake = Handshake(self._clock)
        watch = Timer(self._clock, "looking up the name")
        trouble, took_s = "", None
        timer = asyncio.timeout(settings.timeout)
        try:
            async with timer:
                trouble = await self._exchange(watch, context, handshake)
                took_s = watch.took_s
            shown = handshake.certificate()
        except ssl.SSLCertVerificationError as error:
            shown = await self._refused()
            trouble = tls.why_refused(error, shown, self._name, self._clock.now())
        except (OSError, UnicodeError, ProbeError) as error:
            shown = None
            trouble = watch.too_late(settings.timeout) if timer.expired() else _why(error, self._host)
        facts: Facts = self._target.facts(settings.port) or (("address", f"{settings.host} port {settings.port}"),)
        key = SeriesKey(self._subject, "answer")
        answer = Answer(key, not trouble, trouble, took_s, tuple(watch.phases), facts)
        return [answer, *await self._certificate.observe(shown)]

    async def _exchange(self, watch: Timer, context: ssl.SSLContext | None, handshake: Handshake) -> str:
        """Connect and listen. Return why the greeting is not as expected; empty if it is."""
        settings = self._settings
        found = await self._target.look_up(settings.host, settings.port)
        watch.passed("name", "connecting")
        reader, writer = await connect(found, settings.timeout)
        watch.passed("connect", "beginning TLS" if context else "waiting for the greeting")
        try:
            if context is not None:
                await self._secure(reader, writer, context, handshake)
                watch.passed("tls", "waiting for the greeting")
            return "" if self._greeting is None else await self._greeted(reader, self._greeting, watch)
        finally:
            writer.transport.abort()  # Nothing was sent that could be lost, so do not wait for a slow close.

    async def _secure(
        self,
        reader: asyncio.StreamReader,
        writer: asyncio.StreamWriter,
        context: ssl.SSLContext,
        handshake: Handshake,
    ) -> None:
        """Begin TLS, asking for it first where the protocol wants that. The handshake keeps the certificate."""
        begins = self._settings.tls
        if begins is not None and begins != "direct":
            await start_tls.request(begins, reader, writer)
        token = tls.current.set(handshake)
        try:
            await writer.start_tls(context, server_hostname=self._name)
        finally:
            tls.current.reset(token)

    async def _refused(self) -> Certificate | None:
        """The certificate that was not accepted, for its dates and names: by a second handshake without a check."""
        handshake, watch = Handshake(self._clock), Timer(self._clock, "")
        try:
            async with asyncio.timeout(self._settings.timeout):
                await self._exchange(watch, tls.context_for(verify=False, alpn=""), handshake)
        except (OSError, UnicodeError, ProbeError):  # Includes TimeoutError.
            pass
        return handshake.certificate()

    async def _greeted(self, reader: asyncio.StreamReader, greeting: re.Pattern[str], watch: Timer) -> str:
        said = b""
        while len(said) < GREETING_LIMIT_BYTES:
            part = await reader.read(GREETING_LIMIT_BYTES - len(said))
            said += part
            try:
                if safe_regex.found(greeting, said.decode("utf-8", "replace")):
                    watch.passed("greeting")
                    return ""
            except safe_regex.TookTooLong:
                return "searching its greeting takes too long; write a simpler regular expression"
            if not part:
                break
        line = clip(said.decode("utf-8", "replace").strip())
        return f'unexpected greeting "{line}"' if line else "it closed the connection without a greeting"


def _why(error: Exception, host: str) -> str:
    """Why there was no exchange. An error of TLS that is not about the certificate has no number of the system."""
    if isinstance(error, ssl.SSLError):
        return f"no TLS connection: {clip((error.reason or 'the server ended it').lower().replace('_', ' '))}"
    return names.why(error, host)
