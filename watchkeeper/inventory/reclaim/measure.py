"""What would deleting these snapshots free, and which to drop to gain time? Reads only, and changes nothing.

The stores are read in the modules beside this file; what their answers mean is in planning/reclaim/.
"""

import asyncio
import difflib
from collections.abc import Awaitable, Callable, Collection, Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path

from watchkeeper.errors import ProbeError, ToolMissing
from watchkeeper.inventory.level_history import past_of
from watchkeeper.inventory.reclaim import btrfs as freeing_btrfs
from watchkeeper.inventory.reclaim import files as freeing_files
from watchkeeper.inventory.reclaim import lvm as freeing_lvm
from watchkeeper.inventory.reclaim import zfs as freeing_zfs
from watchkeeper.inventory.reclaim.stores import StoreContext, StoreReader
from watchkeeper.messages.wording import no_end_phrase
from watchkeeper.model.forecast import Forecast
from watchkeeper.model.observation import SeriesKey
from watchkeeper.model.ports import ReadStore
from watchkeeper.os_errors import explained
from watchkeeper.planning.reclaim.gain import Recorded, needed_bytes, with_freed
from watchkeeper.planning.reclaim.order import left_of, thin_out
from watchkeeper.planning.reclaim.snapshots import (
    Candidate,
    Freed,
    Gain,
    Missing,
    ReclaimAnswer,
    SetHeld,
    StoreFreed,
    by_age,
    choose,
    like,
    must_stay,
    sets_of,
    total,
)
from watchkeeper.privileged.commands import MOUNTS
from watchkeeper.probes.base import ProbeContext
from watchkeeper.probes.support.tools import SOCKET, RootsideSettings
from watchkeeper.settings import Settings

TIMEOUT_S = 60.0
"""For one call of a tool: the same as the probes allow. A person is waiting."""

NEAR = 4
"""Maximum number of similar names listed for one that does not exist."""


@dataclass(frozen=True, slots=True)
class Ask:
    """The question. Each value that is given narrows it.

    names: of snapshots, in full or globs. of: what they are snapshots of. older_than_s: only those. store: the subject
    of one store. gain_s: how much later that store should be full. thin_out: drop first those whose neighbours in time
    are the closest, not the oldest.
    """

    names: tuple[str, ...] = ()
    of: tuple[str, ...] = ()
    older_than_s: float | None = None
    store: str | None = None
    gain_s: float | None = None
    thin_out: bool = False

    @property
    def chooses(self) -> bool:
        """Does it ask about some snapshots, and not all?"""
        return bool(self.names or self.of) or self.older_than_s is not None

    def fits(self, each: Candidate, now: datetime) -> bool:
        """Is this snapshot part of the question?"""
        named = not self.names or like(each.name, self.names)
        made_of = not self.of or like(each.of, self.of)
        young = self.older_than_s is not None and (now - each.made_at).total_seconds() <= self.older_than_s
        return named and made_of and not young


Finder = Callable[[StoreContext], Awaitable[Sequence[StoreReader]]]

FINDERS: tuple[tuple[str, Finder], ...] = (
    ("ZFS", freeing_zfs.look),
    ("LVM", freeing_lvm.look),
    ("btrfs", freeing_btrfs.look),
    ("files", freeing_files.look),
)
"""Every kind of store, with its name for the case that it cannot be read."""


async def reclaim(
    ask: Ask,
    settings: Settings,
    bench: ProbeContext,
    recorded: ReadStore | None,
    *,
    mountinfo: Path = MOUNTS,
    sysfs: Path = Path("/sys"),
    finders: Sequence[tuple[str, Finder]] = FINDERS,
) -> ReclaimAnswer:
    """Answer a question. recorded: the database, for the growth; None if there is none, then there is no time to full.

    finders: what reads each kind of store.

    Raises StoreError if the database cannot be read. What cannot be seen of the host is listed in the answer.
    """
    helper = next((each.helper for each in settings.probes if isinstance(each, RootsideSettings)), SOCKET)
    place = StoreContext(bench, settings, helper, TIMEOUT_S, mountinfo, sysfs)
    looked = await asyncio.gather(*(_look(name, finder, place) for name, finder in finders))
    holdings = [each for found, _ in looked for each in found]
    answer = _Answer(ask, holdings, recorded, bench.clock.now(), tuple(why for _, why in looked if why))
    return await answer.make()


async def _look(name: str, finder: Finder, place: StoreContext) -> tuple[Sequence[StoreReader], str]:
    """The stores of one kind, and why they could not be read."""
    try:
        return await finder(place), ""
    except ToolMissing:
        return (), ""  # Not on this host: nothing is missing.
    except ProbeError as error:
        return (), f"{name}: {error}"
    except OSError as error:
        return (), f"{name}: {explained(error)}: {error.filename}"


@dataclass(frozen=True, slots=True)
class _Answer:
    """One question in progress."""

    ask: Ask
    every: Sequence[StoreReader]
    recorded: ReadStore | None
    at: datetime
    unseen: tuple[str, ...]

    async def make(self) -> ReclaimAnswer:
        answer = ReclaimAnswer(self.at, sum(len(each.candidates) for each in self.every), unseen=self.unseen)
        missing = self._missing()
        if missing:
            return replace(answer, missing=missing)
        wanted = self.ask.store
        holdings = [each for each in self.every if wanted is None or like(each.key.subject, (wanted,))]
        if self.ask.gain_s is not None:
            if len(holdings) == 1:
                return replace(answer, gain=await self._gain(holdings[0], self.ask.gain_s))
            subjects = tuple(sorted(each.key.subject for each in holdings))
            return replace(answer, missing=(Missing("", subjects),))
        stores = await asyncio.gather(*(self._store(each) for each in holdings))
        found = tuple(each for each in stores if each.chosen or each.stuck)
        sets = () if self.ask.chooses else await _sets(holdings)
        return replace(answer, stores=found, sets=sets)

    def _missing(self) -> tuple[Missing, ...]:
        """What was asked for by a name that matches nothing."""
        ask, candidates = self.ask, [each for holding in self.every for each in holding.candidates]
        asked = [
            *_unmatched(ask.names, {each.name for each in candidates}),
            *_unmatched(ask.of, {each.of for each in candidates}),
        ]
        subjects = {each.key.subject for each in self.every}
        return (*asked, *_unmatched([ask.store] if ask.store is not None else [], subjects))

    async def _store(self, holding: StoreReader) -> StoreFreed:
        fitting = by_age(each for each in holding.candidates if self.ask.fits(each, self.at))
        chosen = tuple(each for each in fitting if not each.stuck)
        stuck = tuple(each for each in fitting if each.stuck)
        together = await holding.freed(chosen)
        found = StoreFreed(holding.key, chosen, stuck, together, total(each.alone for each in chosen))
        past = await self._past(holding.key) if chosen and self.ask.chooses else None
        if past is None:
            return found
        before, after = await self._full(past, 0), await self._full(past, together.bounds.least)
        return replace(found, before=before, after=after)

    async def _gain(self, holding: StoreReader, gain_s: float) -> Gain:
        stay = must_stay(holding.candidates, holding.limits, self.at)
        fitting = by_age(each for each in holding.candidates if self.ask.fits(each, self.at))
        order = [each for each in fitting if each not in stay]
        if self.ask.thin_out:
            order = thin_out(holding.candidates, order, self.at)
        kept = tuple((each, stay[each]) for each in fitting if each in stay)
        every, past = await holding.freed(order), await self._past(holding.key)
        before = await self._full(past, 0)
        need = None if past is None else await asyncio.to_thread(needed_bytes, past, gain_s, self.at.timestamp())
        drop = () if need is None else await _chosen(holding, order, need)
        freed = await holding.freed(drop)
        after = await self._full(past, (freed if drop else every).bounds.least)
        why = "" if need is not None else _hindrance(holding.key, before)
        left = left_of(holding.candidates, drop)
        return Gain(holding.key, gain_s, need, drop, freed, every, len(order), kept, left, before, after, why)

    async def _full(self, past: Recorded | None, freed_bytes: int) -> Forecast | None:
        """The time to full with that much freed. In a thread: with much history it takes a good part of a second."""
        return None if past is None else await asyncio.to_thread(with_freed, past, freed_bytes, self.at.timestamp())

    async def _past(self, key: SeriesKey) -> Recorded | None:
        """The recorded history of a level; None if there is none."""
        return None if self.recorded is None else await past_of(self.recorded, key, self.at)


def _unmatched(asked: Iterable[str], names: Collection[str]) -> list[Missing]:
    return [
        Missing(each, tuple(difflib.get_close_matches(each, sorted(names), NEAR, 0.4)))
        for each in asked
        if not any(like(name, (each,)) for name in names)
    ]


def _hindrance(key: SeriesKey, before: Forecast | None) -> str:
    if before is None:
        return f"there is no history of {key}; it needs some hours of monitoring first"
    if before.no_end is not None:
        return no_end_phrase(before.no_end)
    return "no amount of freed space would change its time to full"


async def _sets(holdings: Iterable[StoreReader]) -> tuple[SetHeld, ...]:
    """Every set, with what it holds together, the largest first."""
    found = await asyncio.gather(
        *(
            _held(holding, of, called, members)
            for holding in holdings
            for (of, called), members in sets_of(holding.candidates).items()
        )
    )
    return tuple(sorted(found, key=lambda each: (-each.together.bounds.least, -(each.together.bounds.most or 0))))


async def _held(holding: StoreReader, of: str, called: str, members: Sequence[Candidate]) -> SetHeld:
    free = [each for each in members if not each.stuck]
    together: Freed = await holding.freed(free)
    oldest, newest = members[0].made_at, members[-1].made_at
    return SetHeld(holding.key, of, called, len(members), oldest, newest, together, len(members) - len(free))


async def _chosen(holding: StoreReader, order: Sequence[Candidate], need_bytes: int) -> tuple[Candidate, ...]:
    """Let the chooser query the store until it has chosen."""
    steps = choose(order, need_bytes)
    try:
        asked = next(steps)
        while True:
            asked = steps.send((await holding.freed(asked)).bounds.least)
    except StopIteration as end:
        chosen: tuple[Candidate, ...] = end.value
        return chosen
