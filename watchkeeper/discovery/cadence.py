"""Sorts snapshots into sets by the pattern of their names, and determines how often each set was taken. Pure.

A name is split into a fixed beginning, a counter or date, and a fixed end: `hourly-2026-11-25-0800` belongs to
`hourly-*`. What is proposed for a set is in discovery/finders/storage/snapshots.py.
"""

import math
import re
import statistics
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from fnmatch import fnmatchcase
from itertools import pairwise

from watchkeeper.discovery.toml import literal
from watchkeeper.model.units import format_duration
from watchkeeper.probes.storage.snapshot_ages import Snapshot
from watchkeeper.probes.storage.snapshot_sets import Origin

RECENT_GAPS = 12
"""Number of newest gaps of each origin that count: a set that is thinned out with age keeps its cadence there."""

LEAST_GAPS = 3
"""With fewer gaps between snapshots there is no cadence."""

SHARE_COUNTED = 0.9
"""This share of the gaps sets the limit: a set that pauses at weekends keeps those gaps, one outage does not count."""

SHORTEST_S = 60.0
"""Snapshots closer together were taken by hand or in one run, and have no cadence."""

SPARE_SHARE = 0.1
SPARE_LEAST_S = 3_600.0
"""The margin of a limit: a tenth of the time between two snapshots, or an hour, but no more than that time itself."""

_DIGIT = re.compile(r"[0-9]")
_STEPS = ((3_600.0, 60.0), (21_600.0, 300.0), (3 * 86_400.0, 3_600.0), (math.inf, 86_400.0))
_WORDS = ((3_000, 4_200, "hourly"), (72_000, 100_800, "daily"), (518_400, 691_200, "weekly"),
          (2_246_400, 3_024_000, "monthly"))  # fmt: skip


@dataclass(frozen=True, slots=True)
class Shape:
    """The fixed beginning and end of a name."""

    begin: str
    end: str

    def loose(self) -> tuple[str, ...]:
        """The glob that people would write."""
        return (f"{literal(self.begin)}*{literal(self.end)}",)

    def exact(self) -> tuple[str, ...]:
        """Globs that require digits where the name has them, so that they match no other set's names."""
        begin, end = literal(self.begin), literal(self.end)
        return (f"{begin}[0-9]{end}", f"{begin}[0-9]*[0-9]{end}")


@dataclass(frozen=True, slots=True)
class Cadence:
    """How often a set was taken. usual_s: the median of its gaps. counted_s: the longest gap that counts.

    gaps: how many there were.
    """

    usual_s: float
    counted_s: float
    gaps: int

    @property
    def word(self) -> str:
        """`daily`, or `every 15m`."""
        named = next((word for low, high, word in _WORDS if low <= self.usual_s <= high), "")
        return named or f"every {format_duration(round(self.usual_s / 60) * 60)}"

    @property
    def tempo(self) -> str:
        """The word, or if there is none a step on a scale of factor 1.5: equal for cadences that differ little."""
        step = round(math.log(self.usual_s, 1.5))
        return self.word if not self.word.startswith("every") else f"step {step}"

    @property
    def spare_s(self) -> float:
        """The margin of the limit."""
        return max(SPARE_SHARE * self.counted_s, min(SPARE_LEAST_S, self.counted_s))

    @property
    def limit_s(self) -> float:
        """The longest gap that counts, plus the margin, rounded up."""
        return rounded_up_s(self.counted_s + self.spare_s)


@dataclass(frozen=True, slots=True)
class SnapshotSet:
    """The snapshots of one shape. called: globs of their names. cadence: None if they have no cadence.

    behind_at: the newest snapshot of the origin that has waited longest for its next one.
    size_bytes, least_bytes: of all, and of the smallest.
    """

    called: tuple[str, ...]
    origins: tuple[str, ...]
    count: int
    example: str
    oldest_at: datetime
    newest_at: datetime
    behind_at: datetime
    size_bytes: int
    least_bytes: int
    cadence: Cadence | None


def shape_of(name: str) -> Shape:
    """The fixed parts of a name; a name without digits is all beginning."""
    digits = [found.start() for found in _DIGIT.finditer(name)]
    return Shape(name[: digits[0]], name[digits[-1] + 1 :]) if digits else Shape(name, "")


def sets_of(origins: Iterable[Origin]) -> list[SnapshotSet]:
    """The sets, each with its origins and cadence, the one that was taken most often first."""
    by_shape: dict[tuple[Shape, bool], dict[str, list[Snapshot]]] = defaultdict(lambda: defaultdict(list))
    for origin in origins:
        for each in origin.snapshots:
            by_shape[shape_of(each.name), bool(_DIGIT.search(each.name))][origin.name].append(each)
    names = {key: [one.name for each in of.values() for one in each] for key, of in by_shape.items()}
    found = [_set(_called(key, names), alike) for key, of in by_shape.items() for alike in _alike(of)]
    return sorted(
        found, key=lambda each: (each.cadence is None, each.cadence.usual_s if each.cadence else 0, each.called)
    )


def _called(key: tuple[Shape, bool], names: dict[tuple[Shape, bool], list[str]]) -> tuple[str, ...]:
    """The loose glob, unless it would match names of another set."""
    shape, counted = key
    if not counted:
        return (literal(shape.begin),)
    others = (name for other, listed in names.items() if other != key for name in listed)
    loose = shape.loose()
    return shape.exact() if any(fnmatchcase(name, loose[0]) for name in others) else loose


def _newest(snapshots: Sequence[Snapshot]) -> datetime:
    return max(each.made_at for each in snapshots)


def _alike(of: dict[str, list[Snapshot]]) -> list[dict[str, list[Snapshot]]]:
    """The origins of one shape, grouped by their own cadence: one program may name its hourly and daily ones alike.

    An origin without a cadence joins the largest group, unless its newest snapshot is older than that group allows.
    """
    own = {name: cadence_of([_gaps_s(snapshots)]) for name, snapshots in of.items()}
    groups: dict[str, dict[str, list[Snapshot]]] = defaultdict(dict)
    for name, cadence in own.items():
        if cadence is not None:
            groups[cadence.tempo][name] = of[name]
    if not groups:
        return [of]
    most = max(groups.values(), key=len)
    limit_s = max(cadence.limit_s for name in most if (cadence := own[name]))
    newest_at = max(_newest(snapshots) for snapshots in most.values())
    loose = {name: snapshots for name, snapshots in of.items() if own[name] is None}
    behind = {name: each for name, each in loose.items() if (newest_at - _newest(each)).total_seconds() > limit_s}
    most |= {name: snapshots for name, snapshots in loose.items() if name not in behind}
    return [*groups.values(), *([behind] if behind else [])]


def _set(called: tuple[str, ...], of: dict[str, list[Snapshot]]) -> SnapshotSet:
    every = [each for snapshots in of.values() for each in snapshots]
    newest = {name: max(each.made_at for each in snapshots) for name, snapshots in of.items()}
    return SnapshotSet(
        called,
        tuple(sorted(of)),
        len(every),
        max(every, key=lambda each: each.made_at).name,
        min(each.made_at for each in every),
        max(newest.values()),
        min(newest.values()),
        sum(each.size_bytes or 0 for each in every),
        min(each.size_bytes or 0 for each in every),
        cadence_of(_gaps_s(snapshots) for snapshots in of.values()),
    )


def _gaps_s(snapshots: Sequence[Snapshot]) -> list[float]:
    """The newest times between two snapshots of one origin."""
    at = sorted(each.made_at for each in snapshots)
    return [(late - early).total_seconds() for early, late in pairwise(at)][-RECENT_GAPS:]


def cadence_of(gaps_s: Iterable[Sequence[float]]) -> Cadence | None:
    """The cadence of the gaps of some origins together; None if there is none."""
    every = sorted(gap for of_one in gaps_s for gap in of_one)
    if len(every) < LEAST_GAPS or statistics.median(every) < SHORTEST_S:
        return None
    return Cadence(statistics.median(every), every[math.ceil(SHARE_COUNTED * len(every)) - 1], len(every))


def rounded_up_s(seconds: float) -> float:
    """Round up to what people write: whole minutes, five minutes, hours or days; coarser for longer times."""
    step_s = next(step for below, step in _STEPS if seconds < below)
    return math.ceil(seconds / step_s - 1e-9) * step_s
