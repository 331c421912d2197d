"""Every kind of probe there is: the one place where a new one is named."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, Generic, TypeVar

from watchkeeper.config.types import ProbeSettings
from watchkeeper.probes.base import Bench, Probe
from watchkeeper.probes.filesystem import FilesystemsProbe, FilesystemsSettings
from watchkeeper.probes.http import HttpProbe
from watchkeeper.probes.http_checks import HttpSettings
from watchkeeper.probes.itself import ItselfProbe, ItselfSettings
from watchkeeper.probes.memory import MemoryProbe, MemorySettings
from watchkeeper.probes.snapshots import SnapshotsProbe, SnapshotsSettings

S = TypeVar("S", bound=ProbeSettings)


@dataclass(frozen=True, slots=True)
class ProbeKind(Generic[S]):
    """One kind of probe: the model of its settings, and what makes a probe of them."""

    settings: type[S]
    make: Callable[[S, Bench], Probe]


PROBES: Mapping[str, ProbeKind[Any]] = {
    "filesystems": ProbeKind(FilesystemsSettings, FilesystemsProbe),
    "memory": ProbeKind(MemorySettings, MemoryProbe),
    "http": ProbeKind(HttpSettings, HttpProbe),
    "snapshots": ProbeKind(SnapshotsSettings, SnapshotsProbe),
    "itself": ProbeKind(ItselfSettings, ItselfProbe),
}
"""`kind` in the configuration -> its settings and its probe."""

FOUND_BY_DEFAULT = ("filesystems", "memory", "itself")
"""The kinds that run without any configuration: their settings need nothing that the keeper alone knows."""


def make_probe(settings: ProbeSettings, bench: Bench) -> Probe:
    """The probe for some settings. Raises KeyError where their kind is not in the table."""
    return PROBES[settings.kind].make(settings, bench)
