"""What goes on inside guests, through the QEMU guest agent of each: space, clock, network, and whether it answers.

Nothing is changed in a guest, and nothing is needed in it but the agent that its distribution ships. What a report
means is decided in inside.py. Not here: whether a guest runs (guests.py).
"""

import os
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from fnmatch import fnmatchcase
from pathlib import Path
from typing import Literal, Self

from pydantic import BaseModel, ConfigDict, Field, model_validator

from watchkeeper.config.types import Duration, Size
from watchkeeper.model.observation import Answer, Condition, Facts, Observed, SeriesKey, Unseen
from watchkeeper.model.units import format_duration
from watchkeeper.probes.base import BaseProbe, ProbeContext
from watchkeeper.probes.guests.agents import inside
from watchkeeper.probes.guests.agents.addresses import Interface, own_interfaces, usable
from watchkeeper.probes.guests.agents.agent import FILESYSTEMS_LIMIT, AgentReport
from watchkeeper.probes.guests.agents.consoles import ConsoleRead, Consoles, KnownConsole
from watchkeeper.probes.guests.agents.consoles import hidden as hidden_console
from watchkeeper.probes.guests.agents.libvirt_agents import LibvirtAgent, LibvirtAgents
from watchkeeper.probes.guests.agents.sockets import AgentSockets
from watchkeeper.probes.guests.agents.support import GuestSupport
from watchkeeper.probes.guests.agents.volumes import Volumes
from watchkeeper.probes.guests.monitors import Monitors
from watchkeeper.probes.guests.qmp import Channel, Guest
from watchkeeper.probes.guests.settings import LIBVIRT_PATTERN, Sockets
from watchkeeper.probes.guests.sockets import Asked
from watchkeeper.probes.guests.sources import names_of
from watchkeeper.probes.software.support_end import SUPPORT_RULES, Support
from watchkeeper.probes.support.sanitize import clip
from watchkeeper.probes.support.state import ProbeState, StateModel
from watchkeeper.probes.support.tools import RootsideSettings

MANY = f"the guest has reported more than {FILESYSTEMS_LIMIT} mount points; leave some out with exclude_filesystems"

GUESTS_LIMIT = 256
"""Guests that are remembered: more than a home server runs."""


class GuestAgentsSettings(RootsideSettings):
    """Inside guests, through the QEMU guest agent: space, clock, network, end of support."""

    usual_rules = SUPPORT_RULES

    kind: Literal["guest-agents"] = "guest-agents"
    every: Duration = Field(60.0, description="time between runs")
    timeout: Duration = Field(5.0, description="time after which an agent is reported as not answering")
    sockets: Sockets = Field((), description="the sockets of the agents; paths or globs, such as /run/guests/*.agent")
    monitors: Sockets = Field(
        (), description="the guests' QMP monitor sockets, which tell their names and which of them run"
    )
    libvirt: str = Field(
        "",
        pattern=LIBVIRT_PATTERN,
        description="where libvirt is asked for the agents of its guests, such as qemu:///system. Empty: nowhere",
    )
    consoles: Sockets = Field(
        (),
        description="files that the guests' serial consoles are written to, such as /var/log/guests/*.console: "
        "what their kernels report",
    )
    console_remembered: Duration = Field(
        86_400.0, description="how long what a guest's kernel reported on its console counts after the last message"
    )
    exclude: tuple[str, ...] = Field((), description="guests that are left out, by name; globs")
    exclude_filesystems: tuple[str, ...] = Field((), description="mount points in guests that are left out; globs")
    clock_limit: Duration = Field(30.0, description="how far a guest's clock may differ from the host's")
    start_limit: Duration = Field(600.0, description="how long after the start of a guest its agent may be silent")
    trim_share: float = Field(
        0.1,
        gt=0,
        le=1,
        description="share of what a guest's disks take that may be free inside; more should be trimmed",
    )
    trim_least: Size = Field(2**30, description="freed space below this is never reported")
    support: Support = Field(
        Support.REGULAR,
        description='which end of support of guests\' systems counts: "regular", "long" (long-term), "extended" (paid)',
    )

    @model_validator(mode="after")
    def _some_source(self) -> Self:
        if not self.sockets and not self.libvirt:
            raise ValueError(
                "it has neither sockets nor libvirt; add one of them, such as /run/guests/*.agent to sockets"
            )
        return self


class KnownAgent(BaseModel):
    """What is remembered of a guest. start: which start of its process had an agent that answered.

    points: the mount points that were reported, so that a guest cannot have ever more series. addresses: those that
    this host may connect to, as reported last, the preferred one first.
    """

    model_config = ConfigDict(frozen=True)

    start: str = ""
    points: tuple[str, ...] = ()
    addresses: tuple[str, ...] = ()


class GuestAgentsState(StateModel):
    """agents: what is remembered of each guest whose agent has ever answered, by the guest's name.

    consoles: how far each console was read, and what was on it, by its path.
    """

    agents: Mapping[str, KnownAgent] = Field(default_factory=dict)
    consoles: Mapping[str, KnownConsole] = Field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class _Agent:
    """One guest with an agent. guest: what its monitor, or libvirt, says, if that is known. channel: its socket there.

    start: differs for each start of its process; empty if it cannot be told. started_at: when that was, or for a guest
    of libvirt when it was first seen.
    """

    name: str
    asked: Asked[AgentReport]
    guest: Guest | None = None
    channel: Channel | None = None
    start: str = ""
    started_at: datetime | None = None


class GuestAgentsProbe(BaseProbe):
    """Monitors the inside of every guest whose agent's socket is found."""

    def __init__(self, settings: GuestAgentsSettings, context: ProbeContext, root: Path = Path("/")) -> None:
        """root: the folder of /dev, /sys and /usr, for tests."""
        self._settings, self._clock, self._context = settings, context.clock, context
        self._own: Sequence[Interface] = ()
        self._volumes = Volumes(context, settings.helper, root)
        self._support = GuestSupport(context, settings.support, settings.timeout, root)
        self._agents = AgentSockets(context, settings.sockets, settings.timeout, settings.helper)
        self._monitors = Monitors(context, settings.monitors, settings.timeout, settings.helper)
        self._libvirt = LibvirtAgents(context, settings.libvirt, settings.helper, root)
        self._consoles = Consoles(context, settings.consoles, settings.console_remembered, settings.timeout)
        self._state = ProbeState(context.probe_states, settings.label, GuestAgentsState())

    async def observe(self) -> Sequence[Observed]:
        """Ask every agent at once. Raises PrivilegeMissing if the sockets cannot be listed."""
        agents, hidden = await self._asked()
        before = await self._state.read()
        known = dict(before.agents)
        self._own = await self._context.workers.call("own addresses", own_interfaces, self._settings.timeout)
        await self._volumes.look([disk.file for each in agents if each.guest for disk in each.guest.disks])
        systems = [each.asked.guest.distribution for each in agents if each.asked.guest]
        await self._support.look_up({each.release for each in systems if each})
        seen = [*(one for each in agents for one in self._look(each, known)), *hidden]
        self._context.guest_addresses.report({name: each.addresses for name, each in known.items()})
        consoles, closed = await self._consoles.look(before.consoles)
        remembered = dict(list(known.items())[-GUESTS_LIMIT:])
        await self._state.write(GuestAgentsState(agents=remembered, consoles=consoles))
        return [*seen, *self._on_consoles(consoles, closed)]

    def _on_consoles(
        self, consoles: Mapping[str, KnownConsole], closed: Sequence[ConsoleRead]
    ) -> Iterator[Condition | Unseen]:
        """What the guests' kernels report. A console has the name of its file, which is the guest's."""
        for path, console in consoles.items():
            name = clip(Path(path).stem)
            if not self._left_out(name, self._settings.exclude):
                yield from self._consoles.observe(name, console)
        yield from (hidden_console(clip(Path(each.path).stem), each) for each in closed)

    async def _asked(self) -> tuple[list[_Agent], Sequence[Unseen]]:
        """Every agent that is not left out, by its socket or through libvirt; and what cannot be asked."""
        monitors = await self._monitors.ask_all() if self._settings.monitors else []
        found = list(_match(await self._agents.ask_all(), monitors))
        of_libvirt, hidden = await self._libvirt.ask_all() if self._settings.libvirt else ([], [])
        taken = {each.name for each in found}
        found += [each for each in map(_of_libvirt, of_libvirt) if each.name not in taken]
        return [each for each in found if not self._left_out(each.name, self._settings.exclude)], hidden

    def _left_out(self, name: str, globs: Sequence[str]) -> bool:
        return any(fnmatchcase(name, each) for each in globs)

    def _look(self, agent: _Agent, known: dict[str, KnownAgent]) -> Iterator[Observed]:
        """All about one guest; `known` takes what has to be remembered."""
        report, settings = agent.asked.guest, self._settings
        before = known.get(agent.name)
        if report is None:
            yield from self._silent(agent, before)
            return
        files = [each for each in report.filesystems if not self._left_out(each.point, settings.exclude_filesystems)]
        points = _admitted(before.points if before else (), [each.point for each in files])
        addresses = usable(report.addresses or (), self._own) or (before.addresses if before else ())
        known[agent.name] = KnownAgent(start=agent.start, points=points, addresses=addresses)
        yield Answer(_key(agent, "agent"), answered=True, took_s=report.took_s, facts=_facts(report))
        yield Condition(_key(agent, "boot"), ok=True)
        yield from inside.levels(agent.name, [each for each in files if each.point in points])
        yield from (
            Unseen(f"guest {agent.name}: space on {each.point}", MANY) for each in files if each.point not in points
        )
        yield from self._conditions(agent, report)

    def _conditions(self, agent: _Agent, report: AgentReport) -> Iterator[Observed]:
        settings, name = self._settings, agent.name
        conditions = (
            inside.clock_condition(name, report, settings.clock_limit),
            inside.network_condition(name, report),
            self._trim(name, report, agent.guest),
        )
        yield from (each for each in conditions if each is not None)
        if report.distribution is not None:
            yield self._support.observe(name, report.distribution)
        yield from (Unseen(f"guest {name}: {part}", why) for part, why in report.unseen)

    def _trim(self, name: str, report: AgentReport, guest: Guest | None) -> Condition | Unseen | None:
        """Whether space that the guest has freed is still taken below it; None if its disks do not show that."""
        if guest is None:
            return None
        if why := self._volumes.why_not(guest):
            return Unseen(f"guest {name}: trimmed space", why)
        settings, known = self._settings, self._volumes.with_held(guest)
        least, snapshots = settings.trim_least, self._volumes.snapshots(guest)
        return inside.trim_condition(name, report, known, settings.trim_share, least, snapshots=snapshots)

    def _silent(self, agent: _Agent, before: KnownAgent | None) -> Iterator[Observed]:
        """What an agent that does not answer means: that depends on whether it ever did, and on what the guest does."""
        what, trouble = f"guest {agent.name}: what is inside it", agent.asked.trouble
        if agent.asked.forbidden or agent.asked.ended:
            yield Unseen(what, trouble)
        elif agent.guest is not None and agent.guest.state != "running":
            yield Unseen(what, f"the guest is not running: {clip(agent.guest.state, 40)}")
        elif before is None:
            yield Unseen(what, f"its agent has never answered: install qemu-guest-agent in it ({trouble})")
        elif agent.start and agent.start != before.start and agent.started_at:
            yield from self._starting(agent, agent.started_at)
        else:
            closed = agent.channel is not None and not agent.channel.open
            reason = "no agent runs in the guest, and the guest is running" if closed else trouble
            yield Answer(_key(agent, "agent"), answered=False, reason=reason)

    def _starting(self, agent: _Agent, started_at: datetime) -> Iterator[Observed]:
        """A guest whose process is new since its agent answered last."""
        left_s = self._settings.start_limit - (self._clock.now() - started_at).total_seconds()
        key, since = _key(agent, "boot"), f"{started_at:%Y-%m-%d %H:%M} UTC"
        exact = agent.asked.path.startswith("/")
        if left_s > 0:
            facts: Facts = (("started at", since), ("checked in", format_duration(round(left_s))))
            yield Condition(key, ok=True, facts=facts)
        else:
            when = f"it was started at {since}" if exact else f"it runs since {since} at the latest"
            reason = f"{when} and its agent has not answered since: look at its console"
            yield Condition(key, ok=False, reason=reason)
        yield Unseen(f"guest {agent.name}: what is inside it", "its agent has not answered since it was started")


def _key(agent: _Agent, quantity: str) -> SeriesKey:
    return SeriesKey(f"guest {agent.name}", quantity)


def _facts(report: AgentReport) -> Facts:
    return (("operating system", report.system),) if report.system else ()


def _admitted(before: Sequence[str], now: Sequence[str]) -> tuple[str, ...]:
    """The mount points that have a series: those known before, and new ones up to the limit.

    Without it, a guest that reports other names at each look would fill the database.
    """
    return tuple(dict.fromkeys([*before, *now]))[:FILESYSTEMS_LIMIT]


def _match(asked: Sequence[Asked[AgentReport]], monitors: Sequence[Asked[Guest]]) -> Iterator[_Agent]:
    """Each agent with its guest: by the monitor that names its socket, or by a monitor of the same name beside it."""
    names = names_of(monitors, {})
    named = {channel.path: (each, channel) for each in monitors if each.guest for channel in each.guest.channels}
    beside = {_stem(each.path): each for each in monitors}
    for each in asked:
        monitor, channel = named.get(each.path, (beside.get(_stem(each.path)), None))
        name = names[monitor.path] if monitor else clip(Path(each.path).stem)
        start, started_at = _start(each.path)
        yield _Agent(name, each, monitor.guest if monitor else None, channel, start, started_at)


def _of_libvirt(one: LibvirtAgent) -> _Agent:
    return _Agent(clip(one.asked.name), one.asked, one.guest, one.channel, one.start, one.started_at)


def _stem(path: str) -> str:
    return str(Path(path).with_suffix(""))


def _start(path: str) -> tuple[str, datetime | None]:
    """Which start of the guest's process made a socket, and when; nothing if this user may not see that.

    A socket's modification time is when it was bound.
    """
    try:
        found = os.lstat(path)
    except OSError:
        return "", None
    return f"{found.st_ino} {found.st_mtime_ns}", datetime.fromtimestamp(found.st_mtime, UTC)
