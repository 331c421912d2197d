"""Growth in words, for messages, the page and the terminal: how fast, since when, its cycle and steps.

Not here: the time that is left (wording.py), and how any of it was computed (forecast/forecast.py).
"""

from datetime import UTC, datetime, tzinfo

from watchkeeper.messages import wording
from watchkeeper.model.forecast import Forecast
from watchkeeper.model.observation import Level, SeriesKey, Unit
from watchkeeper.model.units import DAY_S, WEEK_S

RECENT_STEP_S = 14 * DAY_S
"""How long a step is mentioned."""
FEWEST_CYCLES = 3
"""A rhythm is named once it was seen this often: two rounds are one comparison, which chance can bring."""
LEAST_SHARE = 1e-4
"""A growth below this share of the capacity a day is too small for anyone to notice."""

MORE = ((2 * WEEK_S, "2 more weeks"), (2 * DAY_S, "2 more days"), (DAY_S / 4, "6 more hours"))
"""The times that freeing space can give."""
SPACES = frozenset({"space", "data", "quota"})
"""Quantities of stores whose content can be deleted."""


def describe(found: Forecast, unit: Unit, zone: tzinfo) -> str:
    """What the level does, in one clause without a full stop; empty if there is nothing to say.

    "growing 11 GiB a day since Tue 24 Nov; drops every day about 06:00".
    """
    parts = (_unusual(found, unit, zone), _growth(found, unit, zone), _cycle(found, zone), _step(found, unit, zone))
    return "; ".join(part for part in parts if part)


def room_words(forecast: Forecast | None, seen: Level) -> str:
    """`Freeing 154 GiB gives 2 more weeks at this rate.`; empty if it is no space, or if its growth is not known.

    The longest of some times for which less than half of what is used would have to go.
    """
    rate = forecast.growth_per_day if forecast is not None else None
    if rate is None or rate < LEAST_SHARE * seen.capacity or seen.unit is not Unit.BYTES or not is_space(seen.key):
        return ""
    for gained_s, words in MORE:
        if (freed := rate * gained_s / DAY_S) <= seen.used / 2:
            return f"Freeing {wording.amount(freed, seen.unit)} gives {words} at this rate."
    return ""


def is_space(key: SeriesKey) -> bool:
    """Is it the space of a store, whose content can be deleted?"""
    return key.quantity in SPACES or key.quantity.startswith("space on ")


def _unusual(found: Forecast, unit: Unit, zone: tzinfo) -> str:
    if found.unusual is None:
        return ""
    now = datetime.fromtimestamp(found.at_s, UTC)
    return f"{wording.unusual_words(found.unusual, now, zone)}; {wording.at_this_rate(found, unit)}"


def _growth(found: Forecast, unit: Unit, zone: tzinfo) -> str:
    rate, since = found.growth_per_day, _instant(found.since_s)
    if found.unusual is not None and found.likely_s is None:
        return ""  # the trend is that of the time before
    if rate is None or since is None or abs(rate) < LEAST_SHARE * found.capacity:
        return ""
    if -rate >= found.used:
        return ""  # a drop, not a rate: what would be empty within a day was emptied at once
    now = datetime.fromtimestamp(found.at_s, UTC)
    verb = "growing" if rate > 0 else "shrinking"
    pace = "" if not found.bend else ", accelerating," if found.bend * rate > 0 else ", slowing down,"
    left_s = None if found.likely_s is None else found.likely_s - found.at_s
    much = wording.pace(abs(rate), left_s, unit)
    before = "before that " if found.unusual is not None else ""
    return f"{before}{verb} {much}{pace} since {wording.moment(since, zone, now)}"


def _cycle(found: Forecast, zone: tzinfo) -> str:
    if found.cycle_s is None or found.cycles < FEWEST_CYCLES:
        return ""
    pruned = _instant(found.pruned_s)
    if pruned is None:
        return f"rises and falls every {_every(found.cycle_s)}"
    clock = wording.clock_time(pruned, zone)
    if found.cycle_s == WEEK_S:
        return f"drops every {pruned.astimezone(zone):%a} about {clock}"
    return f"drops every {_every(found.cycle_s)}" + (f" about {clock}" if found.cycle_s == DAY_S else "")


def _every(period_s: float) -> str:
    return {DAY_S: "day", WEEK_S: "week"}.get(period_s) or wording.duration(period_s)


def _step(found: Forecast, unit: Unit, zone: tzinfo) -> str:
    recent = [step for step in found.steps if found.at_s - step.begin_s < RECENT_STEP_S]
    if not recent:
        return ""
    step = max(recent, key=lambda s: abs(s.size))
    at = _instant(step.begin_s)
    if at is None or abs(step.size) < LEAST_SHARE * found.capacity:
        return ""
    change = "rise" if step.size > 0 else "drop"
    when = wording.moment(at, zone, datetime.fromtimestamp(found.at_s, UTC))
    return f"not counted: one {change} of {wording.amount(abs(step.size), unit)} on {when}"


def _instant(at_s: float | None) -> datetime | None:
    return None if at_s is None or abs(at_s) > 2e11 else datetime.fromtimestamp(at_s, UTC)
