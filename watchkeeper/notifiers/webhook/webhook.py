"""Deliver messages to an HTTP receiver, signed as in Standard Webhooks 1.0.0.

The body is a CloudEvents 1.0 event in JSON, or the output of the operator's own template.

How a status is handled: 2xx delivered; 4xx refused, except 401, 403, 407 (the operator can fix the access rights), 408,
425 and 429, which are deferred; everything else deferred. A redirect is not followed, because nothing leaves the host
except to the addresses in the configuration; it is deferred and not refused, because the operator can enter the new
address, and what waits then goes there. The body of an answer is not read at all: it may be endless, or repeat a
secret.
"""

import asyncio
import re
import ssl
from datetime import UTC, datetime
from email.utils import parsedate_to_datetime
from http import HTTPStatus
from typing import Annotated, Literal

import aiohttp
from pydantic import AfterValidator, AnyHttpUrl, Field, SecretStr, ValidationInfo, field_validator
from yarl import URL

from watchkeeper import __version__
from watchkeeper.clock import Clock
from watchkeeper.config.types import SecretSource, WholePath
from watchkeeper.errors import DeliveryDeferred, DeliveryRefused
from watchkeeper.http_answers import BoundedAnswer
from watchkeeper.messages.wording import clean
from watchkeeper.model.message import Message
from watchkeeper.notifiers import cloudevent
from watchkeeper.notifiers.base import BaseNotifier, ReceiverSettings, read_secret, tls_trouble, trust
from watchkeeper.notifiers.webhook import signing
from watchkeeper.notifiers.webhook.template import Body, TemplateWrong
from watchkeeper.os_errors import connection_failure

_DEFERRED = frozenset({401, 403, 407, 408, 425, 429})
"""Client errors that pass, or that the operator can fix (RFC 9110 15.5, RFC 8470 5.2, RFC 6585 4)."""

_TOKEN = re.compile(r"[!#$%&'*+.^_`|~0-9A-Za-z-]+")
"""A header's name (RFC 9110 5.6.2)."""

_MEDIA_TYPE = re.compile(
    rf"{_TOKEN.pattern}/{_TOKEN.pattern}( *; *{_TOKEN.pattern}=({_TOKEN.pattern}|\"[^\"\\\r\n]*\"))*"
)
"""RFC 9110 8.3.1, such as `text/plain; charset=utf-8`."""

_NO_OTHER_TIMEOUT = aiohttp.ClientTimeout(total=None, sock_connect=None)
"""The settings' own timeout limits the whole delivery; the library's would cut a longer one short."""

_OURS = frozenset({"host", "connection", "content-type", "content-length", "transfer-encoding", "user-agent"})


def _whole_url(url: AnyHttpUrl) -> AnyHttpUrl:
    if url.username or url.password:
        raise ValueError("contains a user or password; use an Authorization header that comes from a file instead")
    return url


def _header_names(headers: dict[str, SecretSource | SecretStr]) -> dict[str, SecretSource | SecretStr]:
    for name in headers:
        if not _TOKEN.fullmatch(name):
            raise ValueError("holds an invalid header name; use letters, digits and hyphens")
        if name.lower() in _OURS or name.lower().startswith("webhook-"):
            raise ValueError(f"{name} is set by watchkeeper itself")
    return headers


def _media_type(text: str) -> str:
    if not _MEDIA_TYPE.fullmatch(text):
        raise ValueError(f'"{clean(text, 60)}" is not a media type; write one such as application/json or text/plain')
    return text


def _is_json(media_type: str) -> bool:
    """RFC 6839 3.1: application/json, and whatever ends in +json."""
    name = media_type.partition(";")[0].strip().lower()
    return name == "application/json" or name.endswith("+json")


class WebhookSettings(ReceiverSettings):
    """A receiver of webhooks.

    url: the address to POST to; from a file or credential if it is a secret.
    secret: the signing key: `whsec_` and base64. Without it, requests are not signed.
    headers: further headers to send, each as text or from a file or credential.
    ca_file: CA certificates (PEM) for the receiver's certificate, instead of the system's.
    timeout: time after which one attempt is abandoned (Standard Webhooks asks for 15 to 30 s).
    template: your own body instead of the event: a Jinja2 template over the fields of the event's `data`.
    content_type: media type of the template's result. If it is JSON, `check-config` tests the result.
    """

    kind: Literal["webhook"]
    url: Annotated[AnyHttpUrl, AfterValidator(_whole_url)] | SecretSource
    secret: SecretSource | None = None
    headers: Annotated[dict[str, SecretStr | SecretSource], AfterValidator(_header_names)] = Field(default_factory=dict)
    ca_file: WholePath | None = None
    content_type: Annotated[str, AfterValidator(_media_type)] = "application/json"
    template: str | None = None

    @field_validator("template")
    @classmethod
    def _tried(cls, template: str | None, info: ValidationInfo) -> str | None:
        """Render every kind of message: a faulty template is reported now, not in the night of the alarm."""
        if template is not None:
            Body(template, is_json=_is_json(info.data.get("content_type", "")))
        return template


class Webhook(BaseNotifier[WebhookSettings]):
    """One receiver. Opens a connection for each delivery and keeps none."""

    def __init__(self, settings: WebhookSettings, clock: Clock) -> None:
        """clock: stamps each attempt, and measures a Retry-After that is a date."""
        super().__init__(settings, clock)
        text = settings.template
        self._body = None if text is None else Body(text, is_json=_is_json(settings.content_type))

    async def deliver(self, message: Message) -> None:
        """POST the event once. Raises what Notifier.deliver documents."""
        try:
            async with asyncio.timeout(self._settings.timeout):
                url = await asyncio.to_thread(self._url)
                await self._post(url, message)
        except TimeoutError:
            raise DeliveryDeferred(f"{self.name}: no answer within {self._settings.timeout:g} s") from None
        except (aiohttp.ClientError, OSError) as error:
            raise DeliveryDeferred(f"{self.name}: {trouble_of(error)}") from None

    async def _post(self, url: URL, message: Message) -> None:
        body = cloudevent.as_bytes(message) if self._body is None else await self._made(self._body, message)
        headers = await asyncio.to_thread(self._headers, message, body)
        connector = aiohttp.TCPConnector(ssl=await trust(self._settings.ca_file), force_close=True)
        # trust_env False: a proxy from the environment would be an address that the configuration does not name.
        async with (
            aiohttp.ClientSession(
                connector=connector, trust_env=False, timeout=_NO_OTHER_TIMEOUT, response_class=BoundedAnswer
            ) as session,
            session.post(url, data=body, headers=headers, allow_redirects=False) as response,
        ):
            status, wish = response.status, response.headers.get("Retry-After")
            response.close()
        self._judge(status, wish)

    async def _made(self, body: Body, message: Message) -> bytes:
        """The operator's own body. A tried template can fail only on a message unlike all the samples."""
        try:
            return await asyncio.to_thread(body.render, message)
        except TemplateWrong as error:
            raise DeliveryDeferred(f"{self.name}: template: {error}") from None

    def _url(self) -> URL:
        """The address, read again for each delivery. Raises DeliveryDeferred that does not repeat it."""
        if not isinstance(self._settings.url, SecretSource):
            return URL(str(self._settings.url))
        text = read_secret(self._settings.url, f"{self.name}: url").strip()
        try:
            url = URL(text)
        except ValueError:
            url = URL()
        if url.scheme not in {"http", "https"} or not url.host or url.user is not None:
            raise DeliveryDeferred(
                f"{self.name}: the content of {self._settings.url.path} is not an http or https address"
            )
        return url

    def _headers(self, message: Message, body: bytes) -> dict[str, str]:
        """The headers of one attempt. Secrets are read again, so that a changed one takes effect without a restart."""
        sent = {name: self._header(name, source) for name, source in self._settings.headers.items()}
        now_s = int(self._clock.now().timestamp())
        sent.update(signing.headers(message.id, now_s, body, self._key()))
        media_type = cloudevent.CONTENT_TYPE if self._body is None else self._settings.content_type
        return sent | {"Content-Type": media_type, "User-Agent": f"watchkeeper/{__version__}"}

    def _header(self, name: str, source: SecretSource | SecretStr) -> str:
        value = read_secret(source, f"{self.name}: header {name}").strip()
        if not value.isprintable():
            raise DeliveryDeferred(f"{self.name}: header {name} contains a line break or a control character")
        return value

    def _key(self) -> bytes | None:
        if self._settings.secret is None:
            return None
        try:
            return signing.key_of(read_secret(self._settings.secret, f"{self.name}: secret"))
        except ValueError as error:
            raise DeliveryDeferred(f"{self.name}: secret in {self._settings.secret.path} {error}") from None

    def _judge(self, status: int, wish: str | None) -> None:
        if 200 <= status < 300:
            return
        said = f"{self.name}: the receiver answered {_named(status)}"
        if 400 <= status < 500 and status not in _DEFERRED:
            raise DeliveryRefused(said)
        if 300 <= status < 400:
            said = f"{said}; redirects are not followed: set the final address in the configuration"
        raise DeliveryDeferred(said, retry_after_s=retry_after(wish, self._clock.now()))


def retry_after(wish: str | None, now: datetime) -> float | None:
    """Seconds in a Retry-After header: a count, or a date (RFC 9110 10.2.3). None if there is no valid one."""
    text = (wish or "").strip()
    if text.isascii() and text.isdigit():
        return float(text[:12])  # more digits than a float can hold still mean "very long"
    try:
        at = parsedate_to_datetime(text)
    except ValueError:
        return None
    return max((at.replace(tzinfo=at.tzinfo or UTC) - now).total_seconds(), 0.0)


def _named(status: int) -> str:
    try:
        return f"{status} {HTTPStatus(status).phrase}"
    except ValueError:
        return str(status)


def trouble_of(error: aiohttp.ClientError | OSError) -> str:
    """What went wrong, without the address, which may be a secret."""
    cause: Exception = error
    if isinstance(error, aiohttp.ClientConnectorCertificateError):
        cause = error.certificate_error
    elif isinstance(error, aiohttp.ClientConnectorError):
        cause = error.os_error
    match cause:  # the connector's own errors are SSLErrors too, but without the reason
        case ssl.SSLError():
            return tls_trouble(cause)
        case _ if isinstance(error, aiohttp.ClientConnectorDNSError):
            return "cannot connect to the receiver (its name cannot be looked up)"
        case OSError() if isinstance(error, aiohttp.ClientConnectorError):
            # Not its own text: asyncio puts the address into it.
            return f"cannot connect to the receiver ({connection_failure(cause)})"
        case _:
            return f"the connection was lost ({type(error).__name__})"
