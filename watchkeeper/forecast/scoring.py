"""Scores forecasts once the truth is known: did the range hold, how far off was the likely time. Pure.

A level that filled was full at some time after the sample before: the forecast is right if any of that time fits.
A forecast that was cut short (room was made, the capacity changed) is censored: only that the level was not full before
is known. It is not counted as right or wrong; its probability of a miss is what its own law gives, so that censoring
moves nothing as long as the law is right. One whose whole range passed has missed; by how much is not known.
"""

import math
from collections.abc import Iterable
from dataclasses import replace
from datetime import UTC, datetime

import numpy as np

from watchkeeper.forecast.history import LevelHistory
from watchkeeper.forecast.hourly_features import Past
from watchkeeper.forecast.laws.first_passage import Z90
from watchkeeper.model.forecast import Forecast
from watchkeeper.model.forecast_record import KeptForecast, Outcome, RecordSummary
from watchkeeper.model.observation import SeriesKey
from watchkeeper.model.units import DAY_S

FARTHEST_S = 365 * DAY_S
"""What is farther away is shown as no date."""
AGAIN, SOONEST_S = 0.25, 1800.0
"""The next forecast is kept after this share of the time that is left, and no sooner than this: a few a day at most
times, and a few more as the end comes near."""
CAPACITY_CHANGED = 0.02
"""A capacity that differs by this share is another one; a pool's own varies by less."""
ROOM, SWINGS = 0.1, 1.5
"""Room was made if the level fell from its highest by what was free when the forecast was made, or by this share of
the capacity if that is less; and by more than this many times the swing of its cycle."""
TAIL = 0.05
"""The probability that the law gives to either side of its range."""
IN_TIME_S = DAY_S
"""A warning is early enough this long before the end, or from half of the time of the growth on."""


def swing_of(history: LevelHistory) -> float:
    """The swing of the level's cycle; 0 if there is none."""
    past = history.kept
    return past.cycle.swing if isinstance(past, Past) and past.cycle else 0.0


def due(found: Forecast, last: KeptForecast | None, *, warned: bool) -> bool:
    """Return whether this forecast is to be kept. last: the previous one of the series."""
    if found.full or found.likely_s is None or found.earliest_s is None:
        return False
    left_s = found.likely_s - found.at_s
    if not 0 < left_s <= FARTHEST_S:
        return False
    if last is None or (warned and not last.warned):
        return True
    return found.at_s - last.at.timestamp() >= max(AGAIN * left_s, SOONEST_S)


def kept(key: SeriesKey, found: Forecast, swing: float, *, warned: bool) -> KeptForecast:
    """What is kept of a forecast that is due."""
    likely_s = found.at_s if found.likely_s is None else found.likely_s
    return KeptForecast(
        key,
        datetime.fromtimestamp(found.at_s, UTC),
        likely_s if found.earliest_s is None else found.earliest_s,
        likely_s,
        found.latest_s,
        found.used,
        found.capacity,
        swing,
        found.since_s,
        warned,
    )


def room(each: KeptForecast) -> float:
    """By how much the level must fall from its highest to count as cleared."""
    return max(min(each.capacity - each.used, ROOM * each.capacity), SWINGS * each.swing)


def other_capacity(each: KeptForecast, capacity: float) -> bool:
    """Return whether the capacity is another one than when the forecast was made."""
    return abs(capacity - each.capacity) > CAPACITY_CHANGED * each.capacity


def filled(each: KeptForecast, at_s: float, below_s: float) -> KeptForecast:
    """The forecast of a level that was full at at_s, and not yet at below_s."""
    held = each.earliest_s <= at_s and (each.latest_s is None or below_s <= each.latest_s)
    made_s = each.at.timestamp()
    true_s = min(max(each.likely_s, below_s), at_s)
    error = abs(each.likely_s - true_s) / max(true_s - made_s, 1.0)
    return _decided(replace(each, held=held, error=error, miss=float(not held)), Outcome.FILLED, at_s)


def passed(each: KeptForecast, at_s: float) -> KeptForecast:
    """The forecast whose range has passed."""
    return _decided(replace(each, held=False, miss=1.0), Outcome.PASSED, at_s)


def cut_short(each: KeptForecast, outcome: Outcome, at_s: float, below_s: float) -> KeptForecast:
    """The forecast of a level that was not full at below_s, and was cleared or enlarged then."""
    if each.latest_s is not None and below_s > each.latest_s:
        return passed(each, at_s)
    return _decided(replace(each, miss=_miss(each, below_s)), outcome, at_s)


def _decided(each: KeptForecast, outcome: Outcome, at_s: float) -> KeptForecast:
    return replace(each, outcome=outcome, decided_at=datetime.fromtimestamp(at_s, UTC))


def _miss(each: KeptForecast, below_s: float) -> float:
    """P(the range misses | not full at below_s), by the law: log-normal on each side of the likely time."""
    over = 0.0 if each.latest_s is None else TAIL
    gone = _gone(each, below_s)
    return min((max(TAIL - gone, 0.0) + over) / (1 - gone), 1.0)


def _gone(each: KeptForecast, at_s: float) -> float:
    """P(full by then), by the law; at most what its range leaves above."""
    made_s = each.at.timestamp()
    left_s, gone_s = each.likely_s - made_s, at_s - made_s
    if gone_s <= 0:
        return 0.0
    edge_s = each.earliest_s if gone_s < left_s else each.latest_s
    edge = math.log(max(edge_s - made_s, 1e-9) / left_s) if edge_s is not None else -math.inf
    z = 0.0 if not edge else Z90 * abs(math.log(gone_s / left_s) / edge) * (-1 if gone_s < left_s else 1)
    return min(0.5 * math.erfc(-z / math.sqrt(2)), 1 - TAIL)


def summary(record: Iterable[KeptForecast]) -> RecordSummary:
    """What these forecasts come to."""
    known = list(record)
    told = [each for each in known if each.held is not None]
    errors = [math.inf if each.error is None else each.error for each in told]
    middle = float(np.median(errors)) if errors else math.inf
    fills: dict[tuple[SeriesKey, datetime], list[KeptForecast]] = {}
    for each in told:
        if each.outcome is Outcome.FILLED and each.decided_at is not None:
            fills.setdefault((each.key, each.decided_at), []).append(each)
    return RecordSummary(
        count=len(told),
        held=sum(bool(each.held) for each in told),
        cut_short=sum(each.outcome is not None and each.held is None for each in known),
        median_error=middle if math.isfinite(middle) else None,
        fills=len(fills),
        warned=sum(_in_time(of, at) for (_, at), of in fills.items()),
    )


def _in_time(forecasts: list[KeptForecast], full_at: datetime) -> bool:
    """Return whether a warning was active early enough before a fill."""
    end_s = full_at.timestamp()
    began_s = max((each.since_s for each in forecasts if each.since_s is not None), default=-math.inf)
    need_s = min(IN_TIME_S, (end_s - began_s) / 2)
    return any(each.warned and end_s - each.at.timestamp() >= need_s for each in forecasts)
