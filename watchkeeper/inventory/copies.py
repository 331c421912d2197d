"""A guest's copies as the configured probes see them now: how old, and what they share with the guest's disks."""

import os
from collections.abc import Sequence
from dataclasses import replace
from fnmatch import fnmatchcase
from functools import partial

from watchkeeper.config.types import ProbeSettings
from watchkeeper.errors import ProbeError
from watchkeeper.inventory.storage import storage_stack
from watchkeeper.model.observation import Condition, Deadline, Observation, Unseen
from watchkeeper.planning.host_state import GuestNow, HostNow
from watchkeeper.planning.preflight.decide import Copy
from watchkeeper.privileged.commands import MOUNTS
from watchkeeper.probes.base import ProbeContext
from watchkeeper.probes.filesystems import mounts
from watchkeeper.probes.filesystems.mounts import Mount
from watchkeeper.probes.registry import make_probe
from watchkeeper.probes.services.job import JobSettings
from watchkeeper.probes.storage.snapshot_files import SnapshotsSettings

LOOK_S = 10.0
"""How long reading what lies below a file may take; a dead network share blocks."""


async def mounted_now(bench: ProbeContext) -> list[Mount]:
    """What is mounted. Raises ProbeError if the list cannot be read in time."""
    text = await bench.workers.call("list of mounts", MOUNTS.read_bytes, LOOK_S)
    return mounts.parse(os.fsdecode(text))


def backs_up(probe: ProbeSettings, guest: str) -> bool:
    """Whether the configuration says that this probe monitors a backup of the guest."""
    return any(guest == each or fnmatchcase(guest, each) for each in _backup_of(probe))


def backs_up_other(probe: ProbeSettings, name: str, noun: str) -> bool:
    """Whether it monitors a backup of a store or of a container's volume: a pattern begins with what it is.

    `*` alone is all guests. noun: `pool `, `volume `.
    """
    return any(each.startswith(noun) and (name == each or fnmatchcase(name, each)) for each in _backup_of(probe))


def _backup_of(probe: ProbeSettings) -> tuple[str, ...]:
    return probe.backup_of if isinstance(probe, SnapshotsSettings | JobSettings) else ()


Run = tuple[Sequence[Observation], str]
"""One run of a probe: what it saw, or why it could not run."""


async def fresh(probe: ProbeSettings, bench: ProbeContext) -> Run:
    """One run of a new probe. It reads no files, and so does not end the reading of the probe that runs always."""
    made = make_probe(probe, replace(bench, verification=None))
    try:
        return [each for each in await made.observe() if not isinstance(each, Unseen)], ""
    except ProbeError as error:
        return (), str(error)
    finally:
        await made.close()


async def copy_of(
    probe: ProbeSettings, run: Run, guest: GuestNow, host: HostNow, mounted: Sequence[Mount], bench: ProbeContext
) -> Copy:
    """The copy that a probe monitors. run: of this probe; one serves all guests.

    Raises ProbeError if what is below it could not be read in time.
    """
    seen, trouble = run
    deadline = next((each for each in seen if isinstance(each, Deadline)), None)
    failed = next((each for each in seen if isinstance(each, Condition) and not each.ok), None)
    said = trouble or (failed.reason if failed is not None and failed.key.quantity == "result" else "")
    shares = ""
    if isinstance(probe, SnapshotsSettings):
        look = partial(_shared, probe, guest, host, mounted)
        shares = ", ".join(await bench.workers.call(f"where {probe.name} lies", look, LOOK_S))
    if deadline is None:
        return Copy(probe.label, None, None, shares, said)
    return Copy(probe.label, deadline.last_at, deadline.due_at, shares, said)


def _shared(probe: SnapshotsSettings, guest: GuestNow, host: HostNow, mounted: Sequence[Mount]) -> list[str]:
    """What all of a probe's files share with the guest's disks; nothing if some files are elsewhere."""
    kinds = {each.key: each.kind for each in host.stores}
    disks = [
        storage_stack.of_disk(each, kinds.get(each.store) if each.store else None, mounted) for each in guest.disks
    ]
    beneath = set().union(*disks)
    shared = [storage_stack.of_files(each, mounted) & beneath for each in probe.files]
    return sorted(set().union(*shared)) if all(shared) else []
