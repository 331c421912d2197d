"""Where containers keep data, asked of an engine on a socket."""

from dataclasses import replace
from pathlib import Path
from typing import Any

from tests.inventory.places import fixed, known
from tests.probes.engines import container, engine
from tests.probes.machines import short_folder
from watchkeeper.inventory import container_volumes
from watchkeeper.inventory.scan_context import ScanContext
from watchkeeper.planning.host_state import Disk, GuestNow
from watchkeeper.probes.support.workers import ThreadWorkers


def mount(kind: str, source: str, name: str = "", *, writable: bool = True) -> dict[str, Any]:
    """A mount, with the fields that the Docker Engine API has and that are not needed."""
    return {"Type": kind, "Name": name, "Source": source, "Destination": "/data", "RW": writable, "Mode": "z"}


def with_mounts(number: int, name: str, *mounts: dict[str, Any]) -> dict[str, Any]:
    """A container with mounts."""
    return {**container(number, name), "Mounts": list(mounts)}


async def test_volumes_and_folders(workers: ThreadWorkers) -> None:
    """Each once; not what is read only, of the system, or in memory. An engine that does not answer is named."""
    them = [
        with_mounts(
            1, "hide-hub",
            mount("volume", "/var/lib/engine/volumes/hub-data/_data", "hub-data"), mount("bind", "/srv/tides/"),
            mount("bind", "/srv/reading", writable=False), mount("bind", "/etc/localtime"), mount("bind", "/"),
            mount("tmpfs", ""),
        ),
        with_mounts(2, "tide-log", mount("bind", "/srv/tides"), mount("bind", "/run/x.sock")),
        container(3, "nest-cams"),
    ]  # fmt: skip
    async with short_folder() as folder:
        path = folder / "engine.sock"
        scene = ScanContext(known({"kind": "containers", "engines": [str(path)]}), fixed(workers), Path("/nowhere"))
        async with engine(path, them):
            seen = await container_volumes.see(scene)
        assert seen.volumes == (
            GuestNow("volume hub-data", disks=(Disk("/var/lib/engine/volumes/hub-data/_data"),)),
            GuestNow("folder /srv/tides", disks=(Disk("/srv/tides"),)),
        )
        assert seen.unseen == ()
        async with engine(path, [{**container(1, "x"), "Name": 5}]):
            hidden = await container_volumes.see(scene)
        assert hidden.volumes == ()
        assert "the container engine's answer is not valid" in hidden.unseen[0]
        without = await container_volumes.see(replace(scene, settings=known()))
        assert (without.volumes, without.unseen) == ((), ())
