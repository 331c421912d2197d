"""Finds uninterruptible power supplies: what the server of their protocol on this host lists (RFC 9271)."""

import asyncio

from watchkeeper.discovery.finders.listeners import address_of
from watchkeeper.discovery.host import Host, unseen
from watchkeeper.discovery.proposal import Found, Key, Proposal, things
from watchkeeper.errors import ProbeError
from watchkeeper.probes.power.ups_protocol import NAME, PORT, session
from watchkeeper.probes.support import resolve
from watchkeeper.probes.support.sanitize import printable

ASK_TIMEOUT_S = 5.0
"""A server on this host answers within it."""


async def find_ups(host: Host) -> Found:
    """Each UPS that a server on this host knows; the server is asked for their names alone."""
    try:
        heard = await host.bench.workers.call("listening ports", host.ears, host.timeout_s)
    except (ProbeError, OSError) as error:
        return unseen("uninterruptible power supplies", error)
    servers = [each for each in heard if each.port == PORT]
    if not servers or not host.ask_web:
        return Found(absent=() if servers else ("uninterruptible power supplies (no server on port 3493)",))
    address = address_of(servers)
    try:
        async with asyncio.timeout(ASK_TIMEOUT_S):
            found = await resolve.look_up(host.bench.workers, address, PORT, ASK_TIMEOUT_S)
            async with session(found, f"port {PORT}", ASK_TIMEOUT_S) as server:
                names = await server.names()
    except (ProbeError, OSError) as error:
        return unseen("uninterruptible power supplies", error)
    there = things("UPS", (name for name in sorted(names) if NAME.fullmatch(name)))
    proposals = tuple(_proposal(each.name, names[each.name], address) for each in there)
    return Found(proposals, there=frozenset(there), looked=frozenset({"UPS"}))


def _proposal(name: str, description: str, address: str) -> Proposal:
    about = f"UPS {printable(name)}: {printable(description) or 'no description'}."
    keys = (
        Key("name", name),
        *(() if address == "127.0.0.1" else (Key("host", address),)),
        Key("ups", name),
        Key("must_last", "10m", "How long it must last after a power failure.", offered=True),
    )
    return Proposal("ups", keys, (about,), things=things("UPS", (name,)))
