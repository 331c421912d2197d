"""A private root for apt: real apt reads its lists, its settings and its state of packages."""

import os
from collections.abc import Mapping
from datetime import UTC, datetime
from pathlib import Path

SECURITY = "deb.example.org_debian-security_dists_bookworm-security"
MAIN = "deb.example.org_debian_dists_bookworm"

SOURCES = """\
deb [trusted=yes] http://deb.example.org/debian bookworm main
deb [trusted=yes] http://deb.example.org/debian-security bookworm-security main
"""


class AptRoot:
    """A host with packages, below `root`."""

    def __init__(self, root: Path) -> None:
        self.root = root
        for each in (
            "var/lib/apt/lists/partial", "var/lib/dpkg", "var/cache/apt/archives/partial", "etc/apt/apt.conf.d",
            "etc/apt/preferences.d", "etc/apt/sources.list.d", "proc/sys/kernel", "boot",
        ):  # fmt: skip
            (root / each).mkdir(parents=True)
        (root / "etc/apt/sources.list").write_text(SOURCES)
        (root / "proc/locks").write_text("")
        (root / "proc/sys/kernel/osrelease").write_text("6.1.0-18-amd64\n")
        self.lists = root / "var/lib/apt/lists"
        self.offers(MAIN, "Debian", "oldstable", {})
        self.offers(SECURITY, "Debian-Security", "oldstable-security", {})

    def has(self, packages: Mapping[str, str], state: str = "install ok installed") -> None:
        """Packages are installed: name -> version."""
        with (self.root / "var/lib/dpkg/status").open("a") as file:
            for name, version in packages.items():
                file.write(stanza(name, version, f"Status: {state}\n"))

    def offers(self, place: str, label: str, suite: str, packages: Mapping[str, str], until: str = "") -> None:
        """A repository has these packages; its lists were fetched just now."""
        release = f"Origin: Debian\nLabel: {label}\nSuite: {suite}\nVersion: 12\nCodename: bookworm\n"
        release += "Date: Sat, 28 Nov 2026 12:00:00 UTC\n" + (f"Valid-Until: {until}\n" if until else "")
        release += "Architectures: amd64\nComponents: main\n"
        (self.lists / f"{place}_InRelease").write_text(release)
        content = "".join(
            stanza(name, version, f"Filename: pool/{name}.deb\nSize: 10\n") for name, version in packages.items()
        )
        (self.lists / f"{place}_main_binary-amd64_Packages").write_text(content)

    def fetched(self, at: datetime) -> None:
        """The lists were fetched then."""
        for each in (self.lists, self.lists / "partial"):
            os.utime(each, (at.timestamp(), at.timestamp()))

    def system(self, text: str = 'PRETTY_NAME="Debian GNU/Linux 12 (bookworm)"\nID=debian\nVERSION_ID="12"\n') -> None:
        """The release of the host."""
        (self.root / "etc/os-release").write_text(text)

    def kernels(self, *releases: str, initramfs: bool = True) -> None:
        """Installed kernels."""
        for each in releases:
            (self.root / "boot" / f"vmlinuz-{each}").touch()
            if initramfs:
                (self.root / "boot" / f"initrd.img-{each}").touch()


def stanza(name: str, version: str, more: str) -> str:
    """A package as dpkg and repositories describe it: deb-control(5)."""
    about = "Architecture: amd64\nMaintainer: warden <warden@example.org>\nDescription: a part of gannet\n\n"
    return f"Package: {name}\n{more}Version: {version}\n{about}"


def utc(year: int, month: int, day: int, hour: int = 0) -> datetime:
    """A time in UTC."""
    return datetime(year, month, day, hour, tzinfo=UTC)
