"""What changed about guests from one look to the next: started, stopped, enlarged, moved to another file. Pure.

A guest that was stopped and started again within one interval is not seen. Not here: what is kept of a guest
(guests.py).
"""

from collections.abc import Iterator, Mapping
from collections.abc import Set as AbstractSet
from dataclasses import dataclass
from datetime import datetime

from pydantic import BaseModel, ConfigDict, Field

from watchkeeper.model.change import Change, ChangeKind
from watchkeeper.model.units import format_size
from watchkeeper.probes.guests.qmp import Guest
from watchkeeper.probes.support.sanitize import clip


class KnownGuest(BaseModel):
    """What a guest had when it was seen last: its disks' files with their sizes, its memory and its vCPUs."""

    model_config = ConfigDict(frozen=True)

    disks: Mapping[str, int | None] = Field(default_factory=dict)
    memory_bytes: int | None = None
    vcpus: int | None = None


def given_to(guest: Guest) -> KnownGuest:
    """What a guest has, without the values that change from sample to sample."""
    disks = {disk.file: disk.size_bytes for disk in guest.disks}
    return KnownGuest(disks=disks, memory_bytes=guest.promised_bytes, vcpus=guest.vcpus)


@dataclass(frozen=True, slots=True)
class Between:
    """Two looks. before, now: what each guest had, by name. ran, runs: the guests that answered, at each look."""

    before: Mapping[str, KnownGuest]
    now: Mapping[str, KnownGuest]
    ran: AbstractSet[str]
    runs: AbstractSet[str]
    looked_at: datetime
    seen_at: datetime

    def changes(self) -> Iterator[Change]:
        """What changed from the first look to the second."""
        for name in sorted(self.ran | self.runs):
            if name not in self.ran:
                yield self._change(name, "started" if name in self.before else "appeared", "")
            elif name not in self.runs:
                yield self._change(name, "stopped", "")
            if name in self.before and name in self.now:
                for action, detail in _given(self.before[name], self.now[name]):
                    yield self._change(name, action, detail)

    def _change(self, name: str, action: str, detail: str) -> Change:
        return Change(self.seen_at, ChangeKind.GUEST, clip(name), action, detail, self.looked_at)


def _given(old: KnownGuest, new: KnownGuest) -> Iterator[tuple[str, str]]:
    """What it was given, or lost: an action and its detail."""
    before, after = old.memory_bytes, new.memory_bytes
    if before and after and before != after:
        yield _grew(before, after), f"memory from {format_size(before)} to {format_size(after)}"
    if old.vcpus and new.vcpus and old.vcpus != new.vcpus:
        yield _grew(old.vcpus, new.vcpus), f"from {old.vcpus} to {new.vcpus} vCPUs"
    yield from _disks(old.disks, new.disks)


def _grew(before: int, after: int) -> str:
    return "enlarged" if after > before else "reduced"


def _disks(old: Mapping[str, int | None], new: Mapping[str, int | None]) -> Iterator[tuple[str, str]]:
    gone, come = sorted(old.keys() - new.keys()), sorted(new.keys() - old.keys())
    for file in sorted(old.keys() & new.keys()):
        before, after = old[file], new[file]
        if before and after and before != after:
            yield _grew(before, after), f"disk {clip(file)} from {format_size(before)} to {format_size(after)}"
    if len(gone) == len(come) == 1:
        yield "moved", f"disk {clip(gone[0])} to {clip(come[0])}"
        return
    for file in gone:
        yield "changed", f"without disk {clip(file)}"
    for file in come:
        yield "changed", f"with disk {clip(file)}"
