"""A service from before there was deploy/install, a checkout in /opt/watchkeeper itself, can be upgraded and removed.

A short story in one machine, in the order of the tests, which leaves the machine as it was.
"""

import pytest

from tests.host.keeper import INSTALL_S, Keeper, commands, instructions, quick
from tests.host.station import CONFIG

pytestmark = pytest.mark.host(place=8)

COMMIT = "83afaca"
"""The first whose README says how it is run as a service."""

CONFIGURATION = """\
[host]
name = "gannet"

[[probe]]
kind = "memory"
every = "5s"
"""
"""What every version accepts."""

DATABASE = "/var/lib/watchkeeper/watchkeeper.db"
SAMPLES = f"sqlite3 -readonly {DATABASE} 'SELECT series, at_ms, value FROM samples ORDER BY 1, 2'"


def test_a_checkout_in_the_place_of_the_releases_is_upgraded(keeper: Keeper) -> None:
    """Its samples are kept, and its environment stays as the release to go back to."""
    machine = keeper.machine
    keeper.types([f"git reset --quiet --hard {COMMIT}"])
    machine.run("mkdir -p /etc/watchkeeper")
    machine.write(CONFIG, CONFIGURATION)
    keeper.timed("install of a checkout by hand", quick(commands(instructions(COMMIT), "As a service")[0]))
    keeper.station.until("its page", keeper.serves, 240)
    keeper.station.until("samples", lambda: len(machine.run(SAMPLES).splitlines()) >= 10, 240)
    samples = set(machine.run(SAMPLES).splitlines())
    keeper.timed("upgrade of a checkout", quick(commands(instructions(), "Upgrade")[0]))
    keeper.is_on_watch()
    assert set(machine.run(SAMPLES).splitlines()) >= samples
    assert "earlier" in machine.run("ls /opt/watchkeeper/releases").split()


def test_the_checkout_is_left_unless_everything_is_removed(keeper: Keeper) -> None:
    """`deploy/remove` says that it leaves the checkout; with `--everything` nothing is left."""
    assert "  /opt/watchkeeper" in keeper.types(["sudo deploy/remove"], timeout_s=INSTALL_S).splitlines()
    assert keeper.machine.works("test -d /opt/watchkeeper/.git")
    keeper.types(["sudo deploy/remove --everything"], timeout_s=INSTALL_S)
    assert keeper.changes() == ([], [])
