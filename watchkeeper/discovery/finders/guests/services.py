"""Finds services in guests: a short list of well-known ports is tried at the address that the guest's agent reports.

Only where the operator runs discovery and allows requests, and only at guests of this host. One connection to each
port, and one `GET /` where that can do no harm (web.py).
"""

import asyncio
from collections.abc import Mapping, Sequence

from watchkeeper.discovery.finders import web
from watchkeeper.discovery.finders.web import NOT_WEB, Service
from watchkeeper.discovery.host import Host
from watchkeeper.discovery.proposal import Proposal
from watchkeeper.discovery.toml import literal, writable
from watchkeeper.errors import ProbeError
from watchkeeper.probes.guests.agents.addresses import own_interfaces, usable
from watchkeeper.probes.guests.agents.agent import AgentReport
from watchkeeper.probes.guests.agents.libvirt_agents import LibvirtAgents
from watchkeeper.probes.guests.agents.sockets import AgentSockets
from watchkeeper.probes.guests.sockets import Asked
from watchkeeper.probes.services.http.client import HttpClient
from watchkeeper.probes.support.sanitize import clip

PORTS = (
    22, 25, 53, 80, 110, 143, 389, 443, 445, 465, 587, 631, 636, 993, 995, 1883, 2049, 3000, 3306, 5000, 5432, 6379,
    8000, 8080, 8081, 8123, 8443, 8883, 9000,
)  # fmt: skip
"""What services in a home listen on: ports of IANA's registry, and those that web applications take by habit, from
memory."""

GUESTS_LIMIT = 16
"""Guests whose ports are tried: a person is waiting."""

AGENT_TIMEOUT_S = 3.0
CONNECT_TIMEOUT_S = 1.0
"""A guest on this host answers in milliseconds; a port that drops packets does not answer at all."""

AT_ONCE = 8


async def find_services(host: Host, agents: Mapping[str, str], libvirt: str = "") -> tuple[Proposal, ...]:
    """Services in guests. agents: the guest's name by the socket of its agent. libvirt: where it is asked too."""
    if (not agents and not libvirt) or not host.ask_web:
        return ()
    try:
        asked = await _ask(host, agents, libvirt)
        own = await host.bench.workers.call("own addresses", own_interfaces, host.timeout_s)
    except (ProbeError, OSError):
        return ()  # Without its agent's answer a guest has no address; the probe of agents reports why.
    where = {}
    for each in asked:
        name = clip(agents.get(each.path) or each.name)
        addresses = usable(each.guest.addresses or (), own) if each.guest else ()
        if addresses and name and writable(name):
            where[name] = addresses
    found = [await _services(host, *each) for each in list(where.items())[:GUESTS_LIMIT]]
    return tuple(web.propose(each) for some in found for each in some)


async def _ask(host: Host, agents: Mapping[str, str], libvirt: str) -> list[Asked[AgentReport]]:
    """What each agent reports, by its socket or through libvirt. Raises ProbeError and OSError."""
    sockets = AgentSockets(host.bench, [literal(path) for path in agents], AGENT_TIMEOUT_S, host.helper)
    asked = await sockets.ask_all()
    if libvirt:
        found, _ = await LibvirtAgents(host.bench, libvirt, host.helper).ask_all()
        asked += [each.asked for each in found]
    return asked


async def _services(host: Host, guest: str, addresses: Sequence[str]) -> list[Service]:
    """The services of one guest, with what each answered to a request."""
    gate = asyncio.Semaphore(AT_ONCE)

    async def one(port: int) -> bool:
        async with gate:
            return await _listens(addresses[0], port)

    listens = await asyncio.gather(*(one(each) for each in PORTS))
    ports = [port for port, here in zip(PORTS, listens, strict=True) if here]
    services = [Service(each, addresses[0], "", guest, inside=True) for each in ports]
    client = HttpClient(host.bench, web.ASK_TIMEOUT_S)
    try:
        for at, each in enumerate(services):
            if each.port not in NOT_WEB:
                client.pin(each.host, addresses[:1])
                services[at] = await web.ask(host, client, each)
    finally:
        await client.close()
    return services


async def _listens(address: str, port: int) -> bool:
    """Whether a connection is accepted; it is closed at once."""
    try:
        async with asyncio.timeout(CONNECT_TIMEOUT_S):
            _, writer = await asyncio.open_connection(address, port)
    except OSError:  # Includes TimeoutError.
        return False
    writer.transport.abort()
    return True
