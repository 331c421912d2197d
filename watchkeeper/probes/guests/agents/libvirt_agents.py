"""The agents in guests of libvirt, which holds their sockets: through libvirt itself, as root or by the helper.

libvirt passes questions on only for a user who may also change guests, so the daemon's user should not be one: the
helper asks (privileged/guests/libvirt_agent.py). Not here: what an agent reports (agent.py).
"""

import asyncio
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from functools import partial
from pathlib import Path
from typing import TypeVar

from watchkeeper.errors import PrivilegeMissing, ProbeError
from watchkeeper.model.observation import Unseen
from watchkeeper.model.units import format_duration
from watchkeeper.os_errors import explained
from watchkeeper.privileged.commands import AT_ONCE, TIMEOUT_S, Result
from watchkeeper.privileged.guests import libvirt_agent
from watchkeeper.privileged.guests.libvirt_agent import Domain
from watchkeeper.probes.base import ProbeContext
from watchkeeper.probes.guests.agents import agent
from watchkeeper.probes.guests.agents.agent import AgentReport
from watchkeeper.probes.guests.agents.volumes import LOOK_EVERY_S
from watchkeeper.probes.guests.libvirt import LibvirtGuests, path_of
from watchkeeper.probes.guests.qmp import Channel, Guest
from watchkeeper.probes.guests.sockets import ROOT_TIMEOUT_S, SOCKETS_LIMIT, Asked
from watchkeeper.probes.support.boot import boot_of
from watchkeeper.probes.support.sanitize import clip
from watchkeeper.probes.support.tools import ABANDON_S, PATH, ask_root, text_of

_NOT_CONNECTED = "agent is not connected"
_NOT_GIVEN = "agent is not configured"
_NOT_RUNNING = ("domain is not running", "Domain not found")
_FORBIDDEN = ("ermission denied", "authentication", "read only access", "access denied")
_MUTE = ("not available for now", "it does not answer")
"""What libvirt says (qemuDomainAgentAvailable and qemuAgentSend in its sources), or this program for it."""

NO_AGENT = "no agent runs in the guest"
NO_CHANNEL = "libvirt gives the guest no channel to an agent: add one named org.qemu.guest_agent.0"

T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class LibvirtAgent:
    """One guest that runs, and what its agent reported. start: differs for each start; started_at: when it was seen.

    guest: what libvirt says about it. channel: where libvirt says that no agent has opened it; else None.
    """

    asked: Asked[AgentReport]
    start: str
    started_at: datetime
    guest: Guest | None = None
    channel: Channel | None = None


class LibvirtAgents:
    """The agents of the guests of one libvirt daemon. uri: what is connected to, such as qemu:///system."""

    def __init__(self, context: ProbeContext, uri: str, helper: Path, root: Path = Path("/")) -> None:
        """helper: the socket of the privileged helper. root: the folder of /proc, for tests."""
        self._context, self._uri, self._helper = context, uri, helper
        self._proc = root / "proc"
        self._guests = LibvirtGuests(context, uri, libvirt_agent.PATIENCE_S)
        self._seen: dict[str, datetime] = {}
        self._plain: dict[str, tuple[float | None, bool]] = {}

    async def ask_all(self) -> tuple[list[LibvirtAgent], list[Unseen]]:
        """The agent of every guest that runs, ordered by name; and one line if libvirt cannot be asked."""
        try:
            asked = await self._asked()
            guests = {each.name: each.guest for each in await self._guests.ask_all(())}
        except ProbeError as error:
            return [], [Unseen(f"agents in guests of libvirt at {clip(self._uri)}", str(error))]
        boot, now = boot_of(self._proc), self._context.clock.now()
        starts = {f"{boot} {number} {one.name}": one for number, one in asked}
        self._seen = {start: self._seen.get(start, now) for start in starts}
        self._plain = {start: each for start, each in self._plain.items() if start in starts}
        found = [
            LibvirtAgent(
                one, start, self._seen[start], await self._with_images(start, guests.get(one.name)), _channel(one)
            )
            for start, one in starts.items()
        ]
        return sorted(found, key=lambda each: each.asked.name), []

    async def _with_images(self, start: str, guest: Guest | None) -> Guest | None:
        """The guest, with its images as known if libvirt knows of no snapshot in them. Asked rarely."""
        if guest is None or not any(each.allocated_bytes for each in guest.disks):
            return guest
        now_s, (asked_s, plain) = self._context.clock.monotonic_s(), self._plain.get(start, (None, False))
        if asked_s is None or now_s - asked_s >= LOOK_EVERY_S:
            try:
                plain = await self._guests.without_snapshots(guest.name)
            except ProbeError:
                plain = False
            self._plain[start] = (now_s, plain)
        disks = (replace(each, image=replace(each.image, known=plain)) for each in guest.disks)
        return replace(guest, disks=tuple(disks))

    async def _asked(self) -> list[tuple[int, Asked[AgentReport]]]:
        """Each guest's number and what its agent reported. Raises ProbeError."""
        domains = await self._domains()
        if not domains:
            return []
        first = await self._ask(domains[0])
        if first.forbidden:
            return await self._by_root(first.trouble)
        gate = asyncio.Semaphore(AT_ONCE)

        async def one(domain: Domain) -> Asked[AgentReport]:
            async with gate:
                return await self._ask(domain)

        others = await asyncio.gather(*map(one, domains[1:]))
        return [(domain.number, each) for domain, each in zip(domains, (first, *others), strict=True)]

    async def _domains(self) -> Sequence[Domain]:
        """The guests that run. Raises ProbeError."""
        work = partial(libvirt_agent.list_domains, self._uri, PATH)
        ran = await self._run("virsh list", work)
        text_of(ran, "virsh", libvirt_agent.PATIENCE_S)
        return tuple(libvirt_agent.read_domains(ran.stdout))[:SOCKETS_LIMIT]

    async def _ask(self, domain: Domain) -> Asked[AgentReport]:
        """Ask one agent as this user."""
        path = path_of(self._uri, domain.name)
        work = partial(libvirt_agent.printed, domain.uuid, self._uri, PATH)
        try:
            said = await self._run(f"agent of {clip(domain.name)}", work)
            return Asked(path, agent.read_printed(said.encode()), name=domain.name)
        except ValueError as error:
            return self._why(path, domain.name, str(error))
        except ProbeError as error:
            return Asked(path, trouble=str(error), name=domain.name)

    async def _run(self, what: str, work: Callable[[], T]) -> T:
        try:
            return await self._context.workers.call(what, work, libvirt_agent.PATIENCE_S + ABANDON_S)
        except ProbeError:
            raise  # A ProbeTimeout is also an OSError.
        except OSError as error:
            raise ProbeError(f"virsh cannot be started: {explained(error)}") from error

    async def _by_root(self, trouble: str) -> list[tuple[int, Asked[AgentReport]]]:
        """What the helper reports. trouble: why this user cannot ask. Raises ProbeError."""
        if self._uri != libvirt_agent.URI:
            raise PrivilegeMissing(f"{trouble}; the helper asks only {libvirt_agent.URI}")
        results = await ask_root(self._context, "libvirt-agents", self._helper, ROOT_TIMEOUT_S)
        if any(not each.target for each in results):
            text_of(results[0].ran, "virsh", TIMEOUT_S)
        return [self._result(each) for each in results]

    def _result(self, result: Result) -> tuple[int, Asked[AgentReport]]:
        """One guest's replies from the helper, which names it by its number and its name."""
        number, _, name = result.target.partition(" ")
        path, ran = path_of(self._uri, name), result.ran
        start = int(number) if number.isdecimal() and len(number) < 11 else 0
        if ran.timed_out:
            waited = format_duration(TIMEOUT_S)
            return start, Asked(path, trouble=f"the helper had no answer about it within {waited}", name=name)
        if ran.status != 0:
            said = ran.stderr.decode("utf-8", "replace").strip() or "it does not answer"
            return start, self._why(path, name, said)
        try:
            return start, Asked(path, agent.read_printed(ran.stdout), name=name)
        except ProbeError as error:
            return start, Asked(path, trouble=str(error), name=name)

    def _why(self, path: str, name: str, said: str) -> Asked[AgentReport]:
        """What it means that there is no reply, by libvirt's words."""
        if any(each in said for each in _FORBIDDEN):
            return Asked(path, trouble=f"this user may not ask libvirt for it: {clip(said)}", forbidden=True, name=name)
        if _NOT_GIVEN in said:
            return Asked(path, trouble=NO_CHANNEL, ended=True, name=name)
        if any(each in said for each in _NOT_RUNNING):
            return Asked(path, trouble="the guest is not running", ended=True, name=name)
        if any(each in said for each in _MUTE):
            waited = format_duration(libvirt_agent.PATIENCE_S)
            return Asked(path, trouble=f"its agent did not answer within {waited}", name=name)
        trouble = NO_AGENT if _NOT_CONNECTED in said else clip(said)
        return Asked(path, trouble=trouble, name=name)


def _channel(asked: Asked[AgentReport]) -> Channel | None:
    """The agent's channel, if libvirt says that nothing in the guest has opened it."""
    return Channel(asked.path, open=False) if asked.trouble == NO_AGENT else None
