"""Looks up host names where a hanging resolver blocks nothing else, and words why a connection failed.

It uses the system's resolver, as every other program on the host does. Querying one name server is the task of
probes/services/dns.py.
"""

import errno
import ipaddress
import socket
from functools import partial
from typing import NamedTuple

from watchkeeper.errors import ProbeError
from watchkeeper.os_errors import NETWORK, UNKNOWN_NAME, exhausted, explained
from watchkeeper.probes.base import Workers
from watchkeeper.probes.support.sanitize import clip

MOST_ADDRESSES = 8
"""They are tried one after the other, each with its share of the time."""


class Address(NamedTuple):
    """Where to connect. scope: the interface of a link-local IPv6 address; otherwise 0."""

    family: socket.AddressFamily
    host: str
    port: int
    scope: int = 0

    @property
    def where(self) -> tuple[str, int] | tuple[str, int, int, int]:
        """What socket.connect takes."""
        return (self.host, self.port, 0, self.scope) if self.family == socket.AF_INET6 else (self.host, self.port)


def plain_host(value: str) -> str:
    """A host's name or address as the operator writes it. Raises ValueError that says what is allowed."""
    host = value.strip()
    if not host or not host.isprintable() or any(c in host for c in " /@[]") or len(host) > 253:
        raise ValueError(f"{clip(value)!r} is not a host; write a name such as hide-hub.test, or an address")
    if ":" in host:
        ipaddress.IPv6Address(host.partition("%")[0])  # Raises its own ValueError for a host with a port.
    return host


async def look_up(
    workers: Workers,
    host: str,
    port: int,
    timeout_s: float,
    family: socket.AddressFamily = socket.AF_UNSPEC,
) -> list[Address]:
    """The addresses of a host, the preferred one first. Raises OSError, UnicodeError, ProbeTimeout and StillHanging."""
    ask = partial(socket.getaddrinfo, host, port, family, socket.SOCK_STREAM, 0, socket.AI_ADDRCONFIG)
    found = await workers.call(f"name lookup of {clip(host)}", ask, timeout_s)
    known = [Address(kind, str(where[0]), port, where[3] if len(where) == 4 else 0) for kind, _, _, _, where in found]
    return list(dict.fromkeys(known))[:MOST_ADDRESSES]


def why(error: Exception, host: str) -> str:
    """Why there was no connection, in one clause that a tired person understands.

    Raises ProbeError if this side had no descriptor or memory for one: nothing is known about the other side then.
    """
    if isinstance(error, ProbeError):
        return str(error)
    if isinstance(error, OSError) and exhausted(error):
        raise ProbeError(explained(error)) from error
    if isinstance(error, socket.gaierror):
        if error.errno in UNKNOWN_NAME:
            return f"name {clip(host)} is not known"
        return f"name {clip(host)} cannot be looked up: {error.strerror}"
    if isinstance(error, TimeoutError):
        return NETWORK[errno.ETIMEDOUT]
    if isinstance(error, OSError):
        return NETWORK.get(error.errno or 0) or f"no connection: {clip(error.strerror or str(error))}"
    return f"name {clip(host)} is not valid"
