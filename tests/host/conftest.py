"""The suite runs on purpose alone: it needs the virtual machine of rig/, and most of an hour where that is emulated."""

import os
from collections.abc import Iterator

import pytest

from tests.host.keeper import NOTES, Keeper
from tests.host.machine import Machine, cache
from tests.host.station import Station, install

HOW = "runs on purpose alone: tests/host/rig/build once, then deploy/check tests/host -m host (tests/host/README.md)"


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Skip what needs the machine, unless it was asked for: by the marker's name after -m, or by the environment.

    They run by the marker's `place`, 0 by default: what spoils the machine comes last.
    """
    items.sort(key=_place)
    asked = "host" in config.getoption("-m") or os.environ.get("HOST_TESTS") == "1"
    for item in items:
        if not asked and item.get_closest_marker("host"):
            item.add_marker(pytest.mark.skip(reason=HOW))


def _place(item: pytest.Item) -> int:
    """All others, of this suite and the rest, keep their order at 0."""
    marker = item.get_closest_marker("host")
    return int(marker.kwargs.get("place", 0)) if marker else 0


@pytest.fixture(scope="session")
def machine() -> Iterator[Machine]:
    """A machine with empty disks, off again at the end.

    HOST_STAY=1: one that is up already is taken as it stands, and stays up, for work on the suite itself.
    """
    stay = os.environ.get("HOST_STAY") == "1"
    assert (cache() / "root.img").exists(), f"there is no machine in {cache()}: run tests/host/rig/build first"
    found = Machine()
    if not (stay and found.works("true")):
        found.down()
        found.up()
    try:
        yield found
    finally:
        if not stay:
            found.down()


FIGURES = pytest.StashKey[list[str]]()


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter, config: pytest.Config) -> None:
    """Print what the tests wrote down: times that were told against those that came true."""
    for line in config.stash.get(FIGURES, []):
        terminalreporter.write_line(f"host: {line}")


@pytest.fixture(scope="session")
def notes(request: pytest.FixtureRequest) -> list[str]:
    """What the tests write down for the end of the run."""
    return request.config.stash.setdefault(FIGURES, [])


@pytest.fixture(scope="session")
def station(machine: Machine, notes: list[str]) -> Station:
    """The machine with watchkeeper installed and on watch over its stores."""
    found = Station(machine, notes)
    if not machine.works("systemctl is-active -q watchkeeper"):
        install(machine)
        if not machine.works("test -d /srv/hides/logs"):
            machine.run("bash /usr/local/lib/station/layout.sh", timeout_s=600)
        found.start()
    return found


@pytest.fixture(scope="session")
def keeper(machine: Machine, notes: list[str], tmp_path_factory: pytest.TempPathFactory) -> Keeper:
    """The keeper of a machine that has never had watchkeeper: afresh, where other scenarios were in it before."""
    found = Keeper(Station(machine, notes))
    if machine.works(f"test -e {NOTES}/before"):
        assert os.environ.get("HOST_STAY") == "1", "the story has begun in this machine"
        return found
    if machine.works("test -e /usr/local/lib/station"):
        machine.down()
        machine.up()
    found.moves_in(tmp_path_factory.mktemp("origin"))
    return found
