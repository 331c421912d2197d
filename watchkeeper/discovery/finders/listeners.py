"""Who listens on this host's TCP ports: through psutil, or if that is not permitted, from the kernel's own table."""

from collections.abc import Sequence
from pathlib import Path

import psutil

from watchkeeper.discovery.finders.units import unit_of
from watchkeeper.discovery.host import Listener
from watchkeeper.probes.host.presence import EPHEMERAL_FROM, listening_ports
from watchkeeper.probes.support.sanitize import clip

TEXT_LIMIT_BYTES = 4096

ANY_ADDRESS = frozenset({"", "0.0.0.0", "127.0.0.1", "::ffff:127.0.0.1"})  # noqa: S104  what is seen, not bound to
"""Addresses of a listener that can be reached through 127.0.0.1."""


def hear(net: Path = Path("/proc/net")) -> Sequence[Listener]:
    """Every listener on a port that will be the same after a restart. Raises OSError if the ports cannot be read."""
    try:
        found = psutil.net_connections("tcp")
    except (psutil.Error, PermissionError):
        return [Listener(int(port)) for port in listening_ports(net)]
    return [
        Listener(each.laddr.port, each.laddr.ip, each.pid)
        for each in found
        if each.status == psutil.CONN_LISTEN and 0 < each.laddr.port < EPHEMERAL_FROM
    ]


def address_of(listeners: Sequence[Listener]) -> str:
    """The address to query one port on: loopback, if it listens there too."""
    addresses = {each.address for each in listeners}
    if addresses & ANY_ADDRESS or any(each.startswith("127.") for each in addresses):
        return "127.0.0.1"
    if addresses & {"::", "::1"}:
        return "::1"
    return min(addresses)


def owner_of(listeners: Sequence[Listener], proc: Path) -> tuple[str, int | None]:
    """The name of a port's listener: its service, else its program; and its process. Empty if it is not known."""
    for pid in (each.pid for each in listeners if each.pid is not None):
        unit = unit_of(_text(proc / str(pid) / "cgroup"))
        name = unit.removesuffix(".service") or _text(proc / str(pid) / "comm").strip()
        if name:
            return clip(name, 60), pid
    return "", None


def _text(path: Path) -> str:
    try:
        with path.open("rb") as file:
            return file.read(TEXT_LIMIT_BYTES).decode("utf-8", "replace")
    except OSError:
        return ""  # It has ended, or may not be read.
