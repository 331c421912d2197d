"""The `[page]` table of the configuration: where the page is served, and under which names."""

import re
from enum import StrEnum
from ipaddress import IPv4Network, IPv6Network, ip_address, ip_network
from typing import Self

from pydantic import AnyHttpUrl, Field, ValidationInfo, field_validator, model_validator

from watchkeeper.config.types import SecretSource, Strict, TokenSource
from watchkeeper.messages.wording import clean

_HOST = re.compile(r"(?!-)[a-z0-9-]{1,63}(?<!-)(\.(?!-)[a-z0-9-]{1,63}(?<!-))*\.?")
_PREFIX = re.compile(r"(/[A-Za-z0-9._~-]+)*")


class Reading(StrEnum):
    """Who may read the page."""

    OPEN = "open"
    PASSWORD = "password"  # noqa: S105  a word of the configuration


class Right(StrEnum):
    """What a token allows."""

    READ = "read"  # the pages and the API
    METRICS = "metrics"  # the path /metrics


class PageToken(Strict):
    """A token with which a program reads without signing in (`Authorization: Bearer TOKEN`).

    name: names the token in the log. rights: what it allows: `read` is the pages and the API, `metrics` is /metrics.
    secret: where the token is read from. It has at least 22 characters; `openssl rand -base64 32` makes one.
    """

    name: str = Field(min_length=1, max_length=100)
    rights: tuple[Right, ...] = Field(min_length=1)
    secret: TokenSource


class PageSettings(Strict):
    """Where the page is served, and who may read it.

    listen: the address to listen on: loopback, or with a password any other. port: the port; 0 takes any free one.
    hosts: further names under which a reverse proxy serves the page. A request for any other name is refused.
    proxies: addresses or networks of your reverse proxies; for one on this host `["127.0.0.1", "::1"]`. Only their
    X-Forwarded-For header is used: its rightmost address that is not listed here is the visitor, for whom wrong
    passwords are counted. By default the header is ignored.
    prefix: the path under which a reverse proxy serves the page, such as `/watch`; empty for none.
    password: where the hash that `watchkeeper password` made is read from. Without it nobody can act on alerts on the
    page.
    reading: who may read the page: `open` is everyone who can reach it, `password` those who sign in. By default `open`
    on a loopback address and `password` on any other.
    address: the page's address as readers of messages reach it. With it, messages about an alert have a link that
    acknowledges the alert.
    token: tokens of programs that read.
    metrics: serve /metrics in the format OpenMetrics 1.0, for programs that collect metrics. It needs a token with the
    right `metrics` where other machines can reach the page (another address than loopback, or a reverse proxy in
    `hosts`), and where reading needs the password.
    """

    listen: str = "127.0.0.1"
    port: int = Field(default=8417, ge=0, le=65_535)
    hosts: tuple[str, ...] = ()
    proxies: tuple[str, ...] = ()
    prefix: str = ""
    password: SecretSource | None = Field(default=None, validate_default=True)
    reading: Reading | None = None
    address: AnyHttpUrl | None = None
    token: tuple[PageToken, ...] = Field(default=(), max_length=20)
    metrics: bool = False

    @field_validator("listen")
    @classmethod
    def _address(cls, listen: str) -> str:
        if listen != "localhost":
            try:
                ip_address(listen)
            except ValueError:
                raise ValueError(f"{listen!r} is not an address; write 127.0.0.1, ::1 or localhost") from None
        return listen

    @field_validator("password")
    @classmethod
    def _guarded(cls, password: SecretSource | None, info: ValidationInfo) -> SecretSource | None:
        """Require a password for what other machines can reach."""
        listen = info.data.get("listen", "localhost")
        if password is None and not _loopback(listen):
            raise ValueError(
                f'none is set, and "{listen}" can be reached from other machines; make one with `watchkeeper password`'
                " and name its file here, or let listen be 127.0.0.1 or ::1"
            )
        return password

    @field_validator("reading")
    @classmethod
    def _readable(cls, reading: Reading | None, info: ValidationInfo) -> Reading | None:
        if reading is Reading.PASSWORD and info.data.get("password") is None:
            raise ValueError('needs a password when it is "password"; set page.password')
        return reading

    @field_validator("address")
    @classmethod
    def _answered(cls, address: AnyHttpUrl | None, info: ValidationInfo) -> AnyHttpUrl | None:
        """Report now a link that would be refused on the night of the alarm."""
        if address is None:
            return None
        if address.username or address.password or address.query or address.fragment:
            raise ValueError("is more than a host and a path; write one such as https://watch.example.org/watch")
        host, listen = (address.host or "").strip("[]").lower(), info.data.get("listen", "localhost")
        if host not in {"localhost", listen, *info.data.get("hosts", ())} and not _is_loopback(host):
            raise ValueError(f"names {host}, a name that the page does not answer to; add it to page.hosts")
        return address

    @field_validator("token")
    @classmethod
    def _each_named(cls, tokens: tuple[PageToken, ...]) -> tuple[PageToken, ...]:
        names = [each.name for each in tokens]
        for name in names:
            if names.count(name) > 1:
                raise ValueError(f'two tokens have the name "{clean(name, 60)}"; give each its own name')
        return tokens

    @model_validator(mode="after")
    def _metrics_guarded(self) -> Self:
        """Require a token for /metrics where others than the users of this host can ask for it."""
        if self.metrics and self.metrics_need_token and not any(Right.METRICS in each.rights for each in self.token):
            raise ValueError(
                "metrics needs a token here, because other machines can reach the page or reading needs the password; "
                'add a [[page.token]] with rights = ["metrics"]'
            )
        return self

    @property
    def metrics_need_token(self) -> bool:
        """Can others than the users of this host reach the page, or does reading need the password?"""
        return bool(not self.loopback or self.hosts or self.private)

    @property
    def loopback(self) -> bool:
        """Can only this machine reach the page?"""
        return _loopback(self.listen)

    @property
    def private(self) -> bool:
        """Must a visitor sign in to read?"""
        return self.reading is Reading.PASSWORD or (self.reading is None and not self.loopback)

    @property
    def names(self) -> tuple[str, ...]:
        """Every name under which the page answers, besides the loopback names."""
        anywhere = self.listen != "localhost" and ip_address(self.listen).is_unspecified
        return self.hosts if anywhere else (*self.hosts, self.listen.lower())

    @field_validator("hosts")
    @classmethod
    def _names(cls, hosts: tuple[str, ...]) -> tuple[str, ...]:
        lowered = tuple(h.lower() for h in hosts)
        for host in lowered:
            if not _HOST.fullmatch(host):
                raise ValueError(f"{host!r} is not a host name; write the name alone, such as watch.example.org")
        return lowered

    @field_validator("proxies")
    @classmethod
    def _networks(cls, proxies: tuple[str, ...]) -> tuple[str, ...]:
        return tuple(str(_proxy(each.strip())) for each in proxies)

    @property
    def proxy_networks(self) -> tuple[IPv4Network | IPv6Network, ...]:
        """The proxies whose X-Forwarded-For is believed."""
        return tuple(ip_network(each) for each in self.proxies)

    @field_validator("prefix")
    @classmethod
    def _path(cls, prefix: str) -> str:
        trimmed = prefix.rstrip("/")
        if not _PREFIX.fullmatch(trimmed):
            raise ValueError(f"{prefix!r} is not a path; begin it with /, such as /watch")
        return trimmed


def _proxy(text: str) -> IPv4Network | IPv6Network:
    """A proxy's address or network. Raises ValueError that says what to write."""
    try:
        network = ip_network(text, strict=False)
    except ValueError:
        raise ValueError(
            f"{text!r} is not an address or a network; write one such as 127.0.0.1, ::1 or 192.0.2.0/28"
        ) from None
    if not network.prefixlen:
        raise ValueError(f"{text!r} covers every address, so visitors could forge theirs; write the proxy's own")
    address = text.partition("/")[0]
    if "/" in text and ip_address(address) != network.network_address:
        raise ValueError(f"{text!r} is an address inside a network; write {address!r} or the network, {str(network)!r}")
    return network


def _is_loopback(host: str) -> bool:
    try:
        return ip_address(host).is_loopback
    except ValueError:
        return False


def _loopback(listen: str) -> bool:
    """Can only this machine reach the address?"""
    return listen == "localhost" or ip_address(listen).is_loopback
