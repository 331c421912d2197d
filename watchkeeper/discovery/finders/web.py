"""Finds services on TCP ports, checks over loopback whether each speaks HTTP, and makes a proposal from the response.

One request per port, `GET /`, within a few seconds. Ports on which a request could do harm are not queried.
"""

import asyncio
import html
import re
from collections import defaultdict
from dataclasses import dataclass, replace
from functools import partial

import aiohttp
from yarl import URL

from watchkeeper.discovery.finders.guests import qemu
from watchkeeper.discovery.finders.listeners import address_of, owner_of
from watchkeeper.discovery.host import Host, Listener, unseen
from watchkeeper.discovery.proposal import Found, Key, Proposal, Thing, things
from watchkeeper.errors import ProbeError
from watchkeeper.probes.services import tls
from watchkeeper.probes.services.http.checks import decoded
from watchkeeper.probes.services.http.client import HttpClient, Progress, Reply, RequestSpec, within
from watchkeeper.probes.services.tls import Handshake
from watchkeeper.probes.support.sanitize import clip, printable

ASK_TIMEOUT_S = 3.0
"""For one request: a service on this host answers within it, or its start page is not suitable for monitoring."""

AT_ONCE = 4
PORTS_LIMIT = 64
BODY_LIMIT_BYTES = 16 * 1024

NOT_WEB = frozenset({
    21, 22, 23, 25, 53, 88, 110, 111, 119, 135, 139, 143, 389, 445, 464, 465, 514, 515, 587, 636, 853, 873, 989, 990,
    992, 993, 995, 1433, 1521, 1883, 2049, 3260, 3306, 3389, 3493, 4949, 5432, 5672, 6379, 8883, 9100, 10809, 11211,
    27017,
})  # fmt: skip
"""Ports that the registry of port numbers assigns to something else, where a request would be an error in a log; and
9100, where many printers print whatever they receive. From memory of IANA's service names and port numbers."""

TLS_PORTS = frozenset({465, 636, 993, 995, 8883})
"""Mail submission, LDAP, IMAP, POP3 and MQTT over TLS, by IANA's list of ports."""

SCREENS = range(5900, 6000)
"""Guests' screens (RFB)."""

_HOST = re.compile(r"[A-Za-z0-9]([A-Za-z0-9.-]{0,60}[A-Za-z0-9])?")

_TITLE = re.compile(r"<title[^>]*>([^<]{1,200})", re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class Service:
    """What is known of one port. reply: None if it speaks no HTTP. guest: whose process listens for it.

    inside: it is a port of the guest itself, at the guest's own address. host: what a URL calls its host.
    """

    port: int
    address: str
    owner: str
    guest: str
    reply: Reply | None = None
    url: str = ""
    inside: bool = False

    @property
    def name(self) -> str:
        """What the operator would call it."""
        who = self.guest or self.owner
        if self.inside:
            return f"{who} port {self.port}"
        return f"{who} on {self.port}" if who else f"port {self.port}"

    @property
    def host(self) -> str:
        """The host as written in a URL: the guest's name if that can be one, for its address may change."""
        if self.inside:
            return self.guest if _HOST.fullmatch(self.guest) else "guest"
        return f"[{self.address}]" if ":" in self.address else self.address

    @property
    def thing(self) -> Thing:
        """What it is, for the comparison with the configuration."""
        return Thing("service", f"{self.guest} port {self.port}") if self.inside else Thing("port", str(self.port))


async def find(host: Host) -> Found:
    """Every port below the ephemeral ones that has a listener."""
    try:
        heard = await host.bench.workers.call("listening ports", host.ears, host.timeout_s)
        by_pid = await host.bench.workers.call("processes", partial(_guests, host), host.timeout_s)
    except (ProbeError, OSError) as error:
        return unseen("services on TCP ports", error)
    of: dict[int, list[Listener]] = defaultdict(list)
    for each in heard:
        if each.port != host.own_port:
            of[each.port].append(each)
    found = [_service(port, of[port], host, by_pid) for port in sorted(of)]
    asked = await _ask_all(host, found[:PORTS_LIMIT])
    there = frozenset(things("port", (str(port) for port in of)))
    proposals = tuple(propose(each) for each in asked)
    return Found(proposals, there=there, looked=frozenset({"port"}))


def _guests(host: Host) -> dict[int, str]:
    return {each.pid: each.name for each in qemu.running(host.root / "proc")}


def _service(port: int, heard: list[Listener], host: Host, guests: dict[int, str]) -> Service:
    owner, pid = owner_of(heard, host.root / "proc")
    return Service(port, address_of(heard), owner, clip(guests.get(pid or 0, ""), 60))


async def _ask_all(host: Host, found: list[Service]) -> list[Service]:
    gate = asyncio.Semaphore(AT_ONCE)
    exchanger = HttpClient(host.bench, ASK_TIMEOUT_S)

    async def one(service: Service) -> Service:
        if not host.ask_web or service.port in NOT_WEB or service.port in SCREENS:
            return service
        async with gate:
            return await ask(host, exchanger, service)

    try:
        return list(await asyncio.gather(*(one(each) for each in found)))
    finally:
        await exchanger.close()


async def ask(host: Host, exchanger: HttpClient, service: Service) -> Service:
    """Try plain HTTP, then TLS if there was no reply, or 400, which is how TLS ports answer plain HTTP."""
    plain = await _request(host, exchanger, URL(f"http://{service.host}:{service.port}/"))
    if plain is None or plain.status == 400:
        secure = await _request(host, exchanger, URL(f"https://{service.host}:{service.port}/"))
        plain = secure or plain
    return replace(service, reply=plain, url=str(plain.url) if plain else "")


async def _request(host: Host, exchanger: HttpClient, url: URL) -> Reply | None:
    clock = host.bench.clock
    wishes = RequestSpec("GET", url, {}, {}, frozenset(), "refuse", 0, BODY_LIMIT_BYTES)
    progress = Progress(clock, url, Handshake(clock))
    try:
        exchange = exchanger.exchange(wishes, progress, tls.context_for(verify=False))
        return await within(ASK_TIMEOUT_S, exchange)
    except (aiohttp.ClientError, OSError, ProbeError, ValueError):
        return None  # It speaks something else, or is gone: then it is only a port.


def propose(service: Service) -> Proposal:
    """The table for one service."""
    return _web(service, service.reply) if service.reply else _tcp(service)


def _web(service: Service, reply: Reply) -> Proposal:
    about = [f"An HTTP service on port {service.port}{_whose(service)}{_title(reply)}."]
    keys = [Key("name", service.name), *_inside(service), Key("url", service.url), *_rests(service)]
    # A server error is no indication of how it answers when it is OK.
    failing = reply.status >= 500
    if failing:
        about.append(f"It answered with status {reply.status} just now, an error: see what is wrong with it.")
    else:
        keys.append(Key("status", (reply.status,), _why(reply.status)))
    if service.url.startswith("https:"):
        why = (
            "Its certificate is not valid for an address. When it expires is monitored nevertheless. "
            "Better: write the name in the url and remove this key."
        )
        keys.append(Key("verify", value=False, why=why))
    return Proposal("http", tuple(keys), tuple(about), offered=failing, things=(service.thing,))


def _why(status: int) -> str:
    if status in (401, 403):
        return "The status just now: it asks for a login, so it works."
    if 300 <= status < 400:
        return "The status just now: it redirects to another address, so it works."
    return "The status just now."


def _tcp(service: Service) -> Proposal:
    about = f"Something listens on port {service.port}{_whose(service)}. You are notified if it accepts no connections."
    tls = (Key("tls", "direct", "The standard port of a protocol over TLS."),) if service.port in TLS_PORTS else ()
    where = _inside(service) or [Key("host", service.address)]
    keys = (Key("name", service.name), *where, Key("port", service.port), *tls, *_rests(service))
    return Proposal("tcp", keys, (about,), offered=True, things=(service.thing,))


def _rests(service: Service) -> list[Key]:
    why = "The guest's own process uses the port. While the guest is down, only that is reported."
    known = service.guest and not service.inside
    return [Key("depends_on", (f"guest {printable(service.guest)}",), why)] if known else []


def _inside(service: Service) -> list[Key]:
    why = "Its address comes from the guest's agent. While the guest is down, only that is reported."
    return [Key("guest", service.guest, why)] if service.inside else []


def _whose(service: Service) -> str:
    if service.inside:
        return f" of the guest {printable(service.guest)}"
    if service.guest:
        return f", which depends on the guest {printable(service.guest)}"
    return f", of {printable(service.owner)}" if service.owner else ""


def _title(reply: Reply) -> str:
    found = _TITLE.search(decoded(reply))
    title = " ".join(html.unescape(found[1]).split()) if found else ""
    return f', with the title "{clip(title, 80)}"' if title else ""
