"""What a probe is: settings in, observations out."""

from collections.abc import Awaitable, Callable, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Generic, Protocol, TypeVar

from watchkeeper.clock import Clock
from watchkeeper.config.types import ProbeSettings
from watchkeeper.model.observation import Observation
from watchkeeper.model.probe_state import JobReports, MemoryJobReports, MemoryStateStore, StateStore
from watchkeeper.model.records import Quarantined

T = TypeVar("T")
S = TypeVar("S", bound=ProbeSettings)


class Workers(Protocol):
    """Runs blocking calls where they can be abandoned (probes/support/workers.py)."""

    async def call(self, thing: str, work: Callable[[], T], timeout_s: float) -> T:
        """Run `work` in a thread of its own. Raises ProbeTimeout when it has not come back in time (it is abandoned),
        and StillHanging at once while an earlier call about the same `thing` has not come back.
        """
        ...


@dataclass(frozen=True, slots=True)
class OwnDatabase:
    """The daemon's own database. most_bytes: the size that it may reach.

    set_aside: lists the damaged ones that were set aside beside it; may block.
    quarantined: lists the stored rows that could not be read and were moved away from one instant to another, the
        newest first; None where that cannot be asked.
    """

    path: Path
    most_bytes: int
    set_aside: Callable[[], Sequence[Path]]
    quarantined: Callable[[datetime, datetime], Awaitable[Sequence[Quarantined]]] | None = None


@dataclass(frozen=True, slots=True)
class ProbeContext:
    """What probes work with: the clock and the workers. Handed to every probe when it is made.

    notes: what probes keep across restarts. check_ins: the newest of every job. Where no store gives them, they last as
    long as the bench. database: the daemon's own, where there is one.
    """

    clock: Clock
    workers: Workers
    notes: StateStore = field(default_factory=MemoryStateStore)
    check_ins: JobReports = field(default_factory=MemoryJobReports)
    database: OwnDatabase | None = None


class Probe(Protocol):
    """Observes; never judges. One instance lives as long as the daemon and is never run twice at the same time."""

    async def observe(self) -> Sequence[Observation]:
        """Look once. Raises ProbeError where it could not look at all: the pipeline turns that into an observation of
        the probe itself. What could be seen is returned even where a part could not.
        """
        ...

    async def close(self) -> None:
        """Let go of what is held (a session, a file)."""
        ...


class BaseProbe:
    """What most probes have in common: they hold nothing from one run to the next."""

    async def close(self) -> None:
        """Nothing is held. A probe that holds a session or a file lets go of it here."""


@dataclass(frozen=True, slots=True)
class ProbeKind(Generic[S]):
    """One kind of probe: the model of its settings, and what makes a probe of them."""

    settings: type[S]
    make: Callable[[S, ProbeContext], Probe]
