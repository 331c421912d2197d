"""What grew: of the parts of a filling level, those that grew most since its trend began.

A part (a dataset of a pool, a directory of a file system) is recorded beside the whole and never evaluated; here only
its growth is calculated. Not here: the text for an amount (messages/wording.py).
"""

from collections.abc import Iterable
from dataclasses import dataclass, replace

from watchkeeper.alerting.evaluator import SeriesEvaluator
from watchkeeper.forecast.history import LevelHistory
from watchkeeper.messages.wording import amount, thing
from watchkeeper.model.finding import Finding
from watchkeeper.model.observation import Level, Observation, SeriesKey

MOST = 3
"""Growers named in a message: a tired person looks at the first one, perhaps the second."""
LEAST_SHARE = 0.02
"""A part with less than this share of the growth of all parts explains nothing."""


@dataclass(frozen=True, slots=True)
class Grower:
    """A part of a level, and by how much it has grown, in the level's unit."""

    key: SeriesKey
    growth: float


def biggest(parts: Iterable[tuple[SeriesKey, LevelHistory]], since_s: float) -> tuple[Grower, ...]:
    """The parts that grew most since a time (seconds since 1970), the biggest first; none if nothing grew.

    A part that did not exist then has grown by all that it holds.
    """
    return telling(Grower(key, grown_since(history, since_s)) for key, history in parts)


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

    series: all that are monitored.
    """
    since_s = None if found.forecast is None or found.priority is None else found.forecast.since_s
    if not isinstance(seen, Level) or since_s is None:
        return seen
    own = [(each.key, each.history) for each in series if _is_part(each.latest, seen)]
    grown = [f"{thing(each.key)} {amount(each.growth, seen.unit)} more" for each in biggest(own, since_s)]
    return replace(seen, facts=(("grew most", "; ".join(grown)), *seen.facts)) if grown else seen


def _is_part(part: Observation | None, of: Level) -> bool:
    return isinstance(part, Level) and part.part_of == of.key and part.unit is of.unit
