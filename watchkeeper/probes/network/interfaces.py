"""Reads what the kernel shows about network interfaces. No privilege, and no packet is sent.

The formats: Documentation/ABI/testing/sysfs-class-net and sysfs-class-net-statistics, Documentation/networking/
bonding.rst, proc(5) for /proc/net/route and if_inet6. IPv4 addresses come from SIOCGIFADDR, netdevice(7): a service
that may not use netlink can ask that too. Not here: what is a fault (links.py).
"""

import fcntl
import ipaddress
import os
import socket
import struct
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

from watchkeeper.probes.support.sanitize import printable

IFF_UP = 0x1
_SIOCGIFADDR = 0x8915
_NAME_LIMIT = 15
"""IFNAMSIZ without its end, netdevice(7)."""

INTERFACES_LIMIT = 256
"""A host with a hundred containers has as many virtual ports; only real ones, bonds and their bridges are read."""

_RTF_UP, _RTF_REJECT = 0x1, 0x200
_TEMPORARY, _DEPRECATED, _TENTATIVE = 0x01, 0x20, 0x40
"""Flags of /proc/net/if_inet6: include/uapi/linux/if_addr.h."""


@dataclass(frozen=True, slots=True)
class Counters:
    """Since the driver was loaded. losses: how often the carrier was lost."""

    packets: int
    errors: int
    dropped: int
    losses: int


@dataclass(frozen=True, slots=True)
class Interface:
    """One interface. port: a cable, a radio, a bond: a bridge has a carrier only while it has members.

    speed_mbit: None if it has no link, or does not say. members: of a bridge or bond, those that are ports. down: those
    of a bond that have no link.
    """

    name: str
    port: bool
    up: bool
    carrier: bool
    speed_mbit: int | None
    half_duplex: bool
    counters: Counters
    members: tuple[str, ...] = ()
    down: tuple[str, ...] = ()


def read_interfaces(sysfs: Path, also: Callable[[str], bool]) -> list[Interface]:
    """The ports and all bridges. A port has a device, is a bond, or is one by `also`.

    Raises OSError if the folder cannot be read.
    """
    names = sorted(os.listdir(sysfs))[:INTERFACES_LIMIT]  # noqa: PTH208  names are all that is wanted
    ports = {each for each in names if also(each) or _has(sysfs / each, "device") or _has(sysfs / each, "bonding")}
    found = []
    for name in names:
        members = tuple(each for each in _members(sysfs / name) if each in ports)
        if name in ports or _has(sysfs / name, "bridge"):
            found.append(_interface(sysfs / name, name in ports, members))
    return found


def _has(folder: Path, name: str) -> bool:
    return (folder / name).exists()


def _members(folder: Path) -> list[str]:
    if _has(folder, "bonding"):
        return sorted(_text(folder / "bonding/slaves").split())
    try:
        return sorted(os.listdir(folder / "brif"))  # noqa: PTH208  names are all that is wanted
    except OSError:
        return []


def _interface(folder: Path, port: bool, members: tuple[str, ...]) -> Interface:  # noqa: FBT001  a plain fact
    here, bond = str(folder), _has(folder, "bonding")
    speed = _number(f"{here}/speed")
    return Interface(
        folder.name,
        port,
        bool(_number(f"{here}/flags") & IFF_UP),
        _text(f"{here}/carrier") == "1",
        speed if speed > 0 else None,
        _text(f"{here}/duplex") == "half",
        _counters(here),
        members,
        tuple(each for each in members if bond and _text(folder.parent / each / "bonding_slave/mii_status") != "up"),
    )


def _counters(here: str) -> Counters:
    def total(name: str) -> int:
        return _number(f"{here}/statistics/rx_{name}") + _number(f"{here}/statistics/tx_{name}")

    losses = _number(f"{here}/carrier_down_count") or _number(f"{here}/carrier_changes") // 2
    return Counters(total("packets"), total("errors"), total("dropped"), losses)


def _text(path: Path | str) -> str:
    """A file's value; empty if it cannot be read: the kernel refuses some while the interface is down."""
    try:
        file = os.open(path, os.O_RDONLY | os.O_CLOEXEC)
    except OSError:
        return ""
    try:
        return os.read(file, 4096).decode("ascii", "replace").strip()
    except OSError:
        return ""
    finally:
        os.close(file)


def _number(path: str) -> int:
    """0 if it is no number."""
    try:
        return int(_text(path), 0)
    except ValueError:
        return 0


def default_routes(proc: Path) -> dict[str, str]:
    """The interface of the default route of each family that has one: "IPv4", "IPv6"."""
    found: dict[str, str] = {}
    for line in _lines(proc / "net/route")[1:]:
        words = line.split()
        if len(words) >= 8 and words[1] == words[7] == "00000000" and _usable(words[3]):
            found.setdefault("IPv4", printable(words[0]))
    for line in _lines(proc / "net/ipv6_route"):
        words = line.split()
        if len(words) >= 10 and words[0] == "0" * 32 and words[1] == "00" and _usable(words[8]) and words[9] != "lo":
            found.setdefault("IPv6", printable(words[9]))
    return found


def _usable(flags: str) -> bool:
    try:
        return bool(int(flags, 16) & _RTF_UP) and not int(flags, 16) & _RTF_REJECT
    except ValueError:
        return False


def _lines(path: Path) -> list[str]:
    try:
        return path.read_text("ascii", "replace").split("\n")
    except OSError:
        return []


def own_ipv4(names: set[str]) -> list[str]:
    """The first IPv4 address of each of these interfaces, in the network namespace of the process."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as asking:
        return sorted(filter(None, (_ipv4(asking, each) for each in names)))


def _ipv4(asking: socket.socket, name: str) -> str:
    try:
        answer = fcntl.ioctl(asking, _SIOCGIFADDR, struct.pack("256s", name.encode()[:_NAME_LIMIT]))
    except OSError:
        return ""
    address = ipaddress.IPv4Address(answer[20:24])
    return "" if address.is_link_local else str(address)


def own_ipv6_prefixes(proc: Path, names: set[str]) -> list[str]:
    """The networks of the addresses that these interfaces have for the whole network, without temporary addresses: the
    rest of such an address changes on purpose (RFC 8981), its prefix does not.
    """
    return sorted(set(_prefixes(proc, names)))


def _prefixes(proc: Path, names: set[str]) -> Iterator[str]:
    for line in _lines(proc / "net/if_inet6"):
        words = line.split()
        if len(words) != 6 or words[5] not in names:
            continue
        try:
            address, length, flags = (
                ipaddress.IPv6Address(bytes.fromhex(words[0])),
                int(words[2], 16),
                int(words[4], 16),
            )
        except ValueError:
            continue
        usable = not flags & (_TEMPORARY | _DEPRECATED | _TENTATIVE) and not address.is_link_local
        if usable and length <= 128:
            yield str(ipaddress.ip_network((address, min(length, 64)), strict=False))


def name_servers(etc: Path) -> list[str]:
    """What the resolver asks, resolv.conf(5), in its order."""
    words = [line.split() for line in _lines(etc / "resolv.conf")]
    return [printable(each[1]) for each in words if len(each) > 1 and each[0] == "nameserver"]
