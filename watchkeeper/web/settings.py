"""The `[page]` part of the configuration: where the page is served, and under which names."""

import re
from ipaddress import ip_address

from pydantic import Field, field_validator

from watchkeeper.config.types import Strict

_HOST = re.compile(r"(?!-)[a-z0-9-]{1,63}(?<!-)(\.(?!-)[a-z0-9-]{1,63}(?<!-))*\.?")
_PREFIX = re.compile(r"(/[A-Za-z0-9._~-]+)*")


class PageSettings(Strict):
    """Where the page is served.

    listen: a loopback address. port: 0 takes any that is free.
    hosts: further names under which a reverse proxy offers the page; a request for any other name is turned away.
    prefix: the path under which a reverse proxy offers the page, such as `/watch`; empty for none.
    """

    listen: str = "127.0.0.1"
    port: int = Field(default=8417, ge=0, le=65_535)
    hosts: tuple[str, ...] = ()
    prefix: str = ""

    @field_validator("listen")
    @classmethod
    def _loopback(cls, listen: str) -> str:
        """The page has no password yet, so nobody but this machine may reach it."""
        try:
            loopback = listen == "localhost" or ip_address(listen).is_loopback
        except ValueError:
            raise ValueError(f"{listen!r} is not an address; write 127.0.0.1, ::1 or localhost") from None
        if not loopback:
            raise ValueError(
                f"{listen!r} can be reached from other machines, and the page has no password yet; "
                "write 127.0.0.1 or ::1, and put a reverse proxy that asks for a password in front of it"
            )
        return listen

    @field_validator("hosts")
    @classmethod
    def _names(cls, hosts: tuple[str, ...]) -> tuple[str, ...]:
        lowered = tuple(h.lower() for h in hosts)
        for host in lowered:
            if not _HOST.fullmatch(host):
                raise ValueError(f"{host!r} is not a host name; write the name alone, such as watch.example.org")
        return lowered

    @field_validator("prefix")
    @classmethod
    def _path(cls, prefix: str) -> str:
        trimmed = prefix.rstrip("/")
        if not _PREFIX.fullmatch(trimmed):
            raise ValueError(f"{prefix!r} is not a path; write one that begins with a slash, such as /watch")
        return trimmed
