"""Deliver messages to a log host by syslog over TLS (RFC 5425), or to this host's own log daemon by its socket.

Syslog has no acknowledgement. Over TLS a message counts as delivered once the server has closed the connection in
order after it, or has stayed silent for a moment; if the connection breaks, it is sent again. To the local socket it
counts as delivered once the kernel has put it into the daemon's queue. Not here: what an entry contains (entry.py).
"""

import asyncio
import contextlib
import ssl
from pathlib import Path
from socket import AF_UNIX, SOCK_DGRAM, socket
from typing import Annotated, Literal

from pydantic import Field, model_validator

from watchkeeper.config.types import SecretSource, WholePath
from watchkeeper.errors import DeliveryDeferred
from watchkeeper.model.message import Message
from watchkeeper.notifiers.base import BaseNotifier, ReceiverSettings, server_name, tls_trouble, trust
from watchkeeper.notifiers.syslog.entry import as_entry, as_local_entry
from watchkeeper.os_errors import connection_failure, explained

FAREWELL_S = 5.0
"""How long the server has to close the connection after a message; one that does not has still got it."""

Facility = Literal["user", "daemon", "local0", "local1", "local2", "local3", "local4", "local5", "local6", "local7"]


class SyslogSettings(ReceiverSettings):
    """A log host that takes syslog over TLS (RFC 5425), or this host's own log.

    server: name of the log host. Without it, messages go to this host's own log by `socket`.
    port: the log host's port.
    ca_file: CA certificates (PEM) for the log host's certificate, instead of the system's.
    certificate: certificate and key (PEM, in one file) that watchkeeper shows to the log host, if it asks for one.
    socket: the socket of this host's log daemon, if there is no `server`.
    format: `rfc5424` has every field of the alert as structured data; `local` is the short form that every log daemon
        reads from its local socket. By default `rfc5424` for a log host and `local` for the socket.
    facility: the facility of the entries.
    """

    kind: Literal["syslog"]
    quiet_summary: bool = False  # programs read it: each change is one entry
    server: Annotated[str, server_name("logs.example.org")] | None = None
    port: int = Field(default=6514, ge=1, le=65_535)
    ca_file: WholePath | None = None
    certificate: SecretSource | None = None
    socket: WholePath = Path("/dev/log")
    format: Literal["rfc5424", "local"] | None = None
    facility: Facility = "daemon"

    @model_validator(mode="after")
    def _agrees(self) -> "SyslogSettings":
        if self.server is None:
            for key in ("port", "ca_file", "certificate"):
                if key in self.model_fields_set:
                    raise ValueError(f"{key} belongs to a log host; write server too, or leave {key} out")
        elif "socket" in self.model_fields_set:
            raise ValueError("server and socket are two ways to deliver; write one of them")
        elif self.format == "local":
            raise ValueError('format "local" is for the socket of this host; a log host gets "rfc5424"')
        return self


class Syslog(BaseNotifier[SyslogSettings]):
    """One log. Opens a connection for each delivery and keeps none."""

    async def deliver(self, message: Message) -> None:
        """Write one entry. Raises DeliveryDeferred: an entry is valid for every receiver, so none is refused."""
        settings = self._settings
        if settings.server is None:
            make = as_entry if settings.format == "rfc5424" else as_local_entry
            await asyncio.to_thread(self._write, make(message, settings.facility))
            return
        await self._send(settings.server, as_entry(message, settings.facility))

    def _write(self, entry: bytes) -> None:
        """Put an entry into the queue of the local log daemon. Never blocks: a full queue is an error."""
        try:
            with socket(AF_UNIX, SOCK_DGRAM) as local:
                local.setblocking(False)
                local.connect(str(self._settings.socket))
                local.send(entry)
        except BlockingIOError:
            raise DeliveryDeferred(f"{self.name}: the queue of {self._settings.socket} is full") from None
        except OSError as error:
            raise DeliveryDeferred(f"{self.name}: {self._settings.socket}: {explained(error)}") from None

    async def _send(self, server: str, entry: bytes) -> None:
        place = f"{server}:{self._settings.port}"
        context = await self._context()
        try:
            async with asyncio.timeout(self._settings.timeout):
                _, writer = await asyncio.open_connection(
                    server, self._settings.port, ssl=context, ssl_shutdown_timeout=FAREWELL_S
                )
                await _send_frame(writer, entry)
        except TimeoutError:
            raise DeliveryDeferred(f"{self.name}: {place} did not answer in time") from None
        except ssl.SSLError as error:
            raise DeliveryDeferred(f"{self.name}: {place}: {tls_trouble(error)}") from None
        except OSError as error:
            raise DeliveryDeferred(f"{self.name}: cannot send to {place} ({connection_failure(error)})") from None

    async def _context(self) -> ssl.SSLContext:
        context = await trust(self._settings.ca_file)
        source = self._settings.certificate
        if source is not None:
            try:
                await asyncio.to_thread(context.load_cert_chain, source.path)
            except OSError as error:  # ssl.SSLError is an OSError; its text holds nothing of the key
                why = error.reason or "no certificate and key" if isinstance(error, ssl.SSLError) else error.strerror
                raise DeliveryDeferred(f"{self.name}: certificate {source.path} cannot be used: {why}") from None
        return context


async def _send_frame(writer: asyncio.StreamWriter, entry: bytes) -> None:
    """Send one frame of RFC 5425, 4.3, and close in order: an error until then means that it may not have arrived."""
    try:
        writer.write(b"%d %b" % (len(entry), entry))
        await writer.drain()
        writer.close()
        with contextlib.suppress(TimeoutError):  # a server that does not close in order
            await writer.wait_closed()
    finally:
        writer.transport.abort()
