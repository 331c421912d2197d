"""Finds network ports, bonds and bridges."""

from watchkeeper.discovery.host import Host, unseen
from watchkeeper.discovery.proposal import Found, Proposal
from watchkeeper.errors import ProbeError
from watchkeeper.probes.network.interfaces import Interface, read_interfaces
from watchkeeper.probes.support.sanitize import printable

NAMED = 10


async def find_links(host: Host) -> Found:
    """The ports with a device, and bonds; what virtual ones are for is not known."""
    try:
        found = await host.bench.workers.call("links", lambda: _ports(host), host.timeout_s)
    except (ProbeError, OSError) as error:
        return unseen("network ports", error)
    if not found:
        return Found(absent=("network ports",))
    more = f" and {len(found) - NAMED} more" if len(found) > NAMED else ""
    about = f"Network ports: {', '.join(_words(each) for each in found[:NAMED])}{more}."
    return Found((Proposal("links", about=(about, "Also the default route, own addresses and name servers.")),))


def _ports(host: Host) -> list[Interface]:
    return [each for each in read_interfaces(host.root / "sys/class/net", lambda _: False) if each.port]


def _words(port: Interface) -> str:
    speed = f" {port.speed_mbit} Mbit/s" if port.speed_mbit else ""
    return f"{printable(port.name)}{speed if port.carrier else ' without a link'}"
