"""What apt and dpkg know, read as any user: updates that wait, packages that are not configured, package lists.

Updates come from a simulated upgrade, apt-get(8) -s, which changes nothing and needs no lock. It takes seconds, so it
runs again only if a file changed that it reads. Not here: what is late (software.py).
"""

import os
import re
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from email.utils import parsedate_to_datetime
from pathlib import Path

STATUS = Path("var/lib/dpkg/status")
LISTS = Path("var/lib/apt/lists")
RELEASES = ("InRelease", "Release")

LOCKS = (
    Path("var/lib/dpkg/lock-frontend"),
    Path("var/lib/dpkg/lock"),
    Path("var/lib/apt/lists/lock"),
    Path("var/cache/apt/archives/lock"),
)
"""What apt and dpkg lock while they change something: apt-secure and dpkg lock them with fcntl(2)."""

UPDATED = (LISTS, LISTS / "partial", Path("var/lib/apt/periodic/update-success-stamp"))
"""What changes when the lists are fetched. A list itself has the time of the server's copy."""

SETTINGS = ("etc/apt", "etc/apt/apt.conf.d", "etc/apt/preferences.d", "etc/apt/sources.list.d", "var/lib/apt")
"""Folders whose files decide what a simulation finds."""

FIELDS_LIMIT_BYTES = 16 * 1024
"""The fields of a Release file come before its checksums; the largest have a few hundred bytes."""

SETTLED = frozenset({b"installed", b"config-files", b"not-installed"})
"""States of dpkg(1) in which nothing is left to do. Any other is reported while dpkg does not run."""

_INSTALL = re.compile(r"Inst (\S+) \[[^\]]*\] \((\S+) ([^()]*)\)", re.ASCII)
_STANZA = re.compile(rb"^Package: (\S+)$|^Status: (\S+) (\S+) (\S+)$", re.MULTILINE)


@dataclass(frozen=True, slots=True)
class Update:
    """A newer version of an installed package. security: whether one of the archives that have it is for that."""

    name: str
    version: str
    security: bool


@dataclass(frozen=True, slots=True)
class PackageStates:
    """unsettled: packages that are not fully installed, with their states. held: packages that are kept as they are."""

    unsettled: tuple[str, ...] = ()
    held: tuple[str, ...] = ()


def simulation(root: Path) -> tuple[str, ...]:
    """The command that lists what an upgrade would install, new kernels and all that they need included."""
    at = () if root == Path("/") else ("-o", f"Dir={root}")
    return ("apt-get", "-s", "-o", "Debug::NoLocking=1", *at, "dist-upgrade")


def read_simulation(text: str) -> list[Update]:
    """The updates in what it prints: `Inst NAME [OLD] (NEW ORIGIN:VERSION/SUITE, ... [ARCHITECTURE])`."""
    found = []
    for line in text.split("\n"):
        if match := _INSTALL.match(line):
            name, version, origins = match.groups()
            found.append(Update(name, version, "security" in origins.lower()))
    return found


def fingerprint(root: Path) -> int:
    """Changes if a file has changed that the simulation reads. Blocks."""
    paths = [root / STATUS, *(root / each for each in SETTINGS)]
    for folder in (*SETTINGS, LISTS):
        with suppress(OSError):
            paths += sorted((root / folder).iterdir())
    found = []
    for each in paths:
        with suppress(OSError):
            status = each.stat()
            found.append((str(each), status.st_mtime_ns, status.st_size))
    return hash(tuple(found))


def is_locked(root: Path) -> bool:
    """Whether apt or dpkg is changing something: the kernel's list of locks has one of theirs. proc(5), /proc/locks.

    The locks themselves can only be opened by root. A file system with several devices (btrfs) shows another device
    there than stat(2) does, so of an anonymous device only the number of the file is compared. Blocks.
    """
    try:
        lines = (root / "proc/locks").read_text("ascii", "replace").split("\n")
    except OSError:
        return False
    locked = {fields[5] for line in lines if len(fields := line.split()) > 5 and fields[1] == "POSIX"}
    inodes = {each.rpartition(":")[2] for each in locked}
    for each in LOCKS:
        with suppress(OSError):
            status = (root / each).stat()
            major, minor = os.major(status.st_dev), os.minor(status.st_dev)
            if f"{major:02x}:{minor:02x}:{status.st_ino}" in locked or (not major and str(status.st_ino) in inodes):
                return True
    return False


def read_states(status: bytes) -> PackageStates:
    """The states in /var/lib/dpkg/status: dpkg(1), `Status: WANT ERROR STATE`."""
    unsettled, held, name = [], [], ""
    for package, want, flag, state in _STANZA.findall(status):
        if package:
            name = package.decode("utf-8", "replace")
            continue
        if want == b"hold":
            held.append(name)
        if state not in SETTLED or flag != b"ok":
            unsettled.append(f"{name} ({state.decode('utf-8', 'replace')})")
    return PackageStates(tuple(unsettled), tuple(held))


def updated_at(root: Path) -> datetime | None:
    """When the package lists were fetched last; None if there are none. Blocks."""
    if not releases(root):
        return None
    times = []
    for each in UPDATED:
        with suppress(OSError):
            times.append((root / each).stat().st_mtime)
    return datetime.fromtimestamp(max(times), UTC) if times else None


def releases(root: Path) -> list[Path]:
    """The signed index of each repository, as it was fetched last. Blocks."""
    with suppress(OSError):
        return sorted(each for each in (root / LISTS).iterdir() if each.name.endswith(RELEASES))
    return []


def valid_until(release: Path) -> datetime | None:
    """The end of an index's validity; None if it has none, or cannot be read. Blocks."""
    try:
        with release.open("rb") as file:
            text = file.read(FIELDS_LIMIT_BYTES).decode("utf-8", "replace")
    except OSError:
        return None
    for line in text.split("\n"):
        name, _, value = line.partition(":")
        if name.lower() == "valid-until":
            with suppress(ValueError):
                found = parsedate_to_datetime(value.strip())
                return found if found.tzinfo else found.replace(tzinfo=UTC)
    return None


def repository(release: Path) -> str:
    """The repository of an index, from its file's name: `deb.example.org_debian_dists_bookworm_InRelease`."""
    name = release.name
    for each in RELEASES:
        name = name.removesuffix(f"_{each}")
    place, _, suite = name.partition("_dists_")
    return " ".join(part.replace("_", "/") for part in (place, suite) if part)


def keyrings(root: Path) -> Iterator[Path]:
    """The files that hold the keys of repositories: apt-secure(8), sources.list(5). Blocks."""
    folders = ("etc/apt/trusted.gpg.d", "etc/apt/keyrings", "usr/share/keyrings")
    if (root / "etc/apt/trusted.gpg").exists():
        yield root / "etc/apt/trusted.gpg"
    for folder in folders:
        with suppress(OSError):
            yield from (each for each in sorted((root / folder).iterdir()) if each.suffix in (".gpg", ".asc"))
