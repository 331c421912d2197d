"""What an HTTP answer should be: the settings of the http probe, and the check of an answer against them."""

import ipaddress
import json
import re
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, BeforeValidator, Field, FilePath, field_validator, model_validator
from yarl import URL

from watchkeeper.config.types import Duration, SecretSource, Size, WholePath
from watchkeeper.probes.services.http.client import RedirectPolicy, Reply
from watchkeeper.probes.services.in_guest import InGuestSettings
from watchkeeper.probes.support import safe_regex
from watchkeeper.probes.support.json_pointer import Json, NoSuchValue, parse_pointer, resolve, same
from watchkeeper.probes.support.sanitize import clip

_STATUS = re.compile(r"([1-5][0-9]{2})(?:-([1-5][0-9]{2}))?")
_TOKEN = re.compile(r"[!#$%&'*+.^_`|~0-9A-Za-z-]+")
"""The characters of a header name: RFC 9110, section 5.6.2."""

_CHARSET = re.compile(r';\s*charset="?([\w.:+-]{1,40})', re.IGNORECASE | re.ASCII)

SECRET_HEADERS = frozenset({"authorization", "cookie", "proxy-authorization"})


def _url(value: str) -> str:
    try:
        url = URL(value)
        usable = url.scheme in ("http", "https") and bool(url.host)
    except ValueError:
        usable = False
    if not usable:
        raise ValueError(f"{clip(value)!r} is not a URL; write http:// or https:// and a host")
    if url.user is not None or url.password is not None:
        raise ValueError(
            'no user or password in the address; write them as a header: headers = { Authorization = { file = "..." } }'
        )
    return value


def _is_address(host: str) -> bool:
    try:
        ipaddress.ip_address(host)
    except ValueError:
        return False
    return True


def _status(value: object) -> object:
    text = str(value) if isinstance(value, int) and not isinstance(value, bool) else value
    found = _STATUS.fullmatch(text) if isinstance(text, str) else None
    if not found or int(found[2] or found[1]) < int(found[1]):
        raise ValueError(f"{value!r} is not a status; write one such as 204, or a range such as 200-299")
    return text


def _pattern(value: str) -> str:
    try:
        re.compile(value)
    except re.error as error:
        raise ValueError(f"{value!r} is not a regular expression: {error}") from error
    return value


def _pointer(value: str) -> str:
    parse_pointer(value)
    return value


def _header(value: str) -> str:
    if not _TOKEN.fullmatch(value):
        raise ValueError(f"{value!r} is not the name of a header: letters, digits and hyphens, such as X-Api-Key")
    return value


Header = Annotated[str, AfterValidator(_header)]


class HttpSettings(InGuestSettings):
    """An HTTP service: whether it answers as expected, how fast, and when its certificate expires."""

    kind: Literal["http"] = "http"
    name: str = Field(min_length=1, description="name of the service, such as hide-hub")
    every: Duration = Field(30.0, description="time between runs")
    timeout: Duration = Field(10.0, description="maximum time for the whole exchange, redirects and body included")
    url: Annotated[str, AfterValidator(_url)] = Field(
        description="the URL to request, http or https; with `guest`, its host is only the name that the service gets"
    )
    method: Literal["GET", "HEAD"] = Field("GET", description="GET, or HEAD for no body")
    headers: dict[Header, str | SecretSource] = Field(
        {}, description='headers to send; secret ones as { file = "..." } or { credential = "..." }', repr=False
    )
    status: tuple[Annotated[str, BeforeValidator(_status)], ...] = Field(
        ("200-299",), min_length=1, description="statuses that are OK: numbers and ranges"
    )
    body_text: str | None = Field(None, min_length=1, description="text that must be in the body")
    body_pattern: Annotated[str, AfterValidator(_pattern)] | None = Field(
        None, description="regular expression that must match anywhere in the body"
    )
    body_json: dict[Annotated[str, AfterValidator(_pointer)], Any] = Field(
        {}, description='values that must be in the JSON body, by JSON Pointer (RFC 6901): { "/status" = "ok" }'
    )
    answer_headers: dict[Header, str] = Field(
        {}, description="headers that the answer must have, each with a text that must be in its value"
    )
    redirects: RedirectPolicy = Field(
        "same host",
        description="`refuse`: do not follow redirects; `same host`: follow them on the same host; "
        "`follow`: follow them anywhere. A redirect whose status is in `status` is never followed",
    )
    redirects_limit: int = Field(5, ge=1, le=20, description="maximum number of redirects in a row")
    verify: bool = Field(default=True, description="whether the certificate must be valid for the name")
    ca_file: FilePath | None = Field(None, description="CA certificates (PEM) of your own, instead of the system's")
    certificate_file: WholePath | None = Field(
        None, description="where the service has its certificate from, on this host: it must serve the one in there"
    )
    max_body: Size = Field(256 * 2**10, le=16 * 2**20, description="how much of the body is read, at most 16 MiB")

    @model_validator(mode="after")
    def _names_the_guest(self) -> "HttpSettings":
        host = str(URL(self.url).host)
        if self.guest and _is_address(host):
            raise ValueError(
                f"with guest, the url holds a name and no address, which is the agent's to report; write it for {host}"
            )
        return self

    @field_validator("status", mode="before")
    @classmethod
    def _one_status(cls, value: object) -> object:
        return (value,) if isinstance(value, int | str) else value

    @field_validator("headers")
    @classmethod
    def _no_secrets(cls, value: dict[str, str | SecretSource]) -> dict[str, str | SecretSource]:
        for name, content in value.items():
            if isinstance(content, str) and name.lower() in SECRET_HEADERS:
                raise ValueError(f'{name} is a secret; write {name} = {{ file = "/path" }}')
            if isinstance(content, str) and not content.isprintable():
                raise ValueError(f"the value of {name} holds characters that are not allowed in a header")
        return value


class Checks:
    """The checks of one service, prepared once."""

    def __init__(self, settings: HttpSettings) -> None:
        self._settings = settings
        self._ranges = [_range(text) for text in settings.status]
        self._pattern = re.compile(settings.body_pattern) if settings.body_pattern else None
        self._values = [(text, parse_pointer(text), expected) for text, expected in settings.body_json.items()]

    def expects(self, status: int) -> bool:
        """Whether this is one of the statuses that count as an answer."""
        return any(low <= status <= high for low, high in self._ranges)

    def why_not(self, reply: Reply) -> str:
        """Why this does not count as an answer; empty if it does."""
        if not self.expects(reply.status):
            return f"status {reply.status}, expected {self._expected()}"
        return self._header_trouble(reply) or self._text_trouble(reply) or self._json_trouble(reply)

    def _expected(self) -> str:
        return " or ".join(text.replace("-", " to ") for text in self._settings.status)

    def _header_trouble(self, reply: Reply) -> str:
        for name, part in self._settings.answer_headers.items():
            values = reply.headers.getall(name, [])
            if not values:
                return f"the answer lacks the header {name}"
            if not any(part in value for value in values):
                return f"header {name} is {clip(values[0])!r}, expected {part!r} in it"
        return ""

    def _text_trouble(self, reply: Reply) -> str:
        wanted = self._settings.body_text
        if wanted is None and self._pattern is None:
            return ""
        text, where = decoded(reply), "" if reply.whole else " in the part that is read (max_body)"
        if wanted is not None and wanted not in text:
            return f"body lacks {wanted!r}{where}"
        try:
            if self._pattern is not None and not safe_regex.found(self._pattern, text):
                return f"body does not match {self._pattern.pattern!r}{where}"
        except safe_regex.TookTooLong:
            return f"matching the body with {self._settings.body_pattern!r} takes too long; write a simpler pattern"
        return ""

    def _json_trouble(self, reply: Reply) -> str:
        if not self._values:
            return ""
        if not reply.whole:
            return "the body is larger than what is read (max_body), so its JSON cannot be looked into"
        try:
            document: Json = json.loads(reply.body)
        except (ValueError, RecursionError):
            return "the body is not JSON"
        return next(filter(None, (self._value_trouble(document, *value) for value in self._values)), "")

    def _value_trouble(self, document: Json, text: str, tokens: tuple[str, ...], expected: Json) -> str:
        try:
            value = resolve(document, tokens)
        except NoSuchValue as ended:
            return f"body has no {clip(str(ended))}"
        if same(value, expected):
            return ""
        return f"{text or 'the body'} is {clip(_json(value))}, expected {clip(_json(expected))}"


def _json(value: Json) -> str:
    try:
        return json.dumps(value, ensure_ascii=False)
    except RecursionError:  # Parsing it succeeded only because the call stack was less deep there.
        return "nested too deeply to show"


def _range(text: str) -> tuple[int, int]:
    low, _, high = text.partition("-")
    return int(low), int(high or low)


def decoded(reply: Reply) -> str:
    """The body as text, in the character set that it declares, or UTF-8; undecodable bytes are replaced.

    The library's own parsing of Content-Type raises IndexError if a parameter is truncated, so it is not used.
    """
    found = _CHARSET.search(reply.headers.get("Content-Type", ""))
    try:
        return reply.body.decode(found[1] if found else "utf-8", "replace")
    except (LookupError, ValueError):  # An unknown character set, or not one for text.
        return reply.body.decode("utf-8", "replace")
