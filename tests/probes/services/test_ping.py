"""ICMP echo over real ping sockets on loopback, in a network namespace where the kernel allows them."""

import asyncio
import ctypes
import fcntl
import os
import socket
import struct
import sys
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from pydantic import ValidationError

from tests.probes.hands import the_answer
from tests.support.needs import need
from tests.support.receivers import free_port
from watchkeeper.clock import Clock
from watchkeeper.errors import PrivilegeMissing
from watchkeeper.model.observation import Answer
from watchkeeper.probes.base import ProbeContext
from watchkeeper.probes.services import ping
from watchkeeper.probes.services.ping import PingProbe, PingSettings
from watchkeeper.probes.support import resolve as names
from watchkeeper.probes.support.resolve import Address
from watchkeeper.probes.support.workers import ThreadWorkers

CLONE_NEWNET = 0x40000000
SIOCSIFFLAGS, IFF_UP, IFF_RUNNING = 0x8914, 0x1, 0x40
"""sched.h, linux/sockios.h and linux/if.h."""

BLACK_HOLE = "192.0.2.7"
"""TEST-NET-1 (RFC 5737). In the namespace nothing leads there."""


def apart(work: Callable[[], Any], groups: str, *, loopback: bool = True) -> Any:
    """What `work` returns in a thread with a network of its own, in which these groups may send echo requests."""
    need(os.geteuid() == 0, "a network namespace of its own needs root")
    outcome: list[Any] = []

    def run() -> None:
        try:
            if ctypes.CDLL(None, use_errno=True).unshare(CLONE_NEWNET):
                outcome.append(OSError(ctypes.get_errno(), "unshare"))
                return
            with socket.socket() as any_socket:
                up = struct.pack("16sh14x", b"lo", IFF_UP | IFF_RUNNING if loopback else 0)
                fcntl.ioctl(any_socket, SIOCSIFFLAGS, up)
            ping.GROUP_RANGE.write_text(groups)
            outcome.append(work())
        except BaseException as error:  # noqa: BLE001  raised again where the test waits
            outcome.append(error)

    thread = threading.Thread(target=run)
    thread.start()
    thread.join(30)
    need(not (isinstance(outcome[0], OSError) and outcome[0].filename is None and outcome[0].args[1:] == ("unshare",)),
         "this machine lets nobody make a network namespace")  # fmt: skip
    if isinstance(outcome[0], BaseException):
        raise outcome[0]
    return outcome[0]


class Straight:
    """Workers that call at once: in the thread whose network it is."""

    async def call(self, _thing: str, work: Callable[[], Any], _timeout_s: float) -> Any:
        return work()


def look(groups: str = "0 2147483647", *, loopback: bool = True, **settings: object) -> Answer:
    """One look at loopback, or at what the settings say, in a network of its own."""
    chosen = {"name": "jetty-bridge", "host": "127.0.0.1", "timeout": 2, **settings}

    async def observe() -> Answer:
        probe = PingProbe(PingSettings.model_validate(chosen), ProbeContext(Clock(), Straight()))
        seen = await probe.observe()
        await probe.close()
        return the_answer(seen)

    answer = apart(lambda: asyncio.run(observe()), groups, loopback=loopback)
    assert isinstance(answer, Answer)
    return answer


@pytest.mark.parametrize("host", ["127.0.0.1", "::1"])
def test_a_host_that_answers(host: str) -> None:
    """Loopback answers every request, over both protocols, without a raw socket."""
    answer = look(host=host)
    assert str(answer.key) == "host jetty-bridge: answer"
    assert answer.answered
    assert answer.took_s is not None
    assert 0 < answer.took_s < 2
    assert answer.facts == (("host", host), ("address", host), ("replies", "3 of 3"))


def test_a_host_that_does_not(monkeypatch: pytest.MonkeyPatch) -> None:
    """Where the kernel is told to stay silent, no reply comes, and the reason says how many were requested."""
    silence = Path("/proc/sys/net/ipv4/icmp_echo_ignore_all")

    def quiet(family: socket.AddressFamily) -> socket.socket:
        silence.write_text("1")
        return opened(family)

    opened = ping.open_socket
    monkeypatch.setattr(ping, "open_socket", quiet)
    answer = look(timeout=0.3, requests=1)
    assert not answer.answered
    assert answer.reason == "no reply within 0s, requests sent: 1"
    assert dict(answer.facts)["replies"] == "0 of 1"


def test_no_way() -> None:
    """A network without a way to the host says so at once."""
    answer = look(host=BLACK_HOLE)
    assert not answer.answered
    assert answer.reason == "no route to the network"


def test_nothing_could_be_sent() -> None:
    """Where loopback is down, the kernel's own reason is told."""
    answer = look(loopback=False, timeout=0.3)
    assert not answer.answered
    assert answer.reason in ("no route to the network", "no route to the host", "no reply within 0s, requests sent: 3")


async def test_an_error_that_comes_back(monkeypatch: pytest.MonkeyPatch) -> None:
    """An ICMP error becomes the reason: here a real one, which loopback sends for a UDP port without a listener."""
    closed = Address(socket.AF_INET, "127.0.0.1", free_port())

    async def look_up(*_: object) -> list[Address]:
        return [closed]

    monkeypatch.setattr(names, "look_up", look_up)
    monkeypatch.setitem(ping.PROTOCOL, socket.AF_INET, socket.IPPROTO_UDP)
    probe = PingProbe(PingSettings(name="jetty-bridge", host="127.0.0.1"), ProbeContext(Clock(), Straight()))
    answer = the_answer(await probe.observe())
    assert not answer.answered
    assert answer.reason == "connection refused"


def test_not_allowed() -> None:
    """Where the kernel forbids it, exactly that is said: the setting, its value and how to change it."""
    with pytest.raises(PrivilegeMissing) as raised:
        look(groups="1 0")
    text = str(raised.value)
    assert "net.ipv4.ping_group_range is '1 0'" in text
    assert 'sysctl net.ipv4.ping_group_range="0 2147483647"' in text


def test_the_setting_cannot_be_read(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """Where even the setting is hidden, the reason still names it."""
    original = ping.GROUP_RANGE

    def work() -> str:
        original.write_text("1 0")
        monkeypatch.setattr(ping, "GROUP_RANGE", tmp_path / "hidden")
        with pytest.raises(PrivilegeMissing, match="is 'unknown'"):
            ping.open_socket(socket.AF_INET)
        return "told"

    assert apart(work, "0 0") == "told"


def test_an_unknown_name() -> None:
    """A name that cannot be looked up is told as that, and not as a silent host."""
    answer = look(host="hide..hub")
    assert answer.reason == "name hide..hub is not valid"
    assert answer.facts == (("host", "hide..hub"),)


def test_replies_of_others_do_not_count() -> None:
    """Packets that are no reply, too short, or bear another token are not taken for one."""
    left, right = socket.socketpair()
    with left, right:
        talk = ping._Talk(left, socket.AF_INET, Clock().monotonic_s)
        good = struct.pack("!BBHHH", 0, 0, 0, 0, 1) + talk._token
        assert talk._number(good) == 1
        assert talk._number(good[:-1]) == 0
        assert talk._number(b"") == 0
        assert talk._number(b"\x08" + good[1:]) == 0


async def test_stray_replies_and_an_error_after_a_reply() -> None:
    """A reply that comes twice counts once."""
    left, right = socket.socketpair(socket.AF_UNIX, socket.SOCK_DGRAM)
    with left, right:
        left.setblocking(False)
        talk = ping._Talk(left, socket.AF_INET, Clock().monotonic_s)
        await talk.send(2)
        for number in (1, 1, 9, 2):
            right.send(struct.pack("!BBHHH", 0, 0, 0, 0, number) + talk._token)
        await talk.listen(2)
        assert len(talk.trips_s) == 2


async def test_this_machine_as_it_is(workers: ThreadWorkers) -> None:
    """With this machine's own setting, it is either told as a missing privilege or answered."""
    probe = PingProbe(PingSettings(name="gannet", host="127.0.0.1", requests=1), ProbeContext(Clock(), workers))
    low, high = (int(part) for part in ping.GROUP_RANGE.read_text().split())
    if low <= os.getegid() <= high:
        assert the_answer(await probe.observe()).answered
    else:
        with pytest.raises(PrivilegeMissing):
            await probe.observe()


@pytest.mark.parametrize("wrong", [{"host": "a b"}, {"requests": 0}, {"family": "IPX"}])
def test_settings_that_make_no_sense(wrong: dict[str, object]) -> None:
    """A host that is none, no question at all and an unknown family are refused."""
    with pytest.raises(ValidationError):
        PingSettings.model_validate({"name": "jetty-bridge", "host": "127.0.0.1", **wrong})


def test_python_knows_the_protocols() -> None:
    """The protocol numbers are those that the kernel assigns: 1 for ICMP and 58 for ICMPv6 (IANA)."""
    assert (ping.PROTOCOL[socket.AF_INET], ping.PROTOCOL[socket.AF_INET6]) == (1, 58)
    assert sys.platform == "linux"
