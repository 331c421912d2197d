"""What discovery finds on this host and no probe of the configuration covers.

Discovery takes seconds of other programs' time, so it runs at most once a day, in a thread with an event loop of its
own, and what it found is kept. The comparison with the configuration is pure and cheap, and is made at each call.
Listening ports are not examined: which of them must answer is the operator's decision, and each would get a request.
"""

import asyncio
from collections.abc import Callable, Iterator, Mapping, Sequence
from fnmatch import fnmatchcase
from functools import partial
from pathlib import PurePosixPath

from pydantic import AwareDatetime, BaseModel, ConfigDict

from watchkeeper.clock import Clock
from watchkeeper.config.types import ProbeSettings, WholePath
from watchkeeper.discovery.diff import covers
from watchkeeper.discovery.host import Host
from watchkeeper.discovery.proposal import Proposal, Thing
from watchkeeper.discovery.registry import FINDERS, Section, discover
from watchkeeper.probes.base import ProbeContext, Uncovered
from watchkeeper.probes.guests.guests import GuestsSettings
from watchkeeper.probes.support.sanitize import clip, printable
from watchkeeper.probes.support.state import ProbeState, StateModel
from watchkeeper.probes.support.tools import SOCKET, RootsideSettings
from watchkeeper.probes.support.workers import ThreadWorkers

WORDS: Mapping[str, str] = {
    "after-reboot": "what does not come back after a reboot",
    "clock": "the clock",
    "disk-latency": "latency of the disks",
    "filesystems": "file systems",
    "lvm": "LVM volume groups and thin pools",
    "btrfs": "btrfs file systems",
    "mail-queue": "the queue of the local mail server",
    "memory": "memory",
    "self-check": "watchkeeper itself",
    "services": "restarts of services",
    "smart": "health of the disks (SMART)",
    "temperatures": "temperatures",
    "timers": "timers of systemd",
    "units": "units of systemd",
    "user-units": "units of users who need not be logged in",
}
"""What a kind covers that monitors everything of its sort; any other kind is named by the things that were found."""

BY_NAME = frozenset({"btrfs-snapshots", "device", "lvm-snapshots", "snapshots", "zfs-snapshots"})
"""Kinds whose probes monitor only what they name. A probe of any other kind monitors all of its sort."""

THINGS_LIMIT = 500


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
        return clip(f"{self.sort} {self.name}{like}" if self.name else WORDS.get(self.kind, self.kind), 200)


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
        state = self._kept.setdefault(owner, ProbeState(context.notes, owner, HostFound()))
        found, now = await state.read(), context.clock.now()
        if found.at is None or not 0 <= (now - found.at).total_seconds() < look_every_s:
            work = partial(_examine, context.clock, _helper(self._probes()))
            found = summary(await context.workers.call("this host", work, timeout_s)).model_copy(update={"at": now})
            await state.write(found)
        return list(missing(found, self._probes()))


def _helper(probes: Sequence[ProbeSettings]) -> WholePath:
    return next((each.helper for each in probes if isinstance(each, RootsideSettings)), SOCKET)


def _examine(clock: Clock, helper: WholePath) -> list[Section]:
    """Run the finders in this thread."""
    workers = ThreadWorkers()
    host = Host(ProbeContext(clock, workers), list, helper=helper, ask_web=False)
    try:
        return asyncio.run(discover(host, [each for each in FINDERS if each.kinds]))
    finally:
        workers.close()


def summary(sections: Sequence[Section]) -> HostFound:
    """What has to be covered of what was found: proposals that are in force, and what could not be examined."""
    things = [thing for section in sections for each in section.found.proposals for thing in _things(each)]
    hidden = [
        HiddenThing(
            kinds=section.kinds,
            what=printable(each.what),
            why=clip(f"{each.why.rstrip('.')}. {each.remedy}".rstrip(" ."), 400),
        )
        for section in sections
        for each in section.found.unseen
    ]
    return HostFound(things=tuple(things[:THINGS_LIMIT]), hidden=tuple(hidden[:THINGS_LIMIT]))


def _things(proposal: Proposal) -> Iterator[FoundThing]:
    if proposal.offered:
        return
    value = next((key.value for key in proposal.keys if key.name == "sockets"), ())
    sockets = (
        tuple(printable(str(each)) for each in value) if proposal.kind == "guests" and isinstance(value, tuple) else ()
    )
    for each in proposal.things:
        name, example = printable(each.name), printable(each.example)
        yield FoundThing(kind=proposal.kind, sort=each.sort, name=name, example=example, sockets=sockets)
    if not proposal.things:
        yield FoundThing(kind=proposal.kind, sockets=sockets)


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
    if isinstance(settings, GuestsSettings) and thing.sockets:
        return any(_alike(one, other) for one in settings.sockets for other in thing.sockets)
    return True


def _alike(pattern: str, proposed: str) -> bool:
    """Whether a pattern of the configuration and a proposed one mean the same sockets: one folder, or a match."""
    return fnmatchcase(proposed, pattern) or PurePosixPath(pattern).parent == PurePosixPath(proposed).parent


def _remedy(kind: str, *, configured: bool) -> str:
    why = f"no probe of kind {kind} names it" if configured else f"no probe of kind {kind} is configured"
    return f"{why}; `watchkeeper discover` prints the table to add"
