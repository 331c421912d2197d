"""Which of the addresses that a guest reports this host connects to, for services in the guest.

A guest is not trusted: it could name any address in the world, and a request to a service may carry a secret. So an
address counts if it is in a network of one of this host's interfaces, or private (RFC 1918, RFC 4193), and is none of
this host's own: a bridge for containers has the same address in many guests and on many hosts.
"""

import ipaddress
from collections.abc import Iterable, Sequence
from ipaddress import IPv4Address, IPv4Interface, IPv6Address, IPv6Interface

import psutil

ADDRESSES_LIMIT = 8
"""Addresses that are remembered of one guest."""

Interface = IPv4Interface | IPv6Interface


def own_interfaces() -> list[Interface]:
    """The addresses of this host with their networks. Raises OSError."""
    found = list[Interface]()
    for each in (one for some in psutil.net_if_addrs().values() for one in some):
        try:
            address = ipaddress.ip_address(each.address.partition("%")[0])
            bits = int(ipaddress.ip_address(each.netmask or "")).bit_count()
        except ValueError:
            continue  # An address of another layer, or one without a network.
        found.append(ipaddress.ip_interface(f"{address}/{bits}"))
    return found


def usable(reported: Iterable[str], own: Sequence[Interface]) -> tuple[str, ...]:
    """Those that may be used, the preferred one first. reported: as an agent's report has them, `eth0 192.0.2.7`."""
    addresses = dict.fromkeys(ipaddress.ip_address(each.rpartition(" ")[2]) for each in reported)
    mine = {each.ip for each in own}
    found = [(rank, each) for each in addresses if each not in mine and (rank := _rank(each, own)) is not None]
    return tuple(str(each) for _, each in sorted(found, key=lambda pair: pair[0]))[:ADDRESSES_LIMIT]


def _rank(address: IPv4Address | IPv6Address, own: Sequence[Interface]) -> tuple[bool, int] | None:
    """The order of preference: in a network of this host first, and IPv4 first. None for one that is not used."""
    near = any(address in each.network for each in own if each.version == address.version)
    return (not near, address.version) if near or address.is_private else None
