"""A service from before there was deploy/install, a checkout in /opt/watchkeeper itself, can be upgraded and removed.

A short story in one machine, in the order of the tests, which leaves the machine as it was.
"""

import pytest

from tests.host.operator_shell import INSTALL_S, Operator, commands, instructions, quick
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


def test_a_checkout_in_the_place_of_the_releases_is_upgraded(operator: Operator) -> None:
    """Its samples are kept, and its environment stays as the release to go back to."""
    machine = operator.machine
    operator.run([f"git reset --quiet --hard {COMMIT}"])
    machine.run("mkdir -p /etc/watchkeeper")
    machine.write(CONFIG, CONFIGURATION)
    operator.run_timed("install of a checkout by hand", quick(commands(instructions(COMMIT), "As a service")[0]))
    operator.station.wait_until("its page", operator.page_answers, 240)
    operator.station.wait_until("samples", lambda: len(machine.run(SAMPLES).splitlines()) >= 10, 240)
    samples = set(machine.run(SAMPLES).splitlines())
    operator.run_timed("upgrade of a checkout", quick(commands(instructions(), "Upgrade")[0]))
    operator.assert_running()
    assert set(machine.run(SAMPLES).splitlines()) >= samples
    assert "earlier" in machine.run("ls /opt/watchkeeper/releases").split()


def test_the_checkout_is_left_unless_everything_is_removed(operator: Operator) -> None:
    """`deploy/remove` says that it leaves the checkout; with `--everything` nothing is left."""
    assert "  /opt/watchkeeper" in operator.run(["sudo deploy/remove"], timeout_s=INSTALL_S).splitlines()
    assert operator.machine.works("test -d /opt/watchkeeper/.git")
    operator.run(["sudo deploy/remove --everything"], timeout_s=INSTALL_S)
    assert operator.changed_files() == ([], [])
