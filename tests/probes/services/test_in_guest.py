"""Services in guests, which are named by their guest: real servers on loopback, whose addresses an agent reported."""

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from ipaddress import ip_interface
from pathlib import Path

import pytest
from pydantic import ValidationError

from tests.probes.hands import the_answer
from tests.probes.nameserver import answer, name_server, record
from watchkeeper.cli.commands.configuration.unmatched import unmatched
from watchkeeper.model.observation import Observed, Unseen
from watchkeeper.probes.base import Probe, ProbeContext
from watchkeeper.probes.guests.agents.addresses import ADDRESSES_LIMIT, own_interfaces, usable
from watchkeeper.probes.services.dns import DnsProbe, DnsSettings
from watchkeeper.probes.services.http.checks import HttpSettings
from watchkeeper.probes.services.http.http import HttpProbe
from watchkeeper.probes.services.ping import PingProbe, PingSettings
from watchkeeper.probes.services.tcp import TcpProbe, TcpSettings
from watchkeeper.settings import read

GUEST = "hide-hub"


@asynccontextmanager
async def web(address: str = "127.0.0.1", port: int = 0) -> AsyncIterator[tuple[int, list[str]]]:
    """A web server on an address of loopback: its port, and the names that it was called by."""
    hosts: list[str] = []

    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        said = (await reader.readuntil(b"\r\n\r\n")).decode()
        hosts.append(next(line[6:] for line in said.split("\r\n") if line.startswith("Host: ")))
        writer.write(b"HTTP/1.1 200 OK\r\nContent-Length: 0\r\nConnection: close\r\n\r\n")
        await writer.drain()
        writer.close()

    async with await asyncio.start_server(serve, address, port) as started:
        yield started.sockets[0].getsockname()[1], hosts
        await asyncio.sleep(0)


def http(bench: ProbeContext, port: int, **more: object) -> HttpProbe:
    """The probe of a service in the guest."""
    values = {"name": "tides", "guest": GUEST, "url": f"http://{GUEST}.test:{port}/", **more}
    return HttpProbe(HttpSettings.model_validate(values), bench)


def unseen(seen: list[Observed] | tuple[Observed, ...]) -> str:
    """Why nothing could be seen of the answer."""
    (one,) = seen
    assert isinstance(one, Unseen)
    assert one.what == "service tides: answer"
    return one.why


async def test_the_address_is_the_agents_and_the_name_is_the_urls(bench: ProbeContext) -> None:
    """No name is looked up: there is none such. The service gets the name that the operator wrote."""
    bench.guest_addresses.report({GUEST: ["127.0.0.1"]})
    async with web() as (port, hosts):
        probe = http(bench, port)
        seen = the_answer(await probe.observe())
        await probe.close()
    assert seen.answered, seen.reason
    assert hosts == [f"{GUEST}.test:{port}"]
    assert ("guest", f"{GUEST} at 127.0.0.1") in seen.facts


async def test_a_service_follows_its_guest_to_another_address(bench: ProbeContext) -> None:
    """Nothing in the configuration changes when the guest gets another address."""
    bench.guest_addresses.report({GUEST: ["127.0.0.1"]})
    async with web() as (port, _):
        pass
    probe, by_tcp = http(bench, port), TcpProbe(TcpSettings(name="tides", guest=GUEST, port=port), bench)
    assert not the_answer(await probe.observe()).answered
    async with web("127.0.0.9", port) as (_, hosts):
        assert not the_answer(await by_tcp.observe()).answered
        bench.guest_addresses.report({GUEST: ["127.0.0.9"]})
        assert the_answer(await probe.observe()).answered
        connected = the_answer(await by_tcp.observe())
        assert connected.answered
        await asyncio.sleep(0.05)
    await probe.close()
    assert len(hosts) == 1
    assert connected.facts == (("guest", f"{GUEST} at 127.0.0.9 port {port}"),)


async def test_the_second_address_is_used_where_the_first_is_dead(bench: ProbeContext) -> None:
    """As with a name that has several addresses."""
    bench.guest_addresses.report({GUEST: ["127.0.0.8", "127.0.0.1"]})
    async with web() as (port, _):
        probe = TcpProbe(TcpSettings(name="tides", guest=GUEST, port=port), bench)
        assert the_answer(await probe.observe()).answered
        await asyncio.sleep(0.05)


@pytest.mark.parametrize("kind", ["http", "tcp", "dns"])
async def test_without_an_address_nothing_is_known(bench: ProbeContext, kind: str) -> None:
    """It is no fault of the service; only the first look waits."""
    of_tcp = TcpSettings(name="tides", guest=GUEST, port=9, timeout=0.1)
    of_dns = DnsSettings(name="tides", guest=GUEST, question="a.test", timeout=0.1)
    made: dict[str, Probe] = {
        "http": http(bench, 80, timeout=0.1),
        "tcp": TcpProbe(of_tcp, bench),
        "dns": DnsProbe(of_dns, bench),
    }
    probe = made[kind]
    for _ in range(2):
        assert "no address of the guest hide-hub is known" in unseen(list(await probe.observe()))
    await probe.close()


async def test_the_first_look_waits_for_the_agents(bench: ProbeContext) -> None:
    """`watchkeeper probe` runs all probes at once, and the daemon at its start."""
    async with web() as (port, _):
        probe = http(bench, port, timeout=30)
        looking = asyncio.ensure_future(probe.observe())
        await asyncio.sleep(0.05)
        bench.guest_addresses.report({"nest-cams": ["127.0.0.7"]})
        await asyncio.sleep(0.05)
        assert not looking.done()
        bench.guest_addresses.report({GUEST: ["127.0.0.1"]})
        assert the_answer(await looking).answered
        await probe.close()


async def test_a_name_server_in_a_guest(bench: ProbeContext) -> None:
    """Its address is the guest's."""
    bench.guest_addresses.report({GUEST: ["127.0.0.1"]})
    async with name_server(lambda packet, _: [answer(packet, record(1, bytes([192, 0, 2, 1])), 1)]) as (port, _):
        settings = DnsSettings(name="tides", guest=GUEST, port=port, question="a.test", expect=("192.0.2.1",))
        assert the_answer(await DnsProbe(settings, bench).observe()).answered


async def test_a_guest_without_an_address_of_the_wanted_family(bench: ProbeContext) -> None:
    """An echo request over IPv6 cannot go to an IPv4 address."""
    bench.guest_addresses.report({GUEST: ["127.0.0.1"]})
    seen = await PingProbe(PingSettings(name="tides", guest=GUEST, family="IPv6"), bench).observe()
    assert "no address of this family" in the_answer(seen).reason


def test_an_address_that_is_gone_stays_until_there_is_another(bench: ProbeContext) -> None:
    """A guest whose network is down reports none: its service is then asked where it was."""
    bench.guest_addresses.report({GUEST: ["127.0.0.1"]})
    bench.guest_addresses.report({GUEST: []})
    assert bench.guest_addresses.of(GUEST) == ("127.0.0.1",)


OWN = [ip_interface(each) for each in ("192.0.2.1/24", "172.17.0.1/16", "2001:db8::1/64", "127.0.0.1/8")]


@pytest.mark.parametrize(
    ("reported", "expected"),
    [
        (("eth0 192.0.2.7",), ("192.0.2.7",)),
        (("docker0 172.17.0.1", "eth0 192.0.2.7"), ("192.0.2.7",)),
        (("eth0 2001:db8::7", "eth0 192.0.2.7"), ("192.0.2.7", "2001:db8::7")),
        (("eth1 10.9.8.7", "eth0 192.0.2.7"), ("192.0.2.7", "10.9.8.7")),
        (("eth0 8.8.8.8", "eth0 2a00:1450::1"), ()),
        (("eth0 192.0.2.1",), ()),
        (("eth0 192.0.2.7", "eth0 192.0.2.7"), ("192.0.2.7",)),
        ((), ()),
    ],
)
def test_which_addresses_are_used(reported: tuple[str, ...], expected: tuple[str, ...]) -> None:
    """Near ones first, private ones then; none of this host's own, and none of the internet's."""
    assert usable(reported, OWN) == expected


def test_a_guest_with_many_addresses() -> None:
    """Only some are remembered."""
    assert len(usable([f"eth0 192.0.2.{each}" for each in range(2, 200)], OWN)) == ADDRESSES_LIMIT


def test_the_hosts_own_addresses() -> None:
    """Loopback is among them, with its network."""
    assert ip_interface("127.0.0.1/8") in own_interfaces()


def test_a_service_in_a_guest_depends_on_it() -> None:
    """Without a word in depends_on, and with what is there."""
    settings = TcpSettings(name="tides", guest=GUEST, port=22, depends_on=("pool skerry",))
    assert settings.dependencies == ("pool skerry", "guest hide-hub")
    assert TcpSettings(name="tides", host="a.test", port=22).dependencies == ()


@pytest.mark.parametrize(
    ("model", "values", "what"),
    [
        (TcpSettings, {"port": 22}, "neither host nor guest"),
        (PingSettings, {}, "neither host nor guest"),
        (DnsSettings, {"question": "a.test"}, "one of server and guest"),
        (DnsSettings, {"question": "a.test", "server": "192.0.2.1", "guest": GUEST}, "one of server and guest"),
        (HttpSettings, {"url": "http://192.0.2.7/", "guest": GUEST}, "holds a name and no address"),
    ],
)
def test_targets_that_make_no_sense(model: type[TcpSettings], values: dict[str, object], what: str) -> None:
    """The message says what is needed."""
    with pytest.raises(ValidationError, match=what):
        model.model_validate({"name": "tides", **values})


def test_a_guest_whose_agent_nobody_asks(tmp_path: Path) -> None:
    """check-config says that its services have no address."""
    file = tmp_path / "watchkeeper.toml"
    service = (
        f'[store]\npath = "{tmp_path}/x.db"\n[[probe]]\nkind = "tcp"\nname = "tides"\nguest = "hide-hub"\nport = 22\n'
    )
    file.write_text(service)
    warning = 'probe tides: guest "hide-hub" has no address without a probe of kind guest-agents'
    assert warning in list(unmatched(read(file).settings))
    file.write_text(f'{service}[[probe]]\nkind = "guest-agents"\nsockets = ["/run/guests/*.agent"]\n')
    assert warning not in list(unmatched(read(file).settings))
