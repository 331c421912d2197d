"""The suite runs only on request: it needs the virtual machine of rig/, and more than an hour if that is emulated."""

import os
from collections.abc import Iterator

import pytest

from tests.host.machine import HERE, IS_CONTAINER, Machine, cache
from tests.host.operator_shell import NOTES, Operator
from tests.host.station import Station, boot, install, lay_out, show_boot_id

STAY = os.environ.get("HOST_STAY") == "1"

HOW = "runs only on request: tests/host/rig/build once, then deploy/check tests/host -m host (tests/host/README.md)"


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Skip what needs the machine, unless it is requested: by the marker's name after -m, or by the environment.

    Tests run in order of the marker's `place`, 0 by default: what cannot be undone comes last.
    """
    items.sort(key=_place)
    asked = "host" in config.getoption("-m") or os.environ.get("HOST_TESTS") == "1"
    for item in items:
        if not asked and item.get_closest_marker("host"):
            item.add_marker(pytest.mark.skip(reason=HOW))


def _place(item: pytest.Item) -> int:
    """All other tests keep their order at 0."""
    marker = item.get_closest_marker("host")
    return int(marker.kwargs.get("place", 0)) if marker else 0


@pytest.fixture(scope="session")
def machine() -> Iterator[Machine]:
    """The machine, powered off; the fixtures below boot it. Powered off again at the end.

    HOST_STAY=1: one that is up already is used as it is, and stays up, for work on the suite itself.
    """
    assert (cache() / "root.img").exists(), f"there is no machine in {cache()}: run tests/host/rig/build first"
    found = Machine()
    if not (STAY and found.works("true")):
        found.down()
    try:
        yield found
    finally:
        if not STAY:
            found.down()


FIGURES = pytest.StashKey[list[str]]()


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter, config: pytest.Config) -> None:
    """Print the figures of the tests: reported times against actual ones."""
    for line in config.stash.get(FIGURES, []):
        terminalreporter.write_line(f"host: {line}")


@pytest.fixture(scope="session")
def notes(request: pytest.FixtureRequest) -> list[str]:
    """Figures of the tests, for the end of the run."""
    return request.config.stash.setdefault(FIGURES, [])


@pytest.fixture(scope="session")
def station(machine: Machine, notes: list[str]) -> Station:
    """The machine with watchkeeper installed and monitoring its stores."""
    if IS_CONTAINER:
        pytest.skip("a container has no disks of its own: run this in a virtual machine")
    found = Station(machine, notes)
    if not machine.works("systemctl is-active -q watchkeeper"):
        if not machine.works("test -d /srv/hides/logs"):
            machine.down()
            lay_out(machine)
        install(machine)
        found.start()
    return found


@pytest.fixture(scope="session")
def between(machine: Machine, notes: list[str]) -> Station:
    """A machine of its own without stores, with watchkeeper monitoring its units, users, mail and restarts."""
    found = Station(machine, notes)
    if not (STAY and machine.works("test -e /etc/watchkeeper/between")):
        machine.down()
        boot(machine)
        install(machine, HERE / "services.toml")
        if IS_CONTAINER:  # It has no kernel of its own to load a module into.
            machine.run("systemctl mask -q zfs-load-module && systemctl reset-failed")
            show_boot_id(machine)
        machine.run("touch /etc/watchkeeper/between; loginctl enable-linger keeper")
        found.start()
    return found


@pytest.fixture(scope="session")
def operator(machine: Machine, notes: list[str], tmp_path_factory: pytest.TempPathFactory) -> Operator:
    """The operator of a machine that never had watchkeeper: a new one, if other scenarios were in it before."""
    found = Operator(Station(machine, notes))
    if machine.works(f"test -e {NOTES}/before"):
        assert STAY, "this machine is in the middle of an install story"
        return found
    if not machine.works("true") or machine.works("test -e /usr/local/lib/station"):
        machine.down()
        boot(machine)
    found.set_up(tmp_path_factory.mktemp("origin"))
    return found
