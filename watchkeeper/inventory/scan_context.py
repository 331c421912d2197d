"""What every file that looks for a plan works with: the place to look in, and a part of what was seen."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from watchkeeper.planning.host_state import GuestNow, StoreNow
from watchkeeper.privileged.commands import MOUNTS
from watchkeeper.probes.base import ProbeContext
from watchkeeper.probes.host.mounts import Mount
from watchkeeper.settings import Settings

TIMEOUT_S = 20.0
"""For one tool: as the probes of storage wait. A person waits for the plan."""


@dataclass(frozen=True, slots=True)
class ScanContext:
    """Where to look: the settings, the bench, root's side, and the roots of the kernel's trees (others in tests)."""

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
    """What a file or device lies in: the store's subject, and the name of what snapshots are taken of there."""

    subject: str
    volume: str


Placing = Callable[[str], StorageBelow | None]
"""From a path, as a guest was given it, to what it lies in; None where this kind of store does not hold it."""


@dataclass(frozen=True, slots=True)
class Part:
    """What one look has seen. placing: how its stores find their own among paths."""

    stores: tuple[StoreNow, ...] = ()
    guests: tuple[GuestNow, ...] = ()
    unseen: tuple[str, ...] = ()
    placing: tuple[Placing, ...] = field(default=(), compare=False)
