"""Links: real veths and a bridge in a network of their own, and trees of files as the kernel lays them out.

The kernel here has no bonding driver, and no virtual interface has a speed that changes, so those are laid out as
Documentation/ABI/testing/sysfs-class-net and Documentation/networking/bonding.rst have them.
"""

import json
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.probes.apart import run_apart
from tests.probes.hands import SetClock
from tests.probes.toolbox import find, keys
from tests.support.needs import need
from watchkeeper.errors import ProbeError
from watchkeeper.model.observation import Condition, Level, Observed
from watchkeeper.probes.base import ProbeContext
from watchkeeper.probes.network import interfaces
from watchkeeper.probes.network.changed import Changed, listed
from watchkeeper.probes.network.links import LinksProbe, LinksSettings

REAL = """
import asyncio, json, os, subprocess, sys
from watchkeeper.clock import Clock
from watchkeeper.probes.base import ProbeContext
from watchkeeper.probes.network.links import LinksProbe, LinksSettings
from watchkeeper.probes.support.workers import ThreadWorkers

root = sys.argv[1]
os.makedirs(root + "/sys")
os.makedirs(root + "/etc")
os.symlink("/proc", root + "/proc")
subprocess.run(["mount", "-t", "sysfs", "sysfs", root + "/sys"], check=True, timeout=30)
open(root + "/etc/resolv.conf", "w").write("nameserver 192.0.2.53\\n")

def ip(words):
    subprocess.run(["ip", *words.split()], check=True, timeout=30)

for words in (
    "link add wan0 type veth peer name far0", "link add lan0 type veth peer name far1", "link add br0 type bridge",
    "link set lan0 master br0", "link set br0 up", "addr add 192.0.2.10/24 dev wan0",
    "-6 addr add 2001:db8:1::10/64 dev wan0 nodad", "link set wan0 up", "link set far0 up", "link set lan0 up",
    "link set far1 up", "route add default via 192.0.2.1",
):
    ip(words)
async def run():
    bench = ProbeContext(Clock(), ThreadWorkers())
    probe = LinksProbe(LinksSettings(also=("wan*", "lan*")), bench, __import__("pathlib").Path(root))
    looks = []
    async def look(*steps):
        for step in steps:
            ip(step)
        seen = await probe.observe()
        looks.append({str(each.key): getattr(each, "reason", "") for each in seen})
    await look()
    await look("link set far0 down", "link set lan0 nomaster")
    await look("link set far0 up", "link set lan0 master br0", "addr del 192.0.2.10/24 dev wan0",
               "addr add 192.0.2.77/24 dev wan0", "-6 addr add 2001:db8:2::10/64 dev wan0 nodad",
               "-6 addr del 2001:db8:1::10/64 dev wan0")
    await look("route add default via 192.0.2.1", "link set wan0 down")
    await look("link del wan0")
    print(json.dumps(looks))
asyncio.run(run())
"""


def test_real_veths_and_a_bridge(tmp_path: Path) -> None:
    """The far end goes down, a member leaves its bridge, addresses change, the route goes, the interface goes."""
    need(Path("/usr/sbin/ip").exists() or Path("/sbin/ip").exists(), "ip (iproute2) is not installed")
    looks = run_apart(REAL, str(tmp_path / "host"), network=True)
    assert not any(looks[0].values()), looks[0]
    assert set(looks[0]) >= {
        "link wan0: carrier", "link br0: members", "host: default route", "host: own addresses", "host: name servers",
    }  # fmt: skip
    assert "link br0: carrier" not in looks[0], "a bridge has a carrier only with its guests"
    assert looks[1]["link wan0: carrier"].startswith("no link")
    assert looks[1]["link br0: members"] == "lan0 is not a member any more"
    assert looks[2]["link wan0: carrier"] == looks[2]["link br0: members"] == ""
    assert looks[2]["host: own addresses"] == (
        "changed from 192.0.2.10 to 192.0.2.77; changed from 2001:db8:1::/64 to 2001:db8:2::/64"
    )
    assert looks[2]["host: default route"] == "no default route for IPv4", "the kernel drops it with the address"
    assert looks[3]["link wan0: carrier"] == "it is switched off on this host"
    assert "does not exist any more" in looks[4]["link wan0: carrier"]


class Tree:
    """Files as the kernel lays them out, of a host that is looked at again and again."""

    def __init__(self, root: Path, bench: ProbeContext, clock: SetClock) -> None:
        self.root, self.bench, self.clock = root, bench, clock
        self.net = root / "sys/class/net"
        self.net.mkdir(parents=True)
        self.probe = self.made()

    def made(self, **settings: object) -> LinksProbe:
        """A probe of this host."""
        return LinksProbe(LinksSettings.model_validate(settings), self.bench, self.root)

    def put(self, name: str, **files: object) -> None:
        """Add an interface, or change files of it. A double underscore is a slash."""
        usual = {"device__uevent": "", "flags": "0x1003", "carrier": 1, "carrier_changes": 2, "speed": 1000,
                 "duplex": "full"}  # fmt: skip
        for key, value in ({} if (self.net / name).exists() else usual | files).items() or files.items():
            path = self.net / name / key.replace("__", "/")
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_text(f"{value}\n")

    def file(self, name: str, text: str) -> None:
        """Write another file."""
        path = self.root / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text)

    async def look(self, minutes: float = 1) -> list[Observed]:
        """The next look."""
        self.clock.advance(60 * minutes)
        return list(await self.probe.observe())


@pytest.fixture
def tree(tmp_path: Path, still: ProbeContext, clock: SetClock) -> Tree:
    """A host without an interface."""
    return Tree(tmp_path, still, clock)


def reason(seen: list[Observed], subject: str, quantity: str) -> str:
    """Of one condition."""
    found = find(seen, subject, quantity, Condition)
    assert found.ok is not bool(found.reason)
    return found.reason


async def test_a_speed_below_the_best_that_was_ever_seen(tree: Tree) -> None:
    """Also after a restart of the daemon; while there is no link, the carrier is the fault and not the speed."""
    tree.put("pt0")
    assert reason(await tree.look(), "link pt0", "link speed") == ""
    tree.put("pt0", speed=100)
    tree.probe = tree.made()
    assert reason(await tree.look(), "link pt0", "link speed").startswith("100 Mbit/s, it was 1000 Mbit/s")
    tree.put("pt0", speed=-1, carrier=0)
    seen = await tree.look()
    assert reason(seen, "link pt0", "link speed") == ""
    assert reason(seen, "link pt0", "carrier").startswith("no link")
    tree.put("pt0", speed=1000, carrier=1, duplex="half")
    assert reason(await tree.look(), "link pt0", "link speed") == "1000 Mbit/s in half duplex"
    tree.probe = tree.made(any_speed=["pt*"])
    assert reason(await tree.look(), "link pt0", "link speed") == ""


async def test_a_port_that_never_had_a_cable(tree: Tree) -> None:
    """It is no fault, and may vanish without a word; one that is excluded is not there."""
    tree.put("pt0")
    tree.put("pt1", carrier=0, speed=-1)
    seen = await tree.look()
    assert reason(seen, "link pt1", "carrier") == ""
    assert "link pt1: link speed" not in keys(seen)
    (tree.net / "pt1").rename(tree.root / "away")
    assert "link pt1: carrier" not in keys(await tree.look())
    tree.probe = tree.made(exclude=["pt0"])
    assert keys(await tree.look()) <= {"host: name servers"}


async def test_errors_drops_and_losses_of_an_hour(tree: Tree) -> None:
    """A few errors are no fault, nor is a small share; an hour later what was is forgotten."""
    tree.put("pt0", statistics__rx_packets=10_000, statistics__rx_errors=500, statistics__rx_dropped=90_000)
    assert reason(await tree.look(), "link pt0", "frame errors") == ""
    tree.put("pt0", statistics__rx_packets=20_000, statistics__rx_errors=519)
    assert reason(await tree.look(), "link pt0", "frame errors") == ""
    tree.put("pt0", statistics__rx_errors=560, statistics__rx_dropped=92_000, carrier_changes=8)
    seen = await tree.look()
    assert reason(seen, "link pt0", "frame errors") == (
        "60 errors in an hour, with 10000 frames; 2000 dropped frames in an hour, with 10000 frames"
    )
    assert reason(seen, "link pt0", "steady") == "the link was lost 3 times within an hour"
    tree.put("pt0", statistics__rx_packets=1_000_000)
    assert reason(await tree.look(), "link pt0", "frame errors") == "", "a small share"
    seen = await tree.look(61)
    assert not any(reason(seen, "link pt0", each) for each in ("frame errors", "steady"))
    tree.put("pt0", statistics__rx_packets=5, statistics__rx_errors=0, statistics__rx_dropped=0)
    assert reason(await tree.look(), "link pt0", "frame errors") == "", "the driver was loaded again"


async def test_a_leg_of_a_bond(tree: Tree) -> None:
    """One without a link, then one that has left; the bond itself carries on."""
    for name in ("pt0", "pt1"):
        tree.put(name, bonding_slave__mii_status="up")
    tree.put("bond0", bonding__slaves="pt0 pt1")
    assert reason(await tree.look(), "link bond0", "members") == ""
    tree.put("pt1", bonding_slave__mii_status="down")
    seen = await tree.look()
    assert reason(seen, "link bond0", "members") == "pt1 has no link"
    assert reason(seen, "link bond0", "carrier") == ""
    tree.put("bond0", bonding__slaves="pt0")
    assert reason(await tree.look(), "link bond0", "members") == "pt1 is not a member any more"


ROUTE = "Iface\tDestination\tGateway \tFlags\tRefCnt\tUse\tMetric\tMask\t\tMTU\tWindow\tIRTT\n"
DEFAULT = ROUTE + "pt0\t00000000\t010200C0\t0003\t0\t0\t100\t00000000\t0\t0\t0\n"
ZERO = "0" * 32


async def test_default_routes_of_both_families(tree: Tree) -> None:
    """What the host once had is missed; a route that rejects is none."""
    tree.put("pt0")
    tree.file("proc/net/route", DEFAULT)
    six = f"{ZERO} 00 {ZERO} 00 fe80{'0' * 27}1 00000400 00000001 00000000 {{}} {{}}\n"
    tree.file("proc/net/ipv6_route", six.format("00000003", "pt0") + six.format("00200200", "lo"))
    found = find(await tree.look(), "host", "default route", Condition)
    assert found.ok
    assert dict(found.facts) == {"default route, IPv4": "through pt0", "default route, IPv6": "through pt0"}
    tree.file("proc/net/ipv6_route", six.format("00000203", "pt0"))
    assert reason(await tree.look(), "host", "default route") == "no default route for IPv6"
    tree.file("proc/net/route", ROUTE + "pt0\t00000000\t010200C0\tnone\t0\t0\t100\t00000000\n")
    assert reason(await tree.look(), "host", "default route") == "no default route for IPv4 and IPv6"


async def test_prefixes_and_name_servers(tree: Tree) -> None:
    """Temporary and link-local addresses are left out; a change is reported for a day, one that comes often is not."""
    tree.put("pt0")

    def prefix(text: str) -> str:
        return f"20010db8{text}{'0' * 15}1 02 40 00 00     pt0\n"

    local = f"fe80{'0' * 27}1 02 40 20 80     pt0\n"
    tree.file("proc/net/if_inet6", prefix("00010000") + prefix("00090000").replace("40 00 00", "40 00 01") + local)
    tree.file("etc/resolv.conf", "# by hand\nsearch example.org\nnameserver 192.0.2.53\nnameserver\n")
    seen = await tree.look()
    assert find(seen, "host", "own addresses", Condition).facts == (("now", "2001:db8:1::/64"),)
    assert reason(seen, "host", "name servers") == ""
    tree.file("proc/net/if_inet6", prefix("00020000"))
    tree.file("etc/resolv.conf", "")
    seen = await tree.look()
    assert reason(seen, "host", "own addresses") == "changed from 2001:db8:1::/64 to 2001:db8:2::/64"
    assert reason(seen, "host", "name servers") == "/etc/resolv.conf names no server"
    tree.file("proc/net/if_inet6", "")
    assert "changed" in reason(await tree.look(), "host", "own addresses"), "none for a moment is no change"
    assert reason(await tree.look(24 * 60), "host", "own addresses") == ""


def test_values_that_change_back_or_often() -> None:
    """Back within a day is no change; the third one within a month is usual."""
    day = 86_400.0
    seen = Changed().with_values(("a",), 0).with_values(("b",), 10)
    assert seen.reason(20) == "changed from a to b"
    assert seen.with_values(("a",), 30).reason(40) == ""
    for number in range(1, 4):
        seen = seen.with_values((f"c{number}",), number * 2 * day)
        assert bool(seen.reason(number * 2 * day)) is (number == 1)
    assert seen.usual(6 * day)
    assert not seen.with_values(("d",), 50 * day).usual(50 * day)
    assert Changed().with_values((), 0).with_values(("a",), 5).reason(6) == ""
    assert listed(tuple("abcdef")) == "a, b, c, d and 2 more"
    assert listed(()) == "none"


async def test_connections_that_the_firewall_tracks(tree: Tree) -> None:
    """A level where there is one; nonsense is none."""
    tree.put("pt0")
    tree.file("proc/sys/net/netfilter/nf_conntrack_count", "900\n")
    tree.file("proc/sys/net/netfilter/nf_conntrack_max", "1000\n")
    level = find(await tree.look(), "host", "tracked connections", Level)
    assert (level.used, level.capacity) == (900, 1000)
    for text in ("0", "many"):
        tree.file("proc/sys/net/netfilter/nf_conntrack_max", text)
        assert "host: tracked connections" not in keys(await tree.look())


async def test_a_host_without_a_port(tree: Tree) -> None:
    """The probe watches nothing, and says so; so it does without /sys."""
    tree.put("lo", device__uevent="")
    (tree.net / "lo/device/uevent").unlink()
    (tree.net / "lo/device").rmdir()
    with pytest.raises(ProbeError, match="no network port"):
        await tree.look()
    (tree.net / "lo").rename(tree.root / "away")
    tree.net.rmdir()
    with pytest.raises(ProbeError, match="/sys/class/net cannot be read"):
        await tree.look()


NONSENSE = st.sampled_from(["", "-1", "nonsense", "0x", "9" * 30, "\x00", "1 2 3"])


@given(st.dictionaries(st.sampled_from(["flags", "speed", "carrier", "duplex", "statistics/rx_errors", "bonding/slaves",
                                        "carrier_changes"]), NONSENSE))  # fmt: skip
def test_nonsense_in_any_file(tmp_path_factory: pytest.TempPathFactory, files: dict[str, Any]) -> None:
    """Files that are absent, empty or nonsense count as what they would be without a link."""
    folder = tmp_path_factory.mktemp("net") / "pt0"
    for name, text in files.items():
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text)
    folder.mkdir(exist_ok=True)
    (found,) = interfaces.read_interfaces(folder.parent, lambda _: True)
    assert found.name == "pt0"
    assert json.dumps(found.counters.errors)
