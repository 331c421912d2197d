"""Finding network ports, in a tree as the kernel lays it out."""

from watchkeeper.discovery.finders.network import find_links
from watchkeeper.discovery.host import Host


async def test_ports_are_proposed_with_their_speed(host: Host) -> None:
    """A port with a link, one without; what has no device is not named, and a host without a port is told so."""
    net = host.root / "sys/class/net"
    for name in ("lo", "docker0"):
        (net / name).mkdir(parents=True)
    assert (await find_links(host)).absent == ("network ports",)
    for name, carrier in (("pt0", "1"), ("pt1", "0")):
        (net / name / "device").mkdir(parents=True)
        (net / name / "carrier").write_text(carrier)
        (net / name / "speed").write_text("1000\n")
    (found,) = (await find_links(host)).proposals
    assert (found.kind, found.about[0]) == ("links", "Network ports: pt0 1000 Mbit/s, pt1 without a link.")
    for number in range(2, 14):
        (net / f"pt{number}/device").mkdir(parents=True)
    (found,) = (await find_links(host)).proposals
    assert "and 4 more" in found.about[0]


async def test_a_host_whose_ports_cannot_be_read(host: Host) -> None:
    """It is said, and nothing is proposed."""
    found = await find_links(host)
    assert (found.proposals, len(found.unseen)) == ((), 1)
