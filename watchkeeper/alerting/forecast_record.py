"""The record of the forecasts that were shown: which are kept, when each is decided, and the width that follows.

The daemon and the backtest share this class, as they share the evaluator. It holds state and does no I/O: what it
returns is to be stored, and a restart begins from what is stored. Not here: how a forecast is scored
(forecast/scoring.py), and how the width follows from the scores (forecast/calibration.py).
"""

import math
from collections.abc import Iterable
from dataclasses import dataclass, field

from watchkeeper.alerting.evaluator import SeriesEvaluator
from watchkeeper.forecast import calibration, scoring
from watchkeeper.model.alert import Priority
from watchkeeper.model.forecast import Forecast
from watchkeeper.model.forecast_record import KeptForecast, Outcome
from watchkeeper.model.observation import SeriesKey

MOST_OPEN = 40
"""Open forecasts of one series in memory; older ones are no longer decided."""


@dataclass(slots=True)
class _OpenForecasts:
    """The open forecasts of a series, and what decides them.

    seen_s: the newest sample. peak: the highest level since the oldest was made. room, ends_s: the least fall from the
    peak, and the earliest end of a range, that may decide one.
    """

    open: list[KeptForecast] = field(default_factory=list)
    last: KeptForecast | None = None
    seen_s: float = -math.inf
    peak: float = -math.inf
    room: float = math.inf
    ends_s: float = math.inf

    def add(self, each: KeptForecast) -> None:
        self.open.append(each)
        self.last = each
        self.peak = max(self.peak, each.used)
        self.update(self.open[-MOST_OPEN:])

    def update(self, left: list[KeptForecast]) -> None:
        """Keep these."""
        self.open = left
        self.room = min((scoring.room(each) for each in left), default=math.inf)
        self.ends_s = min((math.inf if e.latest_s is None else e.latest_s for e in left), default=math.inf)
        if not left:
            self.peak = -math.inf


@dataclass(slots=True)
class _Event:
    """What decided forecasts of one series together: when it first did, and the misses."""

    first_s: float
    misses: list[float]

    @property
    def err(self) -> float:
        """The mean miss."""
        return sum(self.misses) / len(self.misses)


class ForecastRecord:
    """The forecasts of all series of a host."""

    def __init__(self) -> None:
        self.width = 1.0
        """The width of the 90 % range, in that of the law."""
        self._series: dict[SeriesKey, _OpenForecasts] = {}
        self._events: list[_Event] = []
        self._latest: dict[SeriesKey, _Event] = {}

    def restore(self, stored: Iterable[KeptForecast]) -> None:
        """Continue from what is stored, in the order in which it was made."""
        for each in (known := sorted(stored, key=lambda each: each.at)):
            if each.outcome is None:
                self._series.setdefault(each.key, _OpenForecasts()).add(each)
        decided = [each for each in known if each.decided_at is not None]
        for each in sorted(decided, key=_decided_s):
            self._count(each)
        self._adjust()

    def note_level(self, evaluator: SeriesEvaluator) -> list[KeptForecast]:
        """Take the newest forecast of a series, after its alerts have moved; see note()."""
        found = evaluator.forecast
        if found is None or (found.likely_s is None and evaluator.key not in self._series):
            return []
        (alert, _), swing = evaluator.alerts, scoring.swing_of(evaluator.history)
        return self.note(evaluator.key, found, swing, warned=(alert.priority or 0) >= Priority.WARNING)

    def note(self, key: SeriesKey, found: Forecast, swing: float, *, warned: bool) -> list[KeptForecast]:
        """Take a new forecast of a series; return those that are new or decided, to be stored.

        Called for each sample of a level. One of a series without a date and without open forecasts costs a look-up.
        swing: of the level's cycle. warned: whether a warning about it is active.
        """
        mine = self._series.get(key)
        if mine is None:
            if not scoring.due(found, None, warned=warned):
                return []
            mine = self._series[key] = _OpenForecasts()
        if found.at_s <= mine.seen_s:
            return []
        decided = self._decide(mine, found) if mine.open else []
        mine.seen_s = found.at_s
        if scoring.due(found, mine.last, warned=warned):
            new = scoring.kept(key, found, swing, warned=warned)
            mine.add(new)
            return [*decided, new]
        return decided

    def _decide(self, mine: _OpenForecasts, found: Forecast) -> list[KeptForecast]:
        mine.peak = max(mine.peak, found.used)
        if (
            not found.full
            and found.at_s <= mine.ends_s
            and mine.peak - found.used < mine.room
            and not scoring.other_capacity(mine.open[0], found.capacity)
        ):
            return []
        after = [_decided(each, found, max(mine.seen_s, each.at.timestamp()), mine.peak) for each in mine.open]
        decided = [each for each in after if each.outcome is not None]
        if any(each.outcome is Outcome.CLEARED for each in decided):
            mine.peak = found.used
        mine.update([each for each in after if each.outcome is None])
        for each in decided:
            self._count(each)
        self._adjust()
        return decided

    def _count(self, each: KeptForecast) -> None:
        """Add a decided forecast to the event that decided others of its series, if it was made before that."""
        event = self._latest.get(each.key)
        if event is None or each.at.timestamp() >= event.first_s:
            event = self._latest[each.key] = _Event(_decided_s(each), [])
            self._events.append(event)
        event.misses.append(calibration.TARGET if each.miss is None else each.miss)

    def _adjust(self) -> None:
        self.width = calibration.width(calibration.alpha_after(each.err for each in self._events))


def _decided_s(each: KeptForecast) -> float:
    return math.inf if each.decided_at is None else each.decided_at.timestamp()


def _decided(each: KeptForecast, found: Forecast, below_s: float, peak: float) -> KeptForecast:
    """A forecast after a sample; decided, or as it was. below_s: when it was last known not to be full."""
    if found.full:
        return scoring.filled(each, found.at_s, below_s)
    if scoring.other_capacity(each, found.capacity):
        return scoring.cut_short(each, Outcome.ENLARGED, found.at_s, below_s)
    if peak - found.used >= scoring.room(each):
        return scoring.cut_short(each, Outcome.CLEARED, found.at_s, below_s)
    if each.latest_s is not None and found.at_s > each.latest_s:
        return scoring.passed(each, found.at_s)
    return each
