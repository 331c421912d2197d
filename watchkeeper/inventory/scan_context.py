"""What every module that scans for planning works with: where to read, and a part of what was seen."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from watchkeeper.planning.host_state import GuestNow, StoreNow
from watchkeeper.privileged.commands import MOUNTS
from watchkeeper.probes.base import ProbeContext
from watchkeeper.probes.filesystems.mounts import Mount
from watchkeeper.settings import Settings

TIMEOUT_S = 20.0
"""For one tool: the same as for the probes of storage. A person is waiting for the plan."""


@dataclass(frozen=True, slots=True)
class ScanContext:
    """Where to read: settings, context, privileged helper, and the roots of the kernel's trees (others in tests)."""

    settings: Settings
    bench: ProbeContext
    helper: Path
    mounted: Sequence[Mount] = ()
    mountinfo: Path = MOUNTS
    proc: Path = Path("/proc")
    sys: Path = Path("/sys")
    dev: Path = Path("/dev")


@dataclass(frozen=True, slots=True)
class StorageBelow:
    """What holds a file or device: the store's subject, and the name of what snapshots are taken of there."""

    subject: str
    volume: str


Placing = Callable[[str], StorageBelow | None]
"""From a path, as given to a guest, to what holds it; None if this kind of store does not hold it."""


@dataclass(frozen=True, slots=True)
class Part:
    """What one scan has seen. volumes: of containers. placing: how its stores recognise their own among paths."""

    stores: tuple[StoreNow, ...] = ()
    guests: tuple[GuestNow, ...] = ()
    volumes: tuple[GuestNow, ...] = ()
    unseen: tuple[str, ...] = ()
    placing: tuple[Placing, ...] = field(default=(), compare=False)
