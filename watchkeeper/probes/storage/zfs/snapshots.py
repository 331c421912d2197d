"""Lists snapshots of ZFS datasets and volumes. Not here: what their ages mean (probes/storage/snapshot_sets.py,
probes/storage/snapshot_ages.py).
"""

import asyncio
from collections import defaultdict
from collections.abc import Sequence
from typing import Literal

from pydantic import Field

from watchkeeper.errors import ProbeError
from watchkeeper.model.observation import Observation
from watchkeeper.probes.base import BaseProbe, ProbeContext
from watchkeeper.probes.storage.snapshot_ages import Snapshot
from watchkeeper.probes.storage.snapshot_sets import ORIGINS_KEY, Origin, SetSettings, SetWatch
from watchkeeper.probes.storage.zfs import tables as zfs_tables
from watchkeeper.probes.support.tools import run_tool


class ZfsSnapshotsSettings(SetSettings):
    """A set of snapshots of ZFS datasets and volumes: age of the newest and the oldest."""

    kind: Literal["zfs-snapshots"] = "zfs-snapshots"
    origins: tuple[str, ...] = Field(
        alias=ORIGINS_KEY["zfs-snapshots"],
        min_length=1,
        description="datasets and volumes; globs such as skerry/guests/*",
    )


class ZfsSnapshotsProbe(BaseProbe):
    """Monitors one set of snapshots of datasets."""

    def __init__(self, settings: ZfsSnapshotsSettings, bench: ProbeContext) -> None:
        self._settings = settings
        self._bench = bench
        self._watch = SetWatch(settings, "dataset")

    async def observe(self) -> Sequence[Observation]:
        """List datasets and snapshots. Raises ProbeError if a tool fails."""
        names, listed = await asyncio.gather(
            *(
                run_tool(self._bench, argv, self._settings.timeout)
                for argv in (zfs_tables.LIST_NAMES, zfs_tables.LIST_SNAPSHOTS)
            )
        )
        if not names:
            # With a suspended pool, `zfs list` prints nothing and exits with 0: that says nothing about snapshots.
            raise ProbeError("zfs list shows no dataset; check whether the pool is imported or suspended")
        of: dict[str, list[Snapshot]] = defaultdict(list)
        for each in zfs_tables.read_snapshots(listed):
            of[each.dataset].append(Snapshot(each.name, each.made_at, each.used))
        origins = [Origin(name, of.get(name, ())) for name in names.rstrip("\n").split("\n")]
        return self._watch.observe(origins, self._bench.clock.now())
