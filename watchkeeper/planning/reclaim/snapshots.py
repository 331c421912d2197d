"""What deleting snapshots would free: the data types, which snapshots must stay, and which to drop.

Nothing is deleted and nothing is read in here. The bytes that a set frees are computed in bounds.py, the time that
this gains in gain.py, and the sentences are in text.py.
"""

import re
from collections import defaultdict
from collections.abc import Collection, Generator, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from fnmatch import fnmatchcase

from watchkeeper.model.forecast import Forecast
from watchkeeper.model.observation import SeriesKey

AHEAD = timedelta(seconds=120)
"""If a snapshot is dated this far in the future, its time is not trusted: as in probes/storage/snapshot_sets.py."""

MOST_ASKED = 200
"""Maximum number of sets that the chooser has measured. A dry run takes 0.05 to 0.3 s, and a person is waiting."""

_NUMBERS = re.compile(r"\d+(?:[-_.:T]*\d+)*")


@dataclass(frozen=True, slots=True)
class Bounds:
    """Minimum and maximum number of bytes; most: None if not known."""

    least: int
    most: int | None

    @property
    def exact(self) -> bool:
        """Are both the same?"""
        return self.least == self.most

    def __add__(self, other: "Bounds") -> "Bounds":
        most = None if self.most is None or other.most is None else self.most + other.most
        return Bounds(self.least + other.least, most)


NOTHING = Bounds(0, 0)
UNKNOWN = Bounds(0, None)


def total(parts: Iterable[Bounds]) -> Bounds:
    """The sum of what is freed in places that share nothing."""
    return sum(parts, NOTHING)


@dataclass(frozen=True, slots=True)
class Candidate:
    """One snapshot that might be deleted.

    store: the level that it takes its space from. name: in full, as its own tool calls it. of: what it is a snapshot
    of. label: its own part of the name. alone: what deleting only this snapshot frees.
    stuck: why it cannot be deleted at present, in words; empty if nothing prevents it.
    """

    store: SeriesKey
    name: str
    of: str
    label: str
    made_at: datetime
    alone: Bounds
    stuck: str = ""


@dataclass(frozen=True, slots=True)
class SetLimit:
    """A configured limit on a set of snapshots: a newer one is due within max_age_s. Globs as in the configuration."""

    name: str
    of: tuple[str, ...]
    called: tuple[str, ...]
    exclude: tuple[str, ...]
    max_age_s: float

    def covers(self, candidate: Candidate) -> bool:
        """Is this snapshot part of the set that the limit is on?"""
        left_out = like(candidate.of, self.exclude)
        return like(candidate.of, self.of) and not left_out and like(candidate.label, self.called)


@dataclass(frozen=True, slots=True)
class Freed:
    """What deleting some snapshots together frees; why: the reasons why that is not known exactly, or is not all.

    set_aside: the part of it that is in no snapshot, but was kept free because of them.
    """

    bounds: Bounds
    why: tuple[str, ...] = ()
    set_aside: Bounds = NOTHING


@dataclass(frozen=True, slots=True)
class SetHeld:
    """The snapshots of one thing with similar names, and what they hold together. stuck: how many cannot be deleted."""

    store: SeriesKey
    of: str
    called: str
    count: int
    oldest_at: datetime
    newest_at: datetime
    together: Freed
    stuck: int = 0


@dataclass(frozen=True, slots=True)
class StoreFreed:
    """The answer for one store. chosen: what would be deleted. stuck: what was named too, and cannot be.

    alone: the sum of what each of them frees when only it is deleted. before, after: the time to full now, and with the
    minimum of it freed; None if nothing is recorded of the store.
    """

    store: SeriesKey
    chosen: tuple[Candidate, ...]
    stuck: tuple[Candidate, ...]
    together: Freed
    alone: Bounds
    before: Forecast | None = None
    after: Forecast | None = None


@dataclass(frozen=True, slots=True)
class Left:
    """What is left of the snapshots of one thing, as counts before and after. oldest_at: None if none is left."""

    of: str
    before: int
    after: int
    oldest_at: datetime | None


@dataclass(frozen=True, slots=True)
class Gain:
    """Which snapshots to drop so that a store's likely time to full moves by `asked_s`.

    need_bytes: what must be freed for that; None if no growth is known, then `hindrance` says why.
    drop: empty if it cannot be gained. all_of_them: what dropping all that may be dropped would free.
    kept: what was not considered, and why. left: what is left then. before, after: the time to full now, and with the
    minimum of `freed` freed; if it cannot be gained, with that of all that may be dropped.
    """

    store: SeriesKey
    asked_s: float
    need_bytes: int | None
    drop: tuple[Candidate, ...]
    freed: Freed
    all_of_them: Freed
    droppable: int
    kept: tuple[tuple[Candidate, str], ...]
    left: tuple[Left, ...]
    before: Forecast | None
    after: Forecast | None
    hindrance: str = ""

    @property
    def enough(self) -> bool:
        """Is there a set that certainly gains it?"""
        return bool(self.drop)


@dataclass(frozen=True, slots=True)
class Missing:
    """Something that was asked for and matches nothing. near: similar names.

    asked: empty if a store has to be named and was not; near then holds the existing ones.
    """

    asked: str
    near: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class ReclaimAnswer:
    """The whole answer. Only the parts that were asked for are filled.

    seen: how many snapshots there are in all. missing: what was asked for and does not exist; then nothing else is
    answered. unseen: stores that could not be read, with the reason and the remedy.
    """

    at: datetime
    seen: int = 0
    stores: tuple[StoreFreed, ...] = ()
    sets: tuple[SetHeld, ...] = ()
    gain: Gain | None = None
    missing: tuple[Missing, ...] = ()
    unseen: tuple[str, ...] = ()


def like(name: str, globs: Iterable[str]) -> bool:
    """Does a name match any of some globs? A glob that equals the name matches it literally, including any bracket."""
    return any(name == glob or fnmatchcase(name, glob) for glob in globs)


def called(label: str) -> str:
    """The set that a snapshot's name puts it in: `daily-3` is one of `daily-*`, `auto_2026-11-25_04:00` of `auto_*`."""
    return _NUMBERS.sub("*", label)


def sets_of(candidates: Iterable[Candidate]) -> Mapping[tuple[str, str], list[Candidate]]:
    """Snapshots of one thing with similar names, each set oldest first."""
    found: dict[tuple[str, str], list[Candidate]] = defaultdict(list)
    for each in by_age(candidates):
        found[each.of, called(each.label)].append(each)
    return found


def by_age(candidates: Iterable[Candidate]) -> list[Candidate]:
    """The oldest first; at the same time, first the one that frees the most alone, then by name."""
    return sorted(candidates, key=lambda each: (each.made_at, -each.alone.least, each.name))


def must_stay(candidates: Collection[Candidate], limits: Iterable[SetLimit], now: datetime) -> dict[Candidate, str]:
    """Snapshots that are never proposed, each with the reason.

    Those that cannot be deleted, and the newest of every set, whether a limit defines the set or its names alone do. If
    some are dated in the future, the newest of the others stays too: it may be the real one.
    """
    stay = {each: each.stuck for each in candidates if each.stuck}
    for limit in limits:
        covered: dict[str, list[Candidate]] = defaultdict(list)
        for each in candidates:
            if limit.covers(each):
                covered[each.of].append(each)
        for members in covered.values():
            for newest in _newest(members, now):
                stay.setdefault(newest, f"the newest of {limit.name}, which is monitored for its age")
    for (_, name), members in sets_of(candidates).items():
        for newest in _newest(members, now):
            why = "the only one of its set" if len(members) == 1 else f"the newest of {name}"
            stay.setdefault(newest, why)
    return stay


def _newest(members: Sequence[Candidate], now: datetime) -> set[Candidate]:
    """The newest of all, and the newest whose time can be true."""
    true = [each for each in members if each.made_at <= now + AHEAD]
    return {by_age(some)[-1] for some in (members, true) if some}


def choose(order: Sequence[Candidate], need_bytes: int) -> Generator[frozenset[Candidate], int, tuple[Candidate, ...]]:
    """Find which to drop so that `need_bytes` are certainly freed. Yields sets; is sent the minimum each would free.

    First it finds the fewest from the beginning of the order that suffice; then, from the end of those, it keeps
    whatever is not needed. Deleting more never frees less, so what cannot be kept at one point cannot be kept later:
    nothing in the answer could stay. Returns nothing if all of them together do not suffice.
    """
    if not order or (yield frozenset(order)) < need_bytes:
        return ()
    short, enough = 0, len(order)
    while enough - short > 1:
        middle = (short + enough) // 2
        if (yield frozenset(order[:middle])) < need_bytes:
            short = middle
        else:
            enough = middle
    # The last of them is needed: without it there was too little.
    dropped = yield from _without_idle(list(order[:enough]), need_bytes)
    return tuple(dropped)


def _without_idle(
    dropped: list[Candidate], need_bytes: int
) -> Generator[frozenset[Candidate], int, Sequence[Candidate]]:
    """Keep what need not be dropped, large parts first, so that few sets are measured."""
    part, asked = len(dropped) // 2, 0
    while part and asked < MOST_ASKED:
        end = len(dropped) - 1
        while end > 0 and asked < MOST_ASKED:
            start = max(end - part, 0)
            fewer = dropped[:start] + dropped[end:]
            asked += 1
            if (yield frozenset(fewer)) >= need_bytes:
                dropped = fewer
            end = start
        part //= 2
    return dropped
