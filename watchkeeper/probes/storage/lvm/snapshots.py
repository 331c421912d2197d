"""Lists snapshots of logical volumes. Not here: what their ages mean (probes/storage/snapshot_sets.py,
probes/storage/snapshot_ages.py).
"""

from collections import defaultdict
from collections.abc import Sequence
from typing import Literal

from pydantic import Field

from watchkeeper.model.observation import Observation
from watchkeeper.probes.base import BaseProbe, ProbeContext
from watchkeeper.probes.storage.lvm.tables import Volume, read_volumes
from watchkeeper.probes.storage.snapshot_ages import Snapshot
from watchkeeper.probes.storage.snapshot_sets import ORIGINS_KEY, Origin, SetSettings, SetWatch
from watchkeeper.probes.support.tools import ask_root, result_of


class LvmSnapshotsSettings(SetSettings):
    """A set of snapshots of logical volumes: age of the newest and the oldest. Needs the helper."""

    kind: Literal["lvm-snapshots"] = "lvm-snapshots"
    origins: tuple[str, ...] = Field(
        alias=ORIGINS_KEY["lvm-snapshots"],
        min_length=1,
        description="logical volumes with their volume group; globs such as vg0/hide-*",
    )


class LvmSnapshotsProbe(BaseProbe):
    """Monitors one set of snapshots of volumes."""

    def __init__(self, settings: LvmSnapshotsSettings, bench: ProbeContext) -> None:
        self._settings = settings
        self._bench = bench
        self._watch = SetWatch(settings, "volume")

    async def observe(self) -> Sequence[Observation]:
        """List volumes and snapshots. Raises ProbeError if LVM cannot be queried."""
        settings = self._settings
        results = await ask_root(self._bench, "volumes", settings.helper, settings.timeout)
        volumes = read_volumes(result_of(results, "lvs", settings.timeout))
        return self._watch.observe(origins(volumes), self._bench.clock.now())


def origins(volumes: Sequence[Volume]) -> list[Origin]:
    """Every volume that is not a snapshot, with its snapshots. A snapshot of a snapshot counts for the first origin."""
    by_name = {each.full_name: each for each in volumes}
    of: dict[str, list[Snapshot]] = defaultdict(list)
    for each in volumes:
        if each.origin and each.made_at is not None:
            of[_first(each, by_name)].append(Snapshot(each.name, each.made_at))
    return [
        Origin(each.full_name, of.get(each.full_name, ()))
        for each in volumes
        if not each.origin and not each.hidden and each.kind != "t"
    ]


def _first(snapshot: Volume, by_name: dict[str, Volume]) -> str:
    """The first origin of a chain of snapshots. A cycle, which LVM never creates, ends where it was entered."""
    name, passed = f"{snapshot.group}/{snapshot.origin}", {snapshot.full_name}
    while (volume := by_name.get(name)) and volume.origin and name not in passed:
        passed.add(name)
        name = f"{volume.group}/{volume.origin}"
    return name
