"""Reads where containers keep data, for planning: named volumes, and folders of the host that they may write to."""

from collections.abc import Iterator, Sequence

from watchkeeper.errors import ProbeError
from watchkeeper.inventory.scan_context import TIMEOUT_S, Part, ScanContext
from watchkeeper.model.observation import Observed, Unseen
from watchkeeper.planning.host_state import Disk, GuestNow
from watchkeeper.probes.containers.containers import ContainersSettings
from watchkeeper.probes.containers.engine import Container, read_state
from watchkeeper.probes.containers.engines import Engines
from watchkeeper.probes.support.sanitize import clip, printable

NO_DATA = ("/etc/", "/dev/", "/proc/", "/sys/", "/run/", "/var/run/", "/tmp/")  # noqa: S108  nothing is written
"""A folder or a file below these is of the system, or does not last: no data of the container."""

NAME_LIMIT = 120


async def see(scene: ScanContext) -> Part:
    """The volumes of every container of every engine that a probe asks."""
    probes = [each for each in scene.settings.probes if isinstance(each, ContainersSettings)]
    found, unseen = list[Container](), list[Observed]()
    for each in probes:
        try:
            engines = Engines(scene.bench, each.engines, scene.helper, TIMEOUT_S)
            for said in (await engines.ask("state", unseen)).values():
                found += read_state(said)
        except ProbeError as error:
            unseen.append(Unseen("containers", str(error)))
    why = tuple(f"{each.what}: {each.why}" for each in unseen if isinstance(each, Unseen))
    return Part(volumes=tuple(volumes_of(found)), unseen=why)


def volumes_of(containers: Sequence[Container]) -> Iterator[GuestNow]:
    """Each volume once, by its name: `volume hide-hub-data`, or `folder /srv/tides`."""
    known = set[str]()
    for mount in (mount for each in containers for mount in each.mounts if mount.writable):
        folder = mount.source.rstrip("/")
        if mount.type == "bind" and (not folder or f"{folder}/".startswith(NO_DATA)):
            continue
        name = f"volume {mount.name}" if mount.type == "volume" and mount.name else f"folder {folder}"
        if folder.startswith("/") and name not in known and mount.type in ("volume", "bind"):
            known.add(name)
            yield GuestNow(clip(printable(name), NAME_LIMIT), disks=(Disk(folder),))
