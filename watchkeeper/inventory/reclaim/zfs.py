"""ZFS: its snapshots, and what a set of them frees according to the pool's own dry run.

`zfs destroy -n` destroys nothing: it prints what would be destroyed and how much that would free (zfs-destroy(8)). This
file is the only one that contains that word, and no command line leaves it except through `guarded`: the program, the
word, `-n` right after it, and one target made of names that `zfs list` has just printed. User input never gets here.

What the dry run does (OpenZFS 2.1, cmd/zfs/zfs_main.c: zfs_do_destroy, destroy_print_cb): it goes through the dataset's
snapshots in the order of their creation, and asks the kernel for each run without a gap what is born and freed within
it (lzc_snaprange_space); the sum is `reclaim`. A block's life is one such run, so the sum is exact for any set. It
needs no privilege (the kernel only asks for read permission). A clone makes it fail; it does not mention a hold, so
holds are read from `userrefs`.
"""

import asyncio
import re
from collections import defaultdict
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

from watchkeeper.errors import ProbeError
from watchkeeper.inventory.reclaim.stores import StoreContext
from watchkeeper.model.observation import SeriesKey
from watchkeeper.planning.reclaim.bounds import Aside, Charged, among_neighbours, given_back, reaches_pool, runs
from watchkeeper.planning.reclaim.snapshots import Bounds, Candidate, Freed, SetLimit, total
from watchkeeper.probes.storage.zfs.snapshots import ZfsSnapshotsSettings
from watchkeeper.probes.support.sanitize import clip, printable
from watchkeeper.probes.support.tools import run_tool

DRY_RUN = ("zfs", "destroy", "-n", "-v", "-p")

SNAPSHOT_FIELDS = ("name", "creation", "createtxg", "used", "userrefs", "clones")
LIST_SNAPSHOTS = ("zfs", "list", "-Hp", "-t", "snapshot", "-o", ",".join(SNAPSHOT_FIELDS))

DATASET_FIELDS = (
    "name", "used", "usedbydataset", "usedbysnapshots", "usedbyrefreservation", "refreservation", "reservation",
)  # fmt: skip
LIST_DATASETS = ("zfs", "list", "-Hp", "-t", "filesystem,volume", "-o", ",".join(DATASET_FIELDS))

LIST_CHECKPOINTS = ("zpool", "list", "-Hp", "-o", "name,checkpoint")
"""What a pool's checkpoint takes; `-` if there is none (zpoolprops(7))."""

CHECKPOINT = "the pool has a checkpoint: blocks that existed when it was made are freed only when it is discarded"

LATEST_S = 253_402_300_799
"""The year 9999, the last one of a datetime."""

AT_ONCE = 4
"""Maximum concurrent dry runs: one for each dataset, and a pool processes them one after the other anyway."""

_COMPONENT = r"[A-Za-z0-9_.: -]+"
_TARGET = re.compile(rf"[A-Za-z]{_COMPONENT[:-1]}*(?:/{_COMPONENT})*@{_COMPONENT}(?:[%,]{_COMPONENT})*")
"""A dataset's name and names of its snapshots, of the characters that OpenZFS allows (zcommon/zfs_namecheck.c); a
pool's name begins with a letter, so this is never taken for an option."""


class NoDryRun(ProbeError):
    """A command line was built that is not a dry run; it is not run."""


def dry_run(dataset: str, stretches: Sequence[Sequence[str]]) -> tuple[str, ...]:
    """The command line that asks what these snapshots of a dataset free. Raises NoDryRun if it would be another.

    stretches: their own names, in runs without a gap in the order of their creation.
    """
    names = (stretch[0] if len(stretch) == 1 else f"{stretch[0]}%{stretch[-1]}" for stretch in stretches)
    return guarded((*DRY_RUN, f"{dataset}@{','.join(names)}"))


def guarded(argv: tuple[str, ...]) -> tuple[str, ...]:
    """Return a command line that can change nothing. Raises NoDryRun for any other."""
    # Written out a second time on purpose, so that a change of the constant alone is rejected.
    if argv[:5] != ("zfs", "destroy", "-n", "-v", "-p") or len(argv) != 6 or not _TARGET.fullmatch(argv[5]):
        raise NoDryRun(f"{clip(' '.join(argv))} is not a dry run of ZFS, so it is not run")
    return argv


@dataclass(frozen=True, slots=True)
class Taken:
    """One line of the list of snapshots. used: what it holds alone."""

    dataset: str
    label: str
    made_at: datetime
    txg: int
    used: int
    holds: int
    clones: str

    @property
    def name(self) -> str:
        """The name that ZFS uses."""
        return f"{self.dataset}@{self.label}"

    @property
    def stuck(self) -> str:
        """Why it cannot be destroyed."""
        if self.clones:
            return f"a clone depends on it: {clip(self.clones)}"
        return f"it has a hold ({self.holds}): see zfs holds and zfs release" if self.holds else ""


@dataclass(frozen=True, slots=True)
class Dataset:
    """One line of the list of datasets, in bytes."""

    name: str
    used: int
    own: int
    snapshots: int
    reserved: int
    refreservation: int
    reservation: int


def _rows(text: str, width: int) -> Iterator[list[str]]:
    for line in text.split("\n"):
        if line:
            row = line.split("\t")
            if len(row) != width:
                raise ProbeError(f"zfs list printed an unexpected line: {clip(line)}")
            yield row


def _number(text: str) -> int:
    """A number of the machine-readable form; `-`, for none, is 0."""
    return int(text) if text.isdecimal() and text.isascii() else 0


def read_taken(text: str) -> list[Taken]:
    """Parse LIST_SNAPSHOTS, in the order of creation. Raises ProbeError if a line does not fit."""
    found = []
    for name, creation, txg, used, holds, clones in _rows(text, len(SNAPSHOT_FIELDS)):
        dataset, _, label = name.partition("@")
        made_at = datetime.fromtimestamp(min(_number(creation), LATEST_S), UTC)
        rests = "" if clones == "-" else clones
        found.append(Taken(dataset, label, made_at, _number(txg), _number(used), _number(holds), rests))
    return sorted(found, key=lambda each: each.txg)


def read_datasets(text: str) -> dict[str, Dataset]:
    """Parse LIST_DATASETS. Raises ProbeError if a line does not fit."""
    rows = _rows(text, len(DATASET_FIELDS))
    return {name: Dataset(name, *(_number(each) for each in numbers)) for name, *numbers in rows}


def read_reclaimed(text: str, asked: Collection[str]) -> int:
    """The bytes that a dry run reports. Raises ProbeError if it names other snapshots than the requested ones."""
    named, reclaimed = set(), None
    for line in text.split("\n"):
        word, _, value = line.partition("\t")
        if word == "destroy":
            named.add(value)
        elif word == "reclaim" and value.isdecimal():
            reclaimed = int(value)
    if reclaimed is None or named != set(asked):
        raise ProbeError("the dry run names other snapshots than the list: some were made or deleted meanwhile")
    return reclaimed


class ZfsHolding:
    """The snapshots of one pool."""

    def __init__(
        self,
        pool: str,
        place: StoreContext,
        taken: Sequence[Taken],
        datasets: Mapping[str, Dataset],
        *,
        checkpoint: bool = False,
    ) -> None:
        self.key = SeriesKey(f"pool {printable(pool)}", "space")
        self._place, self._checkpoint = place, checkpoint
        self._datasets = datasets
        self._taken: dict[str, list[Taken]] = defaultdict(list)
        for each in taken:
            self._taken[each.dataset].append(each)
        self.candidates = [
            Candidate(self.key, each.name, each.dataset, each.label, each.made_at, Bounds(each.used, each.used),
                      each.stuck)
            for each in taken
        ]  # fmt: skip
        self.limits = limits(place)
        self._at_once = asyncio.Semaphore(AT_ONCE)
        self._known: dict[tuple[str, frozenset[str]], Freed] = {}

    async def freed(self, chosen: Collection[Candidate]) -> Freed:
        """What destroying these frees: each dataset's part by a dry run, or by its counts if there is none."""
        of: dict[str, set[str]] = defaultdict(set)
        for each in chosen:
            of[each.of].add(each.label)
        names = sorted(of)
        parts = await asyncio.gather(*(self._of_dataset(name, frozenset(of[name])) for name in names))
        tree = {name: Charged(each.used, each.reservation) for name, each in self._datasets.items()}
        found = {name: part.bounds for name, part in zip(names, parts, strict=True)}
        bounds, flat = reaches_pool(found, tree), total(found.values())
        why = {reason: None for part in parts for reason in part.why}
        if bounds != flat:
            why["some of it is covered by a reservation that is not used up, and is not returned to the pool"] = None
        if self._checkpoint and bounds.most != 0:
            bounds, why[CHECKPOINT] = Bounds(0, bounds.most), None
        return Freed(bounds, tuple(why), total(part.set_aside for part in parts))

    async def _of_dataset(self, name: str, labels: frozenset[str]) -> Freed:
        known = self._known.get((name, labels))
        if known is None:
            known = self._known[name, labels] = await self._asked(name, labels)
        return known

    async def _asked(self, name: str, labels: frozenset[str]) -> Freed:
        order = [each.label for each in self._taken[name]]
        why: tuple[str, ...] = ()
        try:
            blocks = await self._dry_run(name, runs(order, labels))
        except ProbeError as error:
            blocks = self._by_counts(name, labels)
            why = (
                ()
                if blocks.exact
                else (f"the dry run for {printable(name)} failed, so the figure comes from its own counts: {error}",)
            )
        aside = self._given_back(name, labels, order)
        if not aside.exact:
            why += (
                f"{printable(name)} has a reservation; deleting its newest snapshot returns part of it to the pool",
            )
        return Freed(blocks + aside, why, aside)

    async def _dry_run(self, name: str, stretches: Sequence[Sequence[str]]) -> Bounds:
        argv = dry_run(name, stretches)
        asked = {f"{name}@{label}" for stretch in stretches for label in stretch}
        async with self._at_once:
            found = read_reclaimed(await run_tool(self._place.bench, argv, self._place.timeout_s), asked)
        return Bounds(found, found)

    def _by_counts(self, name: str, labels: frozenset[str]) -> Bounds:
        chosen, kept = (
            [each.used for each in self._taken[name] if (each.label in labels) is wanted] for wanted in (True, False)
        )
        at = self._datasets.get(name)
        if at is None:  # It was renamed or destroyed between the two lists.
            return Bounds(sum(chosen), None)
        return among_neighbours(chosen, kept, at.snapshots)

    def _given_back(self, name: str, labels: frozenset[str], order: Sequence[str]) -> Bounds:
        at = self._datasets.get(name)
        aside = Aside(at.refreservation, at.reserved, at.own) if at else Aside(0, 0, 0)
        return given_back(aside, newest_goes=order[-1] in labels, all_go=labels >= set(order))


def limits(place: StoreContext) -> list[SetLimit]:
    """The configuration's limits on sets of ZFS snapshots."""
    return [
        SetLimit(each.name, each.origins, each.name_pattern, each.exclude, each.max_age)
        for each in place.settings.probes
        if isinstance(each, ZfsSnapshotsSettings)
    ]


async def look(place: StoreContext) -> list[ZfsHolding]:
    """Every pool with snapshots. Raises ProbeError, and ToolMissing if there is no ZFS here."""
    snapshots, datasets = await asyncio.gather(
        *(run_tool(place.bench, argv, place.timeout_s) for argv in (LIST_SNAPSHOTS, LIST_DATASETS))
    )
    taken, tree = read_taken(snapshots), read_datasets(datasets)
    pools = {each.dataset.partition("/")[0]: None for each in taken}
    kept = await _checkpoints(place) if pools else set()
    return [
        ZfsHolding(
            pool,
            place,
            [each for each in taken if each.dataset.partition("/")[0] == pool],
            {name: each for name, each in tree.items() if name.partition("/")[0] == pool},
            checkpoint=pool in kept,
        )
        for pool in pools
    ]


async def _checkpoints(place: StoreContext) -> set[str]:
    """The pools that keep a checkpoint. If that cannot be queried, none: a forgotten one is then not reported."""
    try:
        text = await run_tool(place.bench, LIST_CHECKPOINTS, place.timeout_s)
    except ProbeError:
        return set()
    return {name for name, taken in _rows(text, 2) if _number(taken)}
