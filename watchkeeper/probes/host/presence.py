"""What runs on this host right now: running guests, running systemd services, TCP ports with a listener.

It gives a list of names, for after_reboot.py to compare across a reboot. Not here: what their absence means.
"""

import asyncio
from collections.abc import Awaitable, Sequence
from dataclasses import dataclass
from fnmatch import fnmatchcase
from functools import partial
from pathlib import Path

from watchkeeper.errors import ProbeError
from watchkeeper.probes.base import ProbeContext
from watchkeeper.probes.guests.monitors import Monitors
from watchkeeper.probes.support import systemctl
from watchkeeper.probes.support.boot import boot_of, up_s
from watchkeeper.probes.support.sanitize import clip
from watchkeeper.probes.support.tools import SOCKET

RUNNING = ("--type=service", "--state=running")
"""Services with a process. Those that ran once and ended (state `exited`) have nothing that could come back."""

LISTEN = "0A"
"""TCP_LISTEN in /proc/net/tcp: proc(5), and include/net/tcp_states.h."""

EPHEMERAL_FROM = 32_768
"""The default start of the kernel's ephemeral ports: a listener in that range has a different port after each start."""

LINES_LIMIT = 100_000


@dataclass(frozen=True, slots=True)
class Presence:
    """The result of one check. things: such as `guest hide-hub`, `unit tide-log.service`, `port 8123`. looked: the
    types of thing that could be listed. troubles: the types that could not, and why. up_s: seconds since the boot.
    """

    boot: str
    up_s: float
    things: frozenset[str]
    looked: frozenset[str]
    troubles: tuple[tuple[str, str], ...] = ()

    def tells(self, thing: str) -> bool:
        """Whether this check could have seen such a thing."""
        return thing.partition(" ")[0] in self.looked


class Sources:
    """Where presence is read from. root: the folder that contains /proc, for tests."""

    def __init__(self, bench: ProbeContext, timeout_s: float, helper: Path = SOCKET, root: Path = Path("/")) -> None:
        """helper: the socket of the privileged helper, for guests' monitors that this user may not connect to."""
        self._bench, self._timeout_s, self._helper, self._proc = bench, timeout_s, helper, root / "proc"

    async def look(self, sockets: Sequence[str], *, units: bool, ports: bool) -> Presence:
        """List everything that is requested; what cannot be listed is only recorded in `troubles`."""
        wanted: dict[str, Awaitable[list[str]]] = {}
        if sockets:
            wanted["guest"] = self._guests(sockets)
        if units:
            wanted["unit"] = systemctl.list_units(self._bench, RUNNING, self._timeout_s)
        if ports:
            wanted["port"] = self._ports()
        found = dict(zip(wanted, await asyncio.gather(*wanted.values(), return_exceptions=True), strict=True))
        things: set[str] = set()
        troubles = []
        for sort, names in found.items():
            if isinstance(names, BaseException):
                if not isinstance(names, (ProbeError, OSError)):
                    raise names
                troubles.append((f"{sort}s", clip(str(names))))
            else:
                things.update(f"{sort} {name}" for name in names)
        looked = frozenset(found) - {what.removesuffix("s") for what, _ in troubles}
        return Presence(boot_of(self._proc), up_s(self._proc), frozenset(things), looked, tuple(troubles))

    def matches(self, thing: str, globs: Sequence[str]) -> bool:
        """Whether one of the globs matches this thing."""
        return any(fnmatchcase(thing, glob) for glob in globs)

    async def _guests(self, sockets: Sequence[str]) -> list[str]:
        """The guests whose monitors answer and report that they run; all others count as absent."""
        asked = await Monitors(self._bench, sockets, self._timeout_s, self._helper).ask_all()
        running = [(each.path, each.guest.name) for each in asked if each.guest and each.guest.state == "running"]
        return [clip(name.strip() or Path(path).stem) for path, name in running]

    async def _ports(self) -> list[str]:
        read = partial(listening_ports, self._proc / "net")
        return await self._bench.workers.call("listening ports", read, self._timeout_s)


def listening_ports(folder: Path) -> list[str]:
    """The TCP ports below the ephemeral range with a listener, on any address; proc(5), /proc/net/tcp."""
    ports: set[int] = set()
    for name in ("tcp", "tcp6"):
        try:
            with (folder / name).open("r", encoding="ascii", errors="replace") as file:
                for _, line in zip(range(LINES_LIMIT), file, strict=False):
                    ports |= _listened(line)
        except FileNotFoundError:
            continue  # No IPv6 here.
    return [str(port) for port in sorted(ports) if 0 < port < EPHEMERAL_FROM]


def _listened(line: str) -> set[int]:
    """The port of a line that describes a listener: `sl local_address rem_address st ...`, in hexadecimal."""
    fields = line.split()
    if len(fields) < 4 or fields[3] != LISTEN:
        return set()
    try:
        return {int(fields[1].rpartition(":")[2], 16)}
    except ValueError:
        return set()
