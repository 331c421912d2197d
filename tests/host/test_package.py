"""The Debian package, built and installed as the manual says, is upgraded, removed and purged as a package should be.

It follows test_install.py in the same machine, which that left as it was before. What a package must keep and what it
must remove: Debian Policy, chapters 6.6 and 6.8 (removal, purge) and 10.7 (configuration files).
"""

import pytest

from tests.host.operator_shell import Operator, commands, instructions
from tests.host.station import CONFIG

pytestmark = pytest.mark.host(place=10)

DATABASE = "/var/lib/watchkeeper/watchkeeper.db"

PACKAGE_DATABASES = ("/var/lib/dpkg", "/var/lib/apt", "/var/lib/systemd/deb-systemd-helper", "/etc/apt")
"""Where Debian records its packages."""


def test_the_package_is_built_and_installed(operator: Operator) -> None:
    """The manual's two commands: the service runs unprivileged, with its helper and man pages."""
    machine = operator.machine
    assert operator.changed_files(*PACKAGE_DATABASES)[0] == [], "the machine is not as it was before the first install"
    build, install = commands(instructions(), "As a Debian package")[0]
    operator.run_timed("package: built", [build])
    operator.run_timed("package: installed", [f"{install} --yes"])
    operator.assert_running()
    assert machine.works("systemctl is-active -q watchkeeper-helper.socket")
    assert "/usr/share/man/man1/watchkeeper.1.gz" in machine.run("dpkg -L watchkeeper").splitlines()
    # The machine's dpkg leaves manuals out (rig/build); nothing else of the package is missing or changed.
    verified = machine.run("dpkg --verify watchkeeper").splitlines()
    assert [line for line in verified if "/usr/share/man/" not in line and "/usr/share/doc/" not in line] == []
    modes = machine.run("stat -c '%a %U' /etc/watchkeeper /etc/watchkeeper/secrets")
    assert modes.splitlines() == ["755 root", "700 root"]


def test_a_newer_package_keeps_what_the_operator_has_changed(operator: Operator) -> None:
    """Installed again: configuration and database stay, and a disabled service stays disabled."""
    machine = operator.machine
    machine.run(f"printf '\\n[host]\\nname = \"gannet\"\\n' >>{CONFIG}")
    text, born = machine.run(f"cat {CONFIG}"), _born(operator)
    machine.run("systemctl disable -q --now watchkeeper")
    again = "sudo dpkg --install --force-confdef --force-confold ./dist/watchkeeper_*.deb"
    operator.run_timed("package: installed over itself", [again])
    assert machine.run(f"cat {CONFIG}") == text
    assert not machine.works("systemctl is-enabled -q watchkeeper")
    machine.run("systemctl enable -q --now watchkeeper")
    operator.station.wait_until("the page", operator.page_answers, 240)
    operator.assert_running()
    assert _born(operator) == born


def _born(operator: Operator) -> str:
    """The first event in the database."""
    return operator.machine.run(f"sqlite3 -readonly {DATABASE} 'SELECT min(id), at_us FROM events'")


def test_removal_leaves_configuration_and_database(operator: Operator) -> None:
    """`apt remove`: the service and its programs are gone; what the operator made is not."""
    operator.run(["sudo apt remove --yes watchkeeper"], timeout_s=600)
    machine = operator.machine
    assert not operator.page_answers()
    assert not machine.works("command -v watchkeeper || systemctl cat watchkeeper || test -e /opt/watchkeeper")
    assert machine.works(f"test -s {CONFIG} && test -s {DATABASE}")


def test_purge_leaves_nothing(operator: Operator) -> None:
    """`apt purge`: every file, user and group that was not there before is gone."""
    operator.run(["sudo apt purge --yes watchkeeper"], timeout_s=600)
    operator.run(["rm -rf dist"])
    assert operator.changed_files(*PACKAGE_DATABASES) == ([], [])
    for name in ("watchkeeper", "watchkeeper-helper"):
        assert not operator.machine.works(f"getent passwd {name} || getent group {name}"), name
