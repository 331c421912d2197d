"""Finds QEMU guests by their monitor sockets, in the usual places and of processes, and those that libvirt manages."""

import os
from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import PurePosixPath

from watchkeeper.discovery.finders import dependencies
from watchkeeper.discovery.finders.guests import qemu
from watchkeeper.discovery.finders.guests.qemu import Process
from watchkeeper.discovery.finders.guests.services import find_services
from watchkeeper.discovery.host import HELPER, Host, unseen
from watchkeeper.discovery.proposal import Found, Key, Proposal, Unseen, things
from watchkeeper.discovery.toml import literal, writable
from watchkeeper.errors import ProbeError
from watchkeeper.messages.wording import share
from watchkeeper.model.units import format_size
from watchkeeper.privileged.commands import AGENTS, MONITORS
from watchkeeper.probes.filesystems.mounts import Mount
from watchkeeper.probes.guests.libvirt import LibvirtGuests
from watchkeeper.probes.guests.monitors import Monitors
from watchkeeper.probes.guests.qmp import Guest
from watchkeeper.probes.guests.sockets import Asked
from watchkeeper.probes.host.memory import read_table
from watchkeeper.probes.support.sanitize import clip, printable

USUAL = (
    "run/guests/*.qmp", "run/guests/*.sock", "run/qemu/*.qmp", "run/qemu/*.sock", "run/qemu-server/*.qmp",
)  # fmt: skip
"""Where the programs that start guests put monitors, and where the manual suggests putting them."""

LIBVIRT = "qemu:///system"
LIBVIRT_SOCKETS = ("run/libvirt/libvirt-sock-ro", "run/libvirt/virtqemud-sock-ro")
"""Where libvirt answers readers, with one daemon for all or with one for QEMU."""

MARGIN = 0.1
"""If guests are allocated more memory than there is, the limit is set a tenth above what is allocated now."""

REPORTED = ("pool ", "btrfs ", "file system ")
"""What a guest may depend on and a probe reports under the same name."""

LIBVIRT_TIMEOUT_S = 10.0
"""For one run of its tool, which may have to start the daemon (socket activation)."""

MONITOR_TIMEOUT_S = 3.0
"""For one monitor: it answers in a millisecond, or another program is connected to it."""


@dataclass(frozen=True, slots=True)
class Seen:
    """One guest: its name, its monitor, what its process shows, and how its monitor answered (asked)."""

    asked: Asked[Guest]
    process: Process | None

    @property
    def name(self) -> str:
        """The name from the guest itself, from its process's command line, or from its socket."""
        said = self.asked.guest.name.strip() if self.asked.guest else self.asked.name
        return said or (self.process.name if self.process else "") or PurePosixPath(self.asked.path).stem

    @property
    def runs(self) -> bool:
        """Does its monitor say that it is running?"""
        return self.asked.guest is not None and self.asked.guest.state == "running"


async def find(host: Host) -> Found:
    """Every guest that can be found by querying nothing but its own monitor."""
    work = partial(qemu.running, host.root / "proc")
    try:
        processes = await host.bench.workers.call("processes", work, host.timeout_s)
    except (ProbeError, OSError) as error:
        return unseen("guests", error)
    guests, blind = await _see(host, processes)
    mute = [each for each in processes if not each.managed and not each.sockets]
    if not guests and not mute and not blind.unseen:
        return Found(absent=("guests under QEMU",), looked=frozenset({"guest"}))
    there = frozenset(things("guest", [each.name for each in guests] + [each.name for each in mute]))
    looked = frozenset() if blind.unseen else frozenset({"guest"})
    proposals = _proposals(guests, host) if guests else ()
    proposals += await _inside(host, processes, guests)
    return blind + _mute(mute) + _forbidden(guests) + Found(proposals, there=there, looked=looked)


async def _see(host: Host, processes: Sequence[Process]) -> tuple[list[Seen], Found]:
    """The guests by their monitors and those of libvirt, each with its process."""
    by_socket = {path: each for each in processes for path in each.sockets}
    managed = {each.name: each for each in processes if each.managed}
    asked, blind = await _ask(host, [each for each in processes if not each.managed])
    of_libvirt, unasked = await _ask_libvirt(host, bool(managed))
    guests = [Seen(each, by_socket.get(each.path)) for each in asked]
    return [*guests, *(Seen(each, managed.get(each.name)) for each in of_libvirt)], blind + unasked


async def _ask(host: Host, processes: Sequence[Process]) -> tuple[list[Asked[Guest]], Found]:
    """Query every monitor. A folder that cannot be read does not hide the others."""
    patterns = [f"{host.root}/{each}".replace("//", "/") for each in USUAL]
    patterns += [literal(path) for each in processes for path in each.sockets]
    found: dict[str, Asked[Guest]] = {}
    blind = Found()
    for pattern in dict.fromkeys(patterns):
        try:
            asked = await Monitors(host.bench, (pattern,), MONITOR_TIMEOUT_S, host.helper).ask_all()
        except (ProbeError, OSError) as error:
            remedy = f"Let the daemon's user read that folder, or add the pattern to {MONITORS}. {HELPER}"
            blind += unseen(f"guests' monitors at {printable(pattern)}", error, remedy)
        else:
            found |= {_real(each.path): each for each in asked}
    return list(found.values()), blind


async def _ask_libvirt(host: Host, manages: bool) -> tuple[list[Asked[Guest]], Found]:  # noqa: FBT001
    """Query libvirt where it listens, or manages guests that run. That it may not be asked is one line for all."""
    if not manages and not any((host.root / each).exists() for each in LIBVIRT_SOCKETS):
        return [], Found()
    try:
        return await LibvirtGuests(host.bench, LIBVIRT, LIBVIRT_TIMEOUT_S).ask_all(()), Found()
    except ProbeError as error:
        remedy = "As the daemon's user, `virsh -r -c qemu:///system list` has to work."
        return [], unseen("guests of libvirt", error, remedy)


def _real(path: str) -> str:
    """Resolve a path, so that a socket has one entry however it was found: /var/run leads to /run."""
    return os.path.realpath(path)


def _mute(processes: Sequence[Process]) -> Found:
    """Guests that offer no monitor: their state cannot be queried."""
    return Found(
        unseen=tuple(
            Unseen(
                f"guest {printable(each.name) or f'of process {each.pid}'}",
                "it has no QMP monitor, so its state cannot be queried",
                "Start it with -qmp unix:/run/guests/NAME.qmp,server=on,wait=off",
            )
            for each in processes
        )
    )


def _forbidden(guests: Sequence[Seen]) -> Found:
    remedy = f"Let the daemon's user connect to the socket, or add it to {MONITORS}. {HELPER}"
    return Found(
        unseen=tuple(
            Unseen(f"guest {printable(each.name)}", clip(each.asked.trouble, 300), remedy)
            for each in guests
            if each.asked.forbidden
        )
    )


def _proposals(guests: Sequence[Seen], host: Host) -> tuple[Proposal, ...]:
    sockets = patterns(_monitors(guests))
    running = sorted({each.name for each in guests if each.runs and writable(each.name)})
    found = dependencies.mounted(host.root)
    about = ["Guests under QEMU: does each run, and how much memory is allocated to all of them?"]
    about += [f"- {_about(each, found)}" for each in guests]
    keys = []
    if sockets:
        keys.append(Key("sockets", sockets, "New guests whose monitor is in the same folder are monitored too."))
    if len(_monitors(guests)) < len(guests):
        keys.append(Key("libvirt", LIBVIRT, "It is asked read-only. New guests that it manages are monitored too."))
    if running:
        keys.append(
            Key("expected", tuple(running), "These run now, so they must be there. Remove those that may be off.")
        )
    keys += [*_rests(guests, found), *_memory(guests, host)]
    return (Proposal("guests", tuple(keys), tuple(about), things=things("guest", running)),)


async def _inside(host: Host, processes: Sequence[Process], guests: Sequence[Seen]) -> tuple[Proposal, ...]:
    """What can be seen in guests that have a port for an agent, and their services."""
    own = [each for each in processes if not each.managed]
    of_libvirt = [each for each in processes if each.managed and each.agent_port]
    agents = {path: _name(each, guests) for each in own for path in each.agents}
    services = await find_services(host, agents, LIBVIRT if of_libvirt else "")
    return (*_agents(own, of_libvirt, guests), *services)


def _agents(
    processes: Sequence[Process], of_libvirt: Sequence[Process], guests: Sequence[Seen]
) -> tuple[Proposal, ...]:
    """The probe of what goes on inside the guests that have a port for an agent. of_libvirt: those that it started."""
    agents = [path for each in processes for path in each.agents]
    if not agents and not of_libvirt:
        return ()
    keys = []
    if agents:
        why = f"If this user may not connect to them, list them in {AGENTS} for the helper."
        keys.append(Key("sockets", patterns(agents), why))
    if agents and _monitors(guests):
        monitors = patterns(_monitors(guests))
        keys.append(Key("monitors", monitors, "They tell the guests' names, and which of them run."))
    if of_libvirt:
        keys.append(Key("libvirt", LIBVIRT, f"Their agents are asked through libvirt, by the helper. {HELPER}"))
    named = [each for each in processes if each.agents] + list(of_libvirt)
    about = (
        "Inside the guests, through the agent in each (package qemu-guest-agent): space, clock, network addresses.",
        f"- started with a port for an agent: {', '.join(clip(each.name) for each in named)}",
    )
    return (Proposal("guest-agents", tuple(keys), about),)


def _name(process: Process, guests: Sequence[Seen]) -> str:
    """What the probe of the agents will call this guest."""
    return next((each.name for each in guests if each.process == process), process.name)


def _monitors(guests: Sequence[Seen]) -> list[str]:
    """The sockets of those that have a monitor of their own; what libvirt names is no path."""
    return [each.asked.path for each in guests if each.asked.path.startswith("/")]


def _rests(guests: Sequence[Seen], found: Sequence[Mount]) -> list[Key]:
    """The dependency if all guests' disks are in one place: one probe covers all guests, so it has one `depends_on`."""
    grounds = [dependencies.subjects_below(each.process.disks, found) if each.process else [] for each in guests]
    (first, *others) = grounds
    if len(first) != 1 or any(each != first for each in others) or not first[0].startswith(REPORTED):
        return []
    return [Key("depends_on", (first[0],), "It holds all their disks. While it is down, only that is reported.")]


def patterns(paths: Sequence[str]) -> tuple[str, ...]:
    """A glob for sockets in one folder with the same suffix; any other path as it is."""
    alike: dict[tuple[str, str], list[str]] = {}
    for path in sorted(paths):
        where = PurePosixPath(path)
        alike.setdefault((str(where.parent), where.suffix), []).append(path)
    usual = {f"/{each}" for each in USUAL}
    found = []
    for (folder, suffix), same in alike.items():
        glob = f"{literal(folder)}/*{literal(suffix)}"
        found += [glob] if suffix and (len(same) > 1 or glob in usual) else [literal(path) for path in same]
    return tuple(found)


def _about(seen: Seen, found: Sequence[Mount]) -> str:
    guest = seen.asked.guest
    said = f"{clip(seen.name)}: {guest.state if guest else clip(seen.asked.trouble, 200)}"
    if guest and guest.promised_bytes is not None:
        said += f", {format_size(guest.promised_bytes)} of memory"
    grounds = dependencies.subjects_below(seen.process.disks, found) if seen.process else []
    return f"{said}; its disks are on {' and '.join(grounds)}" if grounds else said


def _memory(guests: Sequence[Seen], host: Host) -> list[Key]:
    allocated = sum(each.asked.guest.promised_bytes or 0 for each in guests if each.asked.guest)
    try:
        total = read_table((host.root / "proc/meminfo").read_text("ascii", "replace")).get("MemTotal", 0) * 1024
    except OSError:
        total = 0
    if not allocated or not total:
        return []
    now = f"The guests have {format_size(allocated)} allocated, {share(allocated / total)} of this host's memory"
    if allocated <= total:
        return [Key("memory_limit", 1.0, f"{now}; by default all of it may be.", offered=True)]
    why = f"{now}, more than it has. The limit is 10 % above that, so another guest is reported."
    return [Key("memory_limit", round(allocated / total + MARGIN, 2), why)]
