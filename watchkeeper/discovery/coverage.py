"""What discovery finds on this host and no probe of the configuration covers.

Discovery takes seconds and much memory, so it runs at most once a day, in a process of its own (examine.py), and what
it found is kept. The comparison with the configuration is pure and cheap, and is made at each call.
Listening ports are not examined: which of them must answer is the operator's decision, and each would get a request.
"""

import sys
from collections.abc import Callable, Iterator, Mapping, Sequence
from fnmatch import fnmatchcase
from pathlib import PurePosixPath

from pydantic import AwareDatetime, BaseModel, ConfigDict, ValidationError

from watchkeeper.config.types import ProbeSettings, WholePath
from watchkeeper.discovery.diff import covers
from watchkeeper.discovery.proposal import Thing
from watchkeeper.errors import ProbeError
from watchkeeper.probes.base import ProbeContext, Uncovered
from watchkeeper.probes.support.state import ProbeState, StateModel
from watchkeeper.probes.support.tools import SOCKET, RootsideSettings, run_tool

WORDS: Mapping[str, str] = {
    "after-reboot": "what does not come back after a reboot",
    "certificates": "certificates in files",
    "clock": "the clock",
    "directories": "which directories grow",
    "disk-latency": "latency of the disks",
    "filesystems": "file systems",
    "guest-agents": "what goes on inside guests",
    "hardware": "hardware errors, fans and voltages",
    "inotify": "watches of files (inotify)",
    "links": "network ports",
    "lvm": "LVM volume groups and thin pools",
    "btrfs": "btrfs file systems",
    "containers": "containers",
    "old-libraries": "services that run replaced libraries",
    "mail-queue": "the queue of the local mail server",
    "mapped-devices": "mapped devices and bcache",
    "memory": "memory",
    "self-check": "watchkeeper itself",
    "services": "restarts of services",
    "software": "the host's software: updates, restarts that are due, end of support",
    "storage-risks": "risks of the storage",
    "smart": "health of the disks (SMART)",
    "temperatures": "temperatures",
    "timers": "timers of systemd",
    "units": "units of systemd",
    "user-units": "units of users who need not be logged in",
}
"""What a kind covers that monitors everything of its sort; any other kind is named by the things that were found."""

BY_NAME = frozenset({"btrfs-snapshots", "device", "lvm-snapshots", "snapshots", "ups", "zfs-snapshots"})
"""Kinds whose probes monitor only what they name. A probe of any other kind monitors all of its sort."""


class FoundThing(BaseModel):
    """Something that a probe of this kind would cover. sockets: where the guests' monitors are."""

    model_config = ConfigDict(frozen=True)

    kind: str
    sort: str = ""
    name: str = ""
    example: str = ""
    sockets: tuple[str, ...] = ()

    @property
    def words(self) -> str:
        """What it is called."""
        like = f" (such as {self.example})" if self.example else ""
        return f"{self.sort} {self.name}{like}" if self.name else WORDS.get(self.kind, self.kind)


class HiddenThing(BaseModel):
    """Something that discovery could not examine. kinds: the kinds of probe that would cover it."""

    model_config = ConfigDict(frozen=True)

    kinds: tuple[str, ...]
    what: str
    why: str


class HostFound(StateModel):
    """What is kept of one examination. at: when it was; None if there was none."""

    at: AwareDatetime | None = None
    things: tuple[FoundThing, ...] = ()
    hidden: tuple[HiddenThing, ...] = ()


class HostCoverage:
    """Implements Coverage (probes/base.py). probes: returns the probes of the configuration in use."""

    def __init__(self, probes: Callable[[], Sequence[ProbeSettings]]) -> None:
        self._probes = probes
        self._kept: dict[str, ProbeState[HostFound]] = {}

    async def uncovered(
        self, context: ProbeContext, owner: str, look_every_s: float, timeout_s: float
    ) -> Sequence[Uncovered]:
        """List what no probe covers. Raises ProbeTimeout, StillHanging and ProbeError."""
        state = self._kept.setdefault(owner, ProbeState(context.probe_states, owner, HostFound()))
        found, now = await state.read(), context.clock.now()
        if found.at is None or not 0 <= (now - found.at).total_seconds() < look_every_s:
            found = await _examined(context, _helper(self._probes()), timeout_s)
            found = found.model_copy(update={"at": now})
            await state.write(found)
        return list(missing(found, self._probes()))


def _helper(probes: Sequence[ProbeSettings]) -> WholePath:
    return next((each.helper for each in probes if isinstance(each, RootsideSettings)), SOCKET)


async def _examined(context: ProbeContext, helper: WholePath, timeout_s: float) -> HostFound:
    """What another process found (examine.py). Raises ProbeTimeout, StillHanging and ProbeError."""
    argv = (sys.executable, "-I", "-m", "watchkeeper.discovery.examine", str(helper))
    text = await run_tool(context, argv, timeout_s)
    try:
        return HostFound.model_validate_json(text.encode("utf-8", "surrogateescape"))
    except ValidationError as error:
        raise ProbeError("the examination of this host printed something unexpected; restart the daemon") from error


def missing(found: HostFound, probes: Sequence[ProbeSettings]) -> Iterator[Uncovered]:
    """What none of these probes covers."""
    kinds = {each.kind for each in probes}
    for thing in found.things:
        if not any(_covers(each, thing) for each in probes if each.kind == thing.kind):
            yield Uncovered((thing.kind,), thing.words, _remedy(thing.kind, configured=thing.kind in kinds))
    for hidden in found.hidden:
        if not kinds & set(hidden.kinds):
            yield Uncovered(hidden.kinds, hidden.what, hidden.why)


def _covers(settings: ProbeSettings, thing: FoundThing) -> bool:
    if thing.kind in BY_NAME or (thing.name and covers(settings, Thing(thing.sort, thing.name, thing.example))):
        return covers(settings, Thing(thing.sort, thing.name, thing.example))
    if thing.sockets:
        patterns = getattr(settings, "sockets", ())
        return any(_alike(one, other) for one in patterns for other in thing.sockets)
    return True


def _alike(pattern: str, proposed: str) -> bool:
    """Whether a pattern of the configuration and a proposed one mean the same sockets: one folder, or a match."""
    return fnmatchcase(proposed, pattern) or PurePosixPath(pattern).parent == PurePosixPath(proposed).parent


def _remedy(kind: str, *, configured: bool) -> str:
    why = f"no probe of kind {kind} names it" if configured else f"no probe of kind {kind} is configured"
    return f"{why}; `watchkeeper discover` prints the table to add"
