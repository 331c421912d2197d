"""What grew: of the parts of a filling level, those that grew most since its trend began.

A part (a dataset of a pool, a directory of a file system) is recorded beside the whole and never evaluated; here only
its growth is calculated. Not here: the text for an amount (messages/wording.py).
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

from watchkeeper.alerting.evaluator import SeriesEvaluator
from watchkeeper.forecast.history import LevelHistory
from watchkeeper.messages.growth import SPACES
from watchkeeper.messages.known_directories import said_of
from watchkeeper.messages.wording import amount, thing
from watchkeeper.model.finding import Finding
from watchkeeper.model.observation import FILE_SYSTEM, Level, Observation, SeriesKey, Unit, file_system_space

MOST = 3
"""Growers named in a message: a tired person looks at the first one, perhaps the second."""
MOSTLY = 0.7
"""A part of a part that has this share of its growth is named in its place: the place to look is deeper."""
DEEPEST = 20
"""Parts within parts that are followed."""
LEAST_SHARE = 0.02
"""A part with less than this share of the growth of all parts explains nothing."""


@dataclass(frozen=True, slots=True)
class Grower:
    """A part of a level, and by how much it has grown, in the level's unit."""

    key: SeriesKey
    growth: float


def biggest(parts: Iterable[tuple[SeriesKey, LevelHistory]], since_s: float) -> tuple[Grower, ...]:
    """The parts that grew most since a time (seconds since 1970), the biggest first; none if nothing grew."""
    return telling(growths(parts, since_s))


def growths(parts: Iterable[tuple[SeriesKey, LevelHistory]], since_s: float) -> list[Grower]:
    """How much each part has grown since a time, or since the first of them was recorded, if that was later.

    A part that did not exist then has grown by all that it holds.
    """
    known = [(key, history) for key, history in parts if len(history)]
    from_s = max(since_s, min((first_s(history) for _, history in known), default=since_s))
    return [Grower(key, grown_since(history, from_s)) for key, history in known]


def first_s(history: LevelHistory) -> float:
    """When a history with samples begins, in seconds since 1970."""
    begins = [float(history.recent()[0][0])]
    return min(begins + [float(grain.at[0]) for grain in (history.hours(), history.days()) if len(grain.at)])


def explaining(parts: Mapping[SeriesKey, Sequence[Grower]], whole: SeriesKey) -> tuple[Grower, ...]:
    """The parts of a level that explain its growth. parts: by what they are part of.

    A part whose growth lies mostly in one part of its own is replaced by that one: it is where to look.
    """
    return tuple(_deepest(each, parts) for each in telling(parts.get(whole, ())))


def _deepest(grower: Grower, parts: Mapping[SeriesKey, Sequence[Grower]]) -> Grower:
    for _ in range(DEEPEST):
        inner = max(parts.get(grower.key, ()), key=lambda each: each.growth, default=None)
        if inner is None or inner.growth < MOSTLY * grower.growth:
            break
        grower = inner
    return grower


def parts_of(whole: SeriesKey, observed: Iterable[Observation]) -> list[Level]:
    """The parts of a level, and their parts, in the given order."""
    levels = [each for each in observed if isinstance(each, Level) and each.part_of is not None]
    inside = {whole}
    while more := {each.key for each in levels if each.part_of in inside} - inside:
        inside |= more
    return [each for each in levels if each.part_of in inside]


def telling(parts: Iterable[Grower]) -> tuple[Grower, ...]:
    """Select the parts that explain something, the biggest first: few, and each with a relevant share of the growth."""
    grown = sorted((each for each in parts if each.growth > 0), key=lambda each: (-each.growth, each.key))
    all_together = sum(each.growth for each in grown)
    return tuple(each for each in grown[:MOST] if each.growth >= LEAST_SHARE * all_together)


def grown_since(history: LevelHistory, since_s: float) -> float:
    """How much a level has grown since a time; all of its usage if its history begins well after it."""
    if not len(history):
        return 0.0
    at, used, _ = history.recent()
    grains = [(at, used), *((grain.at, grain.middle) for grain in (history.hours(), history.days()) if len(grain.at))]
    now_s, now = float(at[-1]), float(used[-1])
    times, values = next((g for g in grains if g[0][0] <= since_s), min(grains, key=lambda g: float(g[0][0])))
    if float(times[0]) > since_s + (now_s - since_s) / 2:
        return now
    return now - float(values[max(int(times.searchsorted(since_s, side="right")) - 1, 0)])


def with_growers(seen: Observation | None, found: Finding, series: Iterable[SeriesEvaluator]) -> Observation | None:
    """A filling level, with the parts that grew most since the trend began added to its facts.

    If none is known of a store, it says so, and why. series: all that are monitored.
    """
    since_s = None if found.forecast is None or found.priority is None else found.forecast.since_s
    if not isinstance(seen, Level) or since_s is None:
        return seen
    parts, whole = _parts(series, seen, since_s), _divided(seen.key)
    grown = [
        f"{thing(each.key)}{said_of(each.key)} {amount(each.growth, seen.unit)} more"
        for each in explaining(parts, whole)
    ]
    said = "; ".join(grown) or _why_none(seen, whole, parts)
    return replace(seen, facts=(("grew most", said), *seen.facts)) if said else seen


def _parts(series: Iterable[SeriesEvaluator], of: Level, since_s: float) -> dict[SeriesKey, list[Grower]]:
    """The growth of every part of any level in the unit of one, by what it is part of."""
    recorded: dict[SeriesKey, list[tuple[SeriesKey, LevelHistory]]] = {}
    for each in series:
        part = each.latest
        if isinstance(part, Level) and part.part_of is not None and part.unit is of.unit:
            recorded.setdefault(part.part_of, []).append((each.key, each.history))
    return {whole: growths(parts, since_s) for whole, parts in recorded.items()}


def _divided(key: SeriesKey) -> SeriesKey:
    """The level whose parts are recorded: those of a btrfs are the directories of its file system."""
    point = key.subject.removeprefix(BTRFS)
    return file_system_space(point) if key.subject.startswith(BTRFS) else key


BTRFS = "btrfs "
PARTS = {
    FILE_SYSTEM: ("directories", 'no probe records its directories (kind = "directories" does)'),
    BTRFS: ("directories", 'no probe records its directories (kind = "directories" does)'),
    "pool ": ("datasets", "none of its datasets is recorded"),
    "thin pool ": ("volumes", "none of its volumes is recorded"),
}
"""What is recorded of a store, by how its subject begins; and why nothing is."""


def _why_none(seen: Level, whole: SeriesKey, parts: Mapping[SeriesKey, Sequence[Grower]]) -> str:
    """Why no part explains the growth of a store's space; empty for another level."""
    found = next((each for begin, each in PARTS.items() if seen.key.subject.startswith(begin)), None)
    if found is None or seen.unit is not Unit.BYTES or seen.key.quantity not in SPACES:
        return ""
    noun, why = found
    if not parts.get(whole):
        return f"not known: {why}"
    walked = ", as of the last walk" if noun == "directories" else ""
    return f"not known: none of its recorded {noun} has grown since then{walked}"
