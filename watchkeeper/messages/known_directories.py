"""What well-known directories hold, and the command that makes one smaller: for the names of what grew.

Sources: the Filesystem Hierarchy Standard 3.0, file-hierarchy(7), journalctl(1), coredump.conf(5), apt-get(8), dnf(8),
pacman(8), the XDG Base Directory Specification 0.8, and where the container engines and libvirt keep their data.
"""

from dataclasses import dataclass
from fnmatch import fnmatchcase

from watchkeeper.model.observation import DIRECTORY, SeriesKey


@dataclass(frozen=True, slots=True)
class KnownDirectory:
    """holds: what is in it. smaller: how it is made smaller, with a command; empty where that depends on its owner."""

    holds: str
    smaller: str = ""


_ENGINE = "images, containers and volumes of "
KNOWN = {
    "/var/log/journal": KnownDirectory("the systemd journal", "`journalctl --vacuum-size=500M` shortens it"),
    "/var/log": KnownDirectory("logs"),
    "/var/lib/systemd/coredump": KnownDirectory("core dumps of crashed programs", "`coredumpctl list` shows whose"),
    "/var/crash": KnownDirectory("crash dumps"),
    "/var/cache/apt": KnownDirectory("packages that apt has downloaded", "`apt clean` removes them"),
    "/var/cache/dnf": KnownDirectory("packages that dnf has downloaded", "`dnf clean packages` removes them"),
    "/var/cache/libdnf5": KnownDirectory("packages that dnf has downloaded", "`dnf clean packages` removes them"),
    "/var/cache/pacman/pkg": KnownDirectory("packages that pacman has downloaded", "`pacman -Sc` removes old ones"),
    "/var/cache": KnownDirectory("caches, which their programs can make again"),
    "/var/lib/docker": KnownDirectory(_ENGINE + "Docker", "`docker system df` shows which"),
    "/var/lib/containers": KnownDirectory(_ENGINE + "Podman", "`podman system df` shows which"),
    "/home/*/.local/share/containers": KnownDirectory(_ENGINE + "Podman", "`podman system df` shows which"),
    "/var/lib/libvirt/images": KnownDirectory("disks of guests"),
    "/var/spool": KnownDirectory("queues: mail, print jobs"),
    "/home/*/.cache": KnownDirectory("caches of a user's programs, which can be deleted"),
    "/root/.cache": KnownDirectory("caches of root's programs, which can be deleted"),
    "/var/tmp": KnownDirectory("temporary files that outlive a restart"),  # noqa: S108  a name, nothing is made there
    "/tmp": KnownDirectory("temporary files"),  # noqa: S108  the same
    "/boot": KnownDirectory("kernels", "`apt autoremove --purge` removes old ones on Debian"),
    "*/lost+found": KnownDirectory("files that a check of the file system has saved"),
}
"""By its path, which may have * for one part of it."""


def known(path: str) -> KnownDirectory | None:
    """What a directory, or the nearest one above it, is known to hold; None if that is not known."""
    parts = path.rstrip("/").split("/")
    for count in range(len(parts), 1, -1):
        above = "/".join(parts[:count])
        found = KNOWN.get(above) or next((each for name, each in KNOWN.items() if _fits(above, name)), None)
        if found is not None:
            return found
    return None


def _fits(path: str, pattern: str) -> bool:
    """Return whether a pattern fits; a * stands for one name, and one at the front for every place."""
    if "*" not in pattern:
        return False
    if not pattern.startswith("*") and path.count("/") != pattern.count("/"):
        return False
    return fnmatchcase(path, pattern)


def said_of(key: SeriesKey) -> str:
    """` (the systemd journal; ...)`, to be put behind the name of a recorded directory; empty if nothing is known."""
    if not key.subject.startswith(DIRECTORY):
        return ""
    found = known(key.subject.removeprefix(DIRECTORY))
    if found is None:
        return ""
    return f" ({found.holds}; {found.smaller})" if found.smaller else f" ({found.holds})"
