"""ICMP echo without privileges: whether a host answers at all, how fast, and how many requests are lost.

Uses the kernel's ping sockets (icmp(7), "ICMP datagram sockets"): no raw socket, no privilege, no other program. The
setting net.ipv4.ping_group_range says which groups may open one; it applies to IPv6 as well.
"""

import asyncio
import secrets
import socket
import struct
from collections.abc import Callable, Sequence
from pathlib import Path
from statistics import median
from typing import Annotated, Literal

from pydantic import AfterValidator, Field, model_validator

from watchkeeper.config.types import Duration
from watchkeeper.errors import PrivilegeMissing, ProbeError
from watchkeeper.model.observation import Answer, Facts, Observed, SeriesKey
from watchkeeper.model.units import format_duration
from watchkeeper.probes.base import BaseProbe, ProbeContext
from watchkeeper.probes.services.in_guest import InGuestSettings, Target
from watchkeeper.probes.support import resolve as names
from watchkeeper.probes.support.resolve import Address
from watchkeeper.probes.support.timer import Timer

GROUP_RANGE = Path("/proc/sys/net/ipv4/ping_group_range")

REQUEST = {socket.AF_INET: 8, socket.AF_INET6: 128}
REPLY = {socket.AF_INET: 0, socket.AF_INET6: 129}
"""Echo request and reply: RFC 792 and RFC 4443 (section 4)."""

PROTOCOL = {socket.AF_INET: socket.IPPROTO_ICMP, socket.AF_INET6: socket.IPPROTO_ICMPV6}
RECEIVE_ERRORS = {
    socket.AF_INET: (socket.IPPROTO_IP, 11),
    socket.AF_INET6: (socket.IPPROTO_IPV6, 25),
}
"""IP_RECVERR and IPV6_RECVERR of linux/in.h and linux/in6.h: an ICMP error becomes a socket error."""

BETWEEN_S = 0.2
"""Time between requests: the minimum that iputils allows users other than root, so no host mistakes it for a flood."""

_HEADER = struct.Struct("!BBHHH")


class PingSettings(InGuestSettings):
    """A host: whether it answers an ICMP echo request, and how fast."""

    kind: Literal["ping"] = "ping"
    name: str = Field(min_length=1, max_length=100, description="name of the host, such as jetty-bridge")
    every: Duration = Field(60.0, description="time between runs")
    timeout: Duration = Field(5.0, description="time within which at least one reply must come")
    host: Annotated[str, AfterValidator(names.plain_host)] = Field(
        "", description="name or address of the host; not needed with `guest`"
    )
    family: Literal["any", "IPv4", "IPv6"] = Field("any", description="which kind of address to use")
    requests: int = Field(3, ge=1, le=20, description="number of requests in one run; one reply is enough")

    @model_validator(mode="after")
    def _has_target(self) -> "PingSettings":
        if not self.host and not self.guest:
            raise ValueError('it has neither host nor guest; add one of them, such as host = "jetty-bridge.test"')
        return self


FAMILIES = {"any": socket.AF_UNSPEC, "IPv4": socket.AF_INET, "IPv6": socket.AF_INET6}


class PingProbe(BaseProbe):
    """Monitors one host."""

    def __init__(self, settings: PingSettings, bench: ProbeContext) -> None:
        self._settings, self._clock, self._target = settings, bench.clock, Target(bench, settings)
        self._host = settings.host or settings.guest
        self._key = SeriesKey(f"host {settings.name}", "answer")

    async def observe(self) -> Sequence[Observed]:
        """Send a few requests. Raises PrivilegeMissing if this user may not open a ping socket."""
        if unseen := await self._target.missing(self._key.subject):
            return unseen
        settings, watch = self._settings, Timer(self._clock, "looking up the name")
        family = FAMILIES[settings.family]
        try:
            found = await self._target.look_up(settings.host, 0, family)
            trips_s = await self._ask(found[0])
        except PrivilegeMissing:
            raise
        except (OSError, UnicodeError, ProbeError) as error:
            facts = self._facts(None, ())
            return [Answer(self._key, answered=False, reason=names.why(error, self._host), facts=facts)]
        watch.passed("name")
        facts = self._facts(found[0], trips_s)
        if not trips_s:
            reason = f"no reply within {format_duration(settings.timeout)}, requests sent: {settings.requests}"
            return [Answer(self._key, answered=False, reason=reason, facts=facts)]
        return [Answer(self._key, answered=True, took_s=median(trips_s), facts=facts)]

    async def _ask(self, address: Address) -> list[float]:
        """Seconds that each reply took. Raises OSError if an ICMP error came back and no reply before it."""
        with open_socket(address.family) as asked:
            asked.connect(address.where)
            talk = _Talk(asked, address.family, self._clock.monotonic_s)
            sending = asyncio.create_task(talk.send(self._settings.requests))
            try:
                async with asyncio.timeout(self._settings.timeout):
                    await talk.listen(self._settings.requests)
            except OSError as error:
                # Some or all were lost: the replies that came are what counts.
                if not talk.trips_s and not isinstance(error, TimeoutError):
                    raise
            finally:
                sending.cancel()
                await asyncio.wait({sending})
            if not talk.trips_s and not sending.cancelled():
                sending.result()  # If none could even be sent, this raises the reason.
            return talk.trips_s

    def _facts(self, address: Address | None, trips_s: Sequence[float]) -> Facts:
        facts: Facts = (("host", self._host),)
        if address is None:
            return facts
        return (*facts, ("address", address.host), ("replies", f"{len(trips_s)} of {self._settings.requests}"))


def open_socket(family: socket.AddressFamily) -> socket.socket:
    """Open a non-blocking ping socket. Raises PrivilegeMissing that says what forbids it and what to do."""
    try:
        opened = socket.socket(family, socket.SOCK_DGRAM | socket.SOCK_NONBLOCK, PROTOCOL[family])
    except PermissionError as error:
        raise PrivilegeMissing(_forbidden()) from error
    opened.setsockopt(*RECEIVE_ERRORS[family], 1)
    return opened


def _forbidden() -> str:
    try:
        allowed = " ".join(GROUP_RANGE.read_text(encoding="ascii").split())
    except OSError:
        allowed = "unknown"
    return (
        f"this user may not send ICMP echo requests: net.ipv4.ping_group_range is {allowed!r}; "
        'allow it with `sysctl net.ipv4.ping_group_range="0 2147483647"`, or narrow it to the group that runs this'
    )


class _Talk:
    """Requests and replies over one connected ping socket. The kernel sets id and checksum, and filters by id."""

    def __init__(self, asked: socket.socket, family: socket.AddressFamily, now_s: Callable[[], float]) -> None:
        self._socket, self._family, self._now_s = asked, family, now_s
        self._token = secrets.token_bytes(16)
        self._sent_s: dict[int, float] = {}
        self.trips_s: list[float] = []

    async def send(self, count: int) -> None:
        """Send the requests. One that cannot be sent counts as lost."""
        for number in range(1, count + 1):
            packet = _HEADER.pack(REQUEST[self._family], 0, 0, 0, number) + self._token
            self._sent_s[number] = self._now_s()
            await asyncio.get_running_loop().sock_sendall(self._socket, packet)
            await asyncio.sleep(BETWEEN_S)

    async def listen(self, count: int) -> None:
        """Receive replies until every request has one."""
        while len(self.trips_s) < count:
            packet = await asyncio.get_running_loop().sock_recv(self._socket, 2048)
            now_s, sent_s = self._now_s(), self._sent_s.pop(self._number(packet), None)
            if sent_s is not None:
                self.trips_s.append(now_s - sent_s)

    def _number(self, packet: bytes) -> int:
        """The number of the request that a packet replies to; 0 if it replies to none of these."""
        if len(packet) < _HEADER.size or packet[_HEADER.size :] != self._token:
            return 0
        kind, _, _, _, number = _HEADER.unpack_from(packet)
        return int(number) if kind == REPLY[self._family] else 0
