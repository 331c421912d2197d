"""Deliver messages by SMTP: STARTTLS or implicit TLS with a checked certificate; unencrypted only to this host itself.

How replies are handled (RFC 5321 4.2.1): 4yz is deferred; 5yz about the sender, a recipient or the mail is refused;
errors of the connection, TLS or the login are always deferred, because the operator can fix them and nothing is lost
meanwhile. Not here: the format of a mail (mime.py).
"""

import asyncio
import ipaddress
import ssl
from collections import OrderedDict
from collections.abc import Mapping
from dataclasses import dataclass, field
from email.errors import HeaderParseError
from email.headerregistry import Address as ParsedAddress
from typing import Annotated, Literal

import aiosmtplib
from pydantic import AfterValidator, Field, model_validator

from watchkeeper.clock import Clock
from watchkeeper.config.types import Duration, SecretSource, WholePath
from watchkeeper.errors import DeliveryDeferred, DeliveryError, DeliveryRefused
from watchkeeper.messages.wording import clean
from watchkeeper.model.message import Message
from watchkeeper.notifiers.base import BaseNotifier, ReceiverSettings, read_secret, server_name, tls_trouble, trust
from watchkeeper.notifiers.mail.mime import as_bytes, greeting
from watchkeeper.notifiers.redact import redact
from watchkeeper.os_errors import connection_failure

CONNECT_S = 60.0
"""A server that does not greet in this time is down; RFC 5321 4.5.3.2 allows longer only for the later steps."""

_STEPS = 4
"""A whole delivery may take this many times `timeout`: the timeout is per reply, and a slow server uses several."""

_LOGIN_WANTED = frozenset({530, 534, 535, 538})
"""Replies that mean "log in first" or "not like this" (RFC 4954 6), whatever command they answer."""

_NO_STARTTLS = "STARTTLS extension not supported"
"""How the library says that the server does not offer it (aiosmtplib has no error of its own for that)."""

_REMEMBERED = 1_000
"""Messages whose partly completed deliveries are remembered; far more than ever wait."""


def _address(text: str) -> str:
    try:
        spec = ParsedAddress(addr_spec=text).addr_spec
    except (HeaderParseError, ValueError, IndexError):
        spec = ""
    if spec != text or not text.isascii() or not text.isprintable() or text.count("@") != 1 or text.endswith("@"):
        raise ValueError(f'"{clean(text, 60)}" is not a mail address; write one such as operator@example.org')
    return text


def _is_public(server: str) -> bool:
    """Is it an address outside every private network? Of a name that is not known here."""
    try:
        found = ipaddress.ip_address(server)
    except ValueError:
        return False
    return not (found.is_private or found.is_loopback or found.is_link_local)


def _is_this_host(server: str) -> bool:
    try:
        return ipaddress.ip_address(server).is_loopback
    except ValueError:
        return server.lower() == "localhost"


PLAIN = frozenset({"none", "unencrypted"})
"""Without TLS."""

Address = Annotated[str, AfterValidator(_address)]
"""A bare mail address."""


class MailSettings(ReceiverSettings):
    """A mail server, and the receivers of the mails.

    server: name of the mail server. port: its port; by default the usual one for `security`.
    to: addresses of the receivers.
    security: `starttls` (port 587), `tls` (port 465, RFC 8314), or `none` (port 25) for a mail server on this host.
        `unencrypted` (port 25) is for a relay in your own network that has no TLS: anyone there can read the mails.
    user, password: the login; both or neither.
    from: address of the sender.
    ca_file: CA certificates (PEM) for the server's certificate, instead of the system's.
    timeout: maximum wait for each reply of the server. RFC 5321 4.5.3.2 asks for 5 minutes: with less, a mail that the
        server has accepted may be sent twice.
    """

    kind: Literal["mail"]
    server: Annotated[str, server_name("mail.example.org")]
    port: Annotated[int, Field(ge=1, le=65_535)] | None = None
    security: Literal["starttls", "tls", "none", "unencrypted"] = "starttls"
    user: str | None = None
    password: SecretSource | None = None
    sender: Address = Field(alias="from")
    to: Annotated[tuple[Address, ...], Field(min_length=1)]
    ca_file: WholePath | None = None
    timeout: Duration = 300.0

    @model_validator(mode="after")
    def _agrees(self) -> "MailSettings":
        if self.security == "none" and not _is_this_host(self.server):
            raise ValueError(
                'security "none" is only for localhost; write "starttls" or "tls", or "unencrypted" for a relay in '
                "your own network that has no TLS: anyone there can read the mails"
            )
        if self.security == "unencrypted" and _is_public(self.server):
            raise ValueError(f'security "unencrypted" is for your own network, and {self.server} is outside it')
        if self.security == "unencrypted" and self.password is not None:
            raise ValueError('security "unencrypted" sends no password; leave user and password out, or use TLS')
        if (self.user is None) != (self.password is None):
            raise ValueError("user and password belong together; write both or neither")
        return self

    @property
    def effective_port(self) -> int:
        """The port, or the usual one for the kind of security."""
        return self.port or {"starttls": 587, "tls": 465, "none": 25, "unencrypted": 25}[self.security]


@dataclass(slots=True)
class _Progress:
    """Who has accepted a message, and who never will, with the server's text."""

    taken: set[str] = field(default_factory=set)
    refused: dict[str, str] = field(default_factory=dict)


class Mail(BaseNotifier[MailSettings]):
    """One mail server. Opens a connection for each delivery and keeps none."""

    def __init__(self, settings: MailSettings, clock: Clock) -> None:
        super().__init__(settings, clock)
        self._progress: OrderedDict[str, _Progress] = OrderedDict()
        self._used = ""

    @property
    def _server(self) -> str:
        return f"{self._settings.server}:{self._settings.effective_port}"

    async def deliver(self, message: Message) -> None:
        """Send to every recipient that has not accepted it yet. Raises what Notifier.deliver documents.

        If only some accepted it, only the others are retried. After a restart it is not known who accepted it, so a
        recipient may get it twice, with the same Message-ID.
        """
        progress = self._progress.setdefault(message.id, _Progress())
        while len(self._progress) > _REMEMBERED:
            self._progress.popitem(last=False)
        try:
            async with asyncio.timeout(self._settings.timeout * _STEPS):
                await self._send(message, progress)
        except TimeoutError:  # includes the library's own timeouts
            raise DeliveryDeferred(f"{self.name}: {self._server} did not answer in time") from None
        except ssl.SSLError as error:
            raise DeliveryDeferred(f"{self.name}: {tls_trouble(error)}") from None
        except (aiosmtplib.SMTPException, OSError) as error:
            raise self._judged(error) from None
        self._finish(message, progress)

    async def _send(self, message: Message, progress: _Progress) -> None:
        left = [each for each in self._settings.to if each not in progress.taken | progress.refused.keys()]
        content = as_bytes(message, self._settings.sender, self._settings.to)
        client = await self._connected(message.host)
        try:
            failed = await self._transact(client, left, content)
            await _farewell(client)
        finally:
            client.close()
        progress.taken.update(each for each in left if each not in failed)
        progress.refused.update({each: said for each, (code, said) in failed.items() if _final(code)})
        later = [f"{each} was deferred: {said}" for each, (code, said) in failed.items() if not _final(code)]
        if later:
            raise DeliveryDeferred(f"{self.name}: {'; '.join(later)}")

    async def _connected(self, host: str) -> aiosmtplib.SMTP:
        settings = self._settings
        client = aiosmtplib.SMTP(
            hostname=settings.server,
            port=settings.effective_port,
            use_tls=settings.security == "tls",
            start_tls=settings.security == "starttls",
            tls_context=None if settings.security in PLAIN else await trust(settings.ca_file),
            local_hostname=greeting(host),  # the library would look up its own name, which takes as long as DNS does
            timeout=settings.timeout,
        )
        password = await asyncio.to_thread(self._password)
        self._used = password or ""
        try:
            await client.connect(timeout=min(CONNECT_S, settings.timeout))
            if settings.user is not None and password is not None:
                await client.login(settings.user, password)
        except BaseException:
            client.close()
            raise
        return client

    def _password(self) -> str | None:
        source = self._settings.password
        return None if source is None else read_secret(source, f"{self.name}: password")

    async def _transact(
        self, client: aiosmtplib.SMTP, recipients: list[str], content: bytes
    ) -> Mapping[str, tuple[int, str]]:
        """Send the mail; return the recipients that were not accepted, with the reply's code and text."""
        try:
            failed, _ = await client.sendmail(self._settings.sender, recipients, content)
        except aiosmtplib.SMTPRecipientsRefused as error:
            return {each.recipient: (each.code, self._said(each.code, each.message)) for each in error.recipients}
        return {each: (reply.code, self._said(reply.code, reply.message)) for each, reply in failed.items()}

    def _said(self, code: int, text: str) -> str:
        return f"{code} {self._clean(text)}".strip()

    def _clean(self, text: str) -> str:
        """The server's text, safe to show."""
        return clean(redact(text, self._settings.user or "", self._used), 200)

    def _judged(self, error: Exception) -> DeliveryError:
        """How an error from the server is handled. A login's reply is not repeated: it may contain a secret."""
        name = self.name
        match error:
            case aiosmtplib.SMTPAuthenticationError():
                return DeliveryDeferred(
                    f"{name}: {self._server} did not accept the login ({error.code}); check user and password"
                )
            case aiosmtplib.SMTPSenderRefused() | aiosmtplib.SMTPDataError():
                said = f"{name}: {self._server} answered {self._said(error.code, error.message)}"
                return DeliveryRefused(said) if _final(error.code) else DeliveryDeferred(said)
            case aiosmtplib.SMTPException() if _NO_STARTTLS in str(error):
                return DeliveryDeferred(f"{name}: {self._server} offers no STARTTLS; {self._without_tls}")
            case aiosmtplib.SMTPResponseException():
                return DeliveryDeferred(f"{name}: {self._server} answered {self._said(error.code, error.message)}")
            case _:
                verb = (
                    "cannot connect to" if isinstance(error, aiosmtplib.SMTPConnectError) else "lost the connection to"
                )
                return DeliveryDeferred(f"{name}: {verb} {self._server} ({self._why(error)})")

    @property
    def _without_tls(self) -> str:
        """What to write instead. Nobody is advised to send unencrypted beyond the own network."""
        if _is_this_host(self._settings.server):
            return 'write security = "none", which is allowed on this host'
        return 'write security = "tls" if it expects TLS at once (port 465)'

    def _why(self, error: Exception) -> str:
        """Why there was no connection, without the address, which the library puts into its own text."""
        cause = error.__cause__ or error
        if isinstance(cause, ssl.SSLError):
            return tls_trouble(cause)
        return connection_failure(cause) if isinstance(cause, OSError) else self._clean(str(cause)) or "no reason given"

    def _finish(self, message: Message, progress: _Progress) -> None:
        self._progress.pop(message.id, None)
        if not progress.refused:
            return
        said = "; ".join(f"{each} was refused: {why}" for each, why in progress.refused.items())
        taken = f"; accepted for {', '.join(sorted(progress.taken))}" if progress.taken else ""
        raise DeliveryRefused(f"{self.name}: {said}{taken}")


async def _farewell(client: aiosmtplib.SMTP) -> None:
    """Send QUIT. The mail has been accepted by then, so errors here are ignored."""
    try:
        await client.quit(timeout=5)
    except (aiosmtplib.SMTPException, OSError):
        return


def _final(code: int) -> bool:
    """Is the reply permanent, so that a retry cannot succeed? (RFC 5321 4.2.1)"""
    return code >= 500 and code not in _LOGIN_WANTED
