"""Containers that discovery finds: by control groups in files, and by an engine's socket."""

from dataclasses import replace

import pytest

from tests.discovery.conftest import document, usable, value_of
from tests.probes.engines import cgroup, container, engine
from tests.probes.machines import short_folder
from watchkeeper.discovery.finders import containers
from watchkeeper.discovery.host import Host
from watchkeeper.discovery.proposal import Thing
from watchkeeper.errors import ProbeError
from watchkeeper.probes.containers.containers import ContainersProbe


async def test_containers_are_proposed(host: Host) -> None:
    """Those that run are expected; one that exited is only named."""
    async with short_folder() as root:
        (root / "run").mkdir()
        cgroup(root, "lxc.payload.hide-hub", pids_max="9", pids_current="1")
        them = [container(1, "tide-log"), container(2, "ringing-db", "exited", ExitCode=3)]
        async with engine(root / "run/docker.sock", them):
            found = await containers.find(replace(host, root=root))
    (proposal,) = found.proposals
    assert value_of(proposal, "expected") == ("hide-hub", "tide-log")
    assert "- ringing-db: it exited with code 3" in proposal.about
    assert {Thing("container", name) for name in ("hide-hub", "tide-log", "ringing-db")} == found.there
    usable(document(proposal))


async def test_none(host: Host) -> None:
    """Nothing is there: that is said."""
    assert (await containers.find(host)).absent == ("containers",)


async def test_an_engine_that_may_not_be_asked(host: Host, monkeypatch: pytest.MonkeyPatch) -> None:
    """What is missing is named, and nothing is proposed."""

    async def fails(_: ContainersProbe) -> None:
        raise ProbeError("too many calls hang")

    async with short_folder() as root:
        (root / "run").mkdir()
        async with engine(root / "run/docker.sock", []):
            monkeypatch.setattr("os.geteuid", lambda: 1000)
            monkeypatch.setattr("watchkeeper.privileged.container_engine.printed", lambda *_: _refuse())
            found = await containers.find(replace(host, root=root))
    assert not found.proposals
    assert found.unseen[0].what.startswith("containers of ")
    monkeypatch.setattr(ContainersProbe, "observe", fails)
    assert (await containers.find(host)).unseen[0].why == "too many calls hang"


def _refuse() -> str:
    raise PermissionError
