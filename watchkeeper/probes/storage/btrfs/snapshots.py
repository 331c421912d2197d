"""Lists snapshots of btrfs subvolumes. Not here: what their ages mean (probes/storage/snapshot_sets.py,
probes/storage/snapshot_ages.py).

They are named by their path from the top of the file system, after its mount point: `/srv/.snapshots/nightly-1`.
A snapshot identifies its origin only by an id that disappears with it, so a set is defined by similar names.
"""

import posixpath
from collections.abc import Iterable, Sequence
from typing import Literal

from pydantic import Field

from watchkeeper.model.observation import Observation
from watchkeeper.privileged.commands import Result
from watchkeeper.probes.base import BaseProbe, ProbeContext
from watchkeeper.probes.storage.btrfs.tables import read_subvolumes
from watchkeeper.probes.storage.snapshot_ages import Snapshot
from watchkeeper.probes.storage.snapshot_sets import ORIGINS_KEY, Origin, SetSettings, SetWatch
from watchkeeper.probes.support.tools import ask_root, text_of


class BtrfsSnapshotsSettings(SetSettings):
    """A set of snapshots on a btrfs file system: age of the newest and the oldest. Needs the helper."""

    kind: Literal["btrfs-snapshots"] = "btrfs-snapshots"
    origins: tuple[str, ...] = Field(
        alias=ORIGINS_KEY["btrfs-snapshots"],
        min_length=1,
        description="mount points of btrfs file systems; globs such as /srv",
    )
    name_pattern: tuple[str, ...] = Field(
        ("*",),
        description="paths of the snapshots in this set, from the top of the file system; globs",
    )


class BtrfsSnapshotsProbe(BaseProbe):
    """Monitors one set of snapshots of subvolumes."""

    def __init__(self, settings: BtrfsSnapshotsSettings, bench: ProbeContext) -> None:
        self._settings = settings
        self._bench = bench
        self._watch = SetWatch(settings, "btrfs")

    async def observe(self) -> Sequence[Observation]:
        """List the snapshots of every btrfs. Raises ProbeError if they cannot be listed."""
        settings = self._settings
        results = await ask_root(self._bench, "subvolumes", settings.helper, settings.timeout)
        return self._watch.observe(_origins(results, settings.timeout), self._bench.clock.now())


def _origins(results: Iterable[Result], timeout_s: float) -> list[Origin]:
    return [
        Origin(
            posixpath.normpath(each.target) if each.target else "btrfs",
            [Snapshot(one.path, one.made_at) for one in read_subvolumes(text_of(each.ran, "btrfs", timeout_s))],
        )
        for each in results
    ]
