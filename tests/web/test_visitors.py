"""Where a request comes from: the peer, or what a configured proxy says of its visitor."""

from ipaddress import ip_address, ip_network

import pytest
from aiohttp import web
from aiohttp.test_utils import make_mocked_request
from multidict import CIMultiDict
from pydantic import ValidationError

from watchkeeper.web.auth import visitors
from watchkeeper.web.auth.visitors import UNKNOWN, Visitors, place_of
from watchkeeper.web.settings import PageSettings

PROXIES = tuple(ip_network(each) for each in ("127.0.0.1", "::1", "198.51.100.0/28", "2001:db8:ffff::/48"))


def _request(peer: str, *told: str) -> web.Request:
    headers = CIMultiDict([("X-Forwarded-For", each) for each in told])
    return make_mocked_request("POST", "/operator/sign-in", headers=headers).clone(remote=peer)


@pytest.mark.parametrize(
    ("peer", "told", "place"),
    [
        ("192.0.2.7", (), "192.0.2.7"),
        ("192.0.2.7", ("203.0.113.9",), "192.0.2.7"),
        ("127.0.0.1", ("203.0.113.9",), "203.0.113.9"),
        ("::1", ("203.0.113.9",), "203.0.113.9"),
        ("127.0.0.1", (), "127.0.0.1"),
        ("127.0.0.1", ("203.0.113.66, 203.0.113.9",), "203.0.113.9"),
        ("127.0.0.1", ("203.0.113.66", "203.0.113.9"), "203.0.113.9"),
        ("127.0.0.1", ("203.0.113.66, 203.0.113.9, 198.51.100.3",), "203.0.113.9"),
        ("127.0.0.1", ("203.0.113.9, 198.51.100.3", "2001:db8:ffff::2"), "203.0.113.9"),
        ("127.0.0.1", ("198.51.100.2, 198.51.100.3",), "198.51.100.2"),
        ("127.0.0.1", ("203.0.113.9:4711",), "203.0.113.9"),
        ("127.0.0.1", ("[2001:db8:1:2::9]:4711",), "2001:db8:1:2::/64"),
        ("127.0.0.1", ("2001:db8:1:2:3:4:5:6",), "2001:db8:1:2::/64"),
        ("127.0.0.1", ("::ffff:203.0.113.9",), "203.0.113.9"),
        ("::ffff:127.0.0.1", ("203.0.113.9",), "203.0.113.9"),
        ("127.0.0.1", ("203.0.113.9, nonsense",), "unknown"),
        ("127.0.0.1", ("203.0.113.9, ",), "unknown"),
        ("127.0.0.1", ("unknown",), "unknown"),
        ("127.0.0.1", ("203.0.113.999",), "unknown"),
        ("127.0.0.1", ("nonsense, 203.0.113.9",), "203.0.113.9"),
        ("", (), "unknown"),
        ("fe80::7%eth0", (), "fe80::7"),
    ],
)
def test_the_visitor_is_the_rightmost_address_that_is_no_proxy(peer: str, told: tuple[str, ...], place: str) -> None:
    """The header counts from a configured proxy alone; what is malformed there is unknown, and shares one budget."""
    assert Visitors(PROXIES).place(_request(peer, *told)).name == place


def test_no_proxy_is_believed_by_default() -> None:
    """On loopback neither."""
    assert Visitors().place(_request("127.0.0.1", "203.0.113.9")).name == "127.0.0.1"


def test_addresses_that_one_host_can_have_are_one_place() -> None:
    """A host has a whole IPv6 /64; on the link itself, and in IPv4, each address is another host."""

    def place(text: str) -> str:
        return place_of(ip_address(text)).name

    assert place("2001:db8::1") == place("2001:db8::ffff:1") != place("2001:db8:0:1::1")
    assert place("192.0.2.1") != place("192.0.2.2")
    assert place("fe80::1") != place("fe80::2")


def test_networks_share_turns() -> None:
    """One /48, one IPv4 /24, all of loopback and all of the link."""

    def network(text: str) -> str:
        return place_of(ip_address(text)).network

    assert network("2001:db8::1") == network("2001:db8:0:ffff::1") != network("2001:db8:1::1")
    assert network("192.0.2.1") == network("192.0.2.254") != network("192.0.3.1")
    assert network("127.0.0.1") == network("127.255.0.1")
    assert network("fe80::1") == network("fe80::2")
    assert UNKNOWN.known is False


def test_warnings_are_bounded(caplog: pytest.LogCaptureFixture) -> None:
    """Each peer that is no configured proxy is told of once, and only so many."""
    found = Visitors()
    for i in range(50):
        for _ in range(2):
            found.place(_request(f"192.0.2.{i}", "203.0.113.9"))
    assert len(caplog.records) == visitors.MOST_WARNINGS


@pytest.mark.parametrize(
    ("written", "taken"),
    [
        ("127.0.0.1", "127.0.0.1/32"),
        ("::1", "::1/128"),
        ("192.0.2.0/28", "192.0.2.0/28"),
        ("2001:DB8:0::/48", "2001:db8::/48"),
    ],
)
def test_proxies_are_addresses_or_networks(written: str, taken: str) -> None:
    """As they are usually written."""
    assert PageSettings(proxies=(written,)).proxy_networks == (ip_network(taken),)


@pytest.mark.parametrize(
    ("written", "says"),
    [
        ("proxy.example.org", "'proxy.example.org' is not an address or a network; write one such as 127.0.0.1"),
        ("127.0.0.1:80", "'127.0.0.1:80' is not an address or a network"),
        (
            "0.0.0.0/0",
            "'0.0.0.0/0' covers every address, so visitors could forge theirs; write the proxy's own",
        ),
        ("::/0", "covers every address"),
        ("192.0.2.7/24", "is an address inside a network; write '192.0.2.7' or the network, '192.0.2.0/24'"),
    ],
)
def test_other_proxies_are_refused(written: str, says: str) -> None:
    """With what to write instead."""
    with pytest.raises(ValidationError) as told:
        PageSettings(proxies=(written,))
    assert says in str(told.value)
