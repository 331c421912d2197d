"""What every kind of store provides, to answer what deleting snapshots would free."""

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

from watchkeeper.model.observation import SeriesKey
from watchkeeper.planning.reclaim.snapshots import Candidate, Freed, SetLimit
from watchkeeper.probes.base import ProbeContext
from watchkeeper.settings import Settings


@dataclass(frozen=True, slots=True)
class StoreContext:
    """Where and how to read: context, privileged helper, timeout. sysfs: /sys; other folders are for tests."""

    bench: ProbeContext
    settings: Settings
    helper: Path
    timeout_s: float
    mountinfo: Path
    sysfs: Path


class StoreReader(Protocol):
    """The snapshots of one store."""

    @property
    def key(self) -> SeriesKey:
        """The level that they take their space from."""
        ...

    @property
    def candidates(self) -> Sequence[Candidate]:
        """Every snapshot, each with what it frees alone."""
        ...

    @property
    def limits(self) -> Sequence[SetLimit]:
        """The configuration's limits on sets of this kind."""
        ...

    async def freed(self, chosen: Collection[Candidate]) -> Freed:
        """What deleting these together frees. Changes nothing. Where it is not known exactly, the reasons say why."""
        ...
