"""The Debian package, built and installed as the manual says, is upgraded, removed and purged as a package should be.

It follows test_install.py in the same machine, which that left as it was before. What a package must keep and what it
must remove: Debian Policy, chapters 6.6 and 6.8 (removal, purge) and 10.7 (configuration files).
"""

import pytest

from tests.host.keeper import Keeper, commands, instructions
from tests.host.station import CONFIG

pytestmark = pytest.mark.host(place=10)

DATABASE = "/var/lib/watchkeeper/watchkeeper.db"

PACKAGE_DATABASES = ("/var/lib/dpkg", "/var/lib/apt", "/var/lib/systemd/deb-systemd-helper", "/etc/apt")
"""Where Debian records its packages."""


def test_the_package_is_built_and_installed(keeper: Keeper) -> None:
    """The manual's two commands: the service runs unprivileged, with its helper and man pages."""
    machine = keeper.machine
    assert keeper.changes(*PACKAGE_DATABASES)[0] == [], "the machine is not as it was before the first install"
    build, install = commands(instructions(), "As a Debian package")[0]
    keeper.timed("package: built", [build])
    keeper.timed("package: installed", [f"{install} --yes"])
    keeper.is_on_watch()
    assert machine.works("systemctl is-active -q watchkeeper-helper.socket")
    assert "/usr/share/man/man1/watchkeeper.1.gz" in machine.run("dpkg -L watchkeeper").splitlines()
    # The machine's dpkg leaves manuals out (rig/build); nothing else of the package is missing or changed.
    verified = machine.run("dpkg --verify watchkeeper").splitlines()
    assert [line for line in verified if "/usr/share/man/" not in line and "/usr/share/doc/" not in line] == []
    modes = machine.run("stat -c '%a %U' /etc/watchkeeper /etc/watchkeeper/secrets")
    assert modes.splitlines() == ["755 root", "700 root"]


def test_a_newer_package_keeps_what_the_operator_has_changed(keeper: Keeper) -> None:
    """Installed again: configuration and database stay, and a disabled service stays disabled."""
    machine = keeper.machine
    machine.run(f"printf '\\n[host]\\nname = \"gannet\"\\n' >>{CONFIG}")
    text, born = machine.run(f"cat {CONFIG}"), _born(keeper)
    machine.run("systemctl disable -q --now watchkeeper")
    again = "sudo dpkg --install --force-confdef --force-confold ./dist/watchkeeper_*.deb"
    keeper.timed("package: installed over itself", [again])
    assert machine.run(f"cat {CONFIG}") == text
    assert not machine.works("systemctl is-enabled -q watchkeeper")
    machine.run("systemctl enable -q --now watchkeeper")
    keeper.station.until("the page", keeper.serves, 240)
    keeper.is_on_watch()
    assert _born(keeper) == born


def _born(keeper: Keeper) -> str:
    """The first event in the database."""
    return keeper.machine.run(f"sqlite3 -readonly {DATABASE} 'SELECT min(id), at_us FROM journal'")


def test_removal_leaves_configuration_and_database(keeper: Keeper) -> None:
    """`apt remove`: the service and its programs are gone; what the operator made is not."""
    keeper.types(["sudo apt remove --yes watchkeeper"], timeout_s=600)
    machine = keeper.machine
    assert not keeper.serves()
    assert not machine.works("command -v watchkeeper || systemctl cat watchkeeper || test -e /opt/watchkeeper")
    assert machine.works(f"test -s {CONFIG} && test -s {DATABASE}")


def test_purge_leaves_nothing(keeper: Keeper) -> None:
    """`apt purge`: every file, user and group that was not there before is gone."""
    keeper.types(["sudo apt purge --yes watchkeeper"], timeout_s=600)
    keeper.types(["rm -rf dist"])
    assert keeper.changes(*PACKAGE_DATABASES) == ([], [])
    for name in ("watchkeeper", "watchkeeper-helper"):
        assert not keeper.machine.works(f"getent passwd {name} || getent group {name}"), name
