"""Where a request comes from: the visitor's address, for IPv6 the /64 network, and the wider network around it.

A reverse proxy sends its visitor's address in X-Forwarded-For. Anybody can send that header, so it counts only if the
connection comes from a configured proxy (`page.proxies`). Not here: how often a place may try (budgets.py).
"""

import logging
import re
from collections.abc import Sequence
from dataclasses import dataclass
from ipaddress import IPv4Address, IPv4Network, IPv6Address, IPv6Network, ip_address, ip_network

from aiohttp import web

from watchkeeper.logs.fields import Event, about

Address = IPv4Address | IPv6Address
Network = IPv4Network | IPv6Network

log = logging.getLogger(__name__)

MOST_WARNINGS = 8
"""Peers that are warned about; a stranger with many addresses must not fill the log."""
MOST_HOPS = 32
"""Addresses of X-Forwarded-For that are read, from the right; no chain of proxies is longer."""

_WITH_PORT = re.compile(r"\[([^\]]+)\](?::\d{1,5})?|([0-9.]+):\d{1,5}")


@dataclass(frozen=True, slots=True)
class Place:
    """Where a request comes from. name: of the budget it uses. network: a wider one, which shares turns."""

    name: str
    network: str

    @property
    def known(self) -> bool:
        """Is the address known at all?"""
        return self is not UNKNOWN


UNKNOWN = Place("unknown", "unknown")
"""The place if a proxy's header contains no address: all such requests share one budget."""


class Visitors:
    """Finds the place of a request. proxies: whose X-Forwarded-For is trusted."""

    def __init__(self, proxies: Sequence[Network] = ()) -> None:
        self._proxies, self._warned = tuple(proxies), set[str]()

    def place(self, request: web.Request) -> Place:
        """The place of a request: the rightmost address on its way that is not one of the configured proxies."""
        peer = _address(request.remote or "")
        if peer is None:
            return UNKNOWN
        forwarded = request.headers.getall("X-Forwarded-For", [])
        if not self._ours(peer):
            if forwarded:
                self._warn(peer)
            return place_of(peer)
        nearest = peer
        for each in reversed(",".join(forwarded).split(",")[-MOST_HOPS:] if forwarded else []):
            found = _address(each.strip())
            if found is None:
                return UNKNOWN
            nearest = found
            if not self._ours(found):
                break
        return place_of(nearest)

    def _ours(self, address: Address) -> bool:
        return any(address in each for each in self._proxies)

    def _warn(self, peer: Address) -> None:
        """Warn once for each peer: behind a proxy that is not configured all visitors look the same."""
        name = str(peer)
        if name in self._warned or len(self._warned) >= MOST_WARNINGS:
            return
        self._warned.add(name)
        log.warning(
            "%s sent X-Forwarded-For, but is not listed under page.proxies, so the header is ignored: if it is your "
            'reverse proxy, all its visitors share one budget of wrong passwords; set page.proxies = ["%s"]',
            name,
            name,
            extra=about(Event.PAGE),
        )


def place_of(address: Address) -> Place:
    """The place of an address. Whoever has one address of an IPv6 /64 has all of them, except on the link itself."""
    if isinstance(address, IPv4Address):
        return Place(str(address), _network(address, 8 if address.is_loopback else 24))
    if address.is_loopback or address.is_link_local:
        return Place(str(address), _network(address, 64))
    return Place(_network(address, 64), _network(address, 48))


def _network(address: Address, bits: int) -> str:
    return str(ip_network((int(address) if isinstance(address, IPv4Address) else address.packed, bits), strict=False))


def _address(text: str) -> Address | None:
    """An address, with or without a port; an IPv4 address mapped into IPv6 is the IPv4 address."""
    if (found := _WITH_PORT.fullmatch(text)) is not None:
        text = found[1] or found[2]
    try:
        address = ip_address(text.partition("%")[0])
    except ValueError:
        return None
    return (address.ipv4_mapped or address) if isinstance(address, IPv6Address) else address
