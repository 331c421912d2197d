"""Backtest: replay a recorded history as the daemon would have processed it, evaluation by evaluation.

It never looks ahead: an evaluation knows only the samples up to its own time. Reading the record and printing the
result belong in cli/.
"""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

from watchkeeper.alerting.alert_book import AlertBook
from watchkeeper.alerting.evaluator import SeriesEvaluator
from watchkeeper.alerting.forecast_record import ForecastRecord
from watchkeeper.alerting.rules import Rules
from watchkeeper.model.alert import Alert, Concern, Priority, Transition
from watchkeeper.model.forecast import Forecast
from watchkeeper.model.forecast_record import KeptForecast
from watchkeeper.model.line import Floats
from watchkeeper.model.observation import Kind, Level, SeriesKey, Unit

RECORD = SeriesKey("record", "space")
"""The key of a record without a name."""

Numbers = Sequence[float] | Floats


@dataclass(frozen=True, slots=True)
class Evaluation:
    """The result of one evaluation. at_s: seconds since 1970; transitions: the fill alert's moves at this time.

    kept: the forecasts that are new in the record, or were decided.
    """

    at_s: float
    forecast: Forecast
    alert: Alert
    transitions: tuple[Transition, ...] = ()
    kept: tuple[KeptForecast, ...] = ()

    @property
    def priority(self) -> Priority | None:
        """The priority of the fill alert; None while it is not active."""
        return self.alert.priority


def evaluations(at_s: Numbers, every_s: float) -> int:
    """The number of evaluations: at the first sample, and at every full step after it up to the last."""
    return int((at_s[-1] - at_s[0]) / every_s) + 1 if len(at_s) else 0


def replay(
    at_s: Numbers,
    used: Numbers,
    capacity: Numbers,
    every_s: float,
    rules: Rules,
    key: SeriesKey = RECORD,
    unit: Unit = Unit.BYTES,
    record: ForecastRecord | None = None,
) -> Iterator[Evaluation]:
    """Process samples in the order of time. Those up to and at the time of an evaluation are added before it.

    at_s: seconds since 1970, in order. record: keeps the forecasts and their outcomes, as that of the daemon does.
    """
    book = AlertBook()
    evaluator = SeriesEvaluator(key, Kind.LEVEL, math.inf, rules, book)
    count, i = len(at_s), 0
    for step in range(evaluations(at_s, every_s)):
        now_s = float(at_s[0]) + step * every_s
        while i < count and at_s[i] <= now_s:
            seen = Level(key, float(used[i]), float(capacity[i]), unit)
            evaluator.take(seen, datetime.fromtimestamp(float(at_s[i]), UTC))
            i += 1
        yield _evaluate(evaluator, book, now_s, record)


def _evaluate(evaluator: SeriesEvaluator, book: AlertBook, now_s: float, record: ForecastRecord | None) -> Evaluation:
    now, limits = datetime.fromtimestamp(now_s, UTC), evaluator.rules
    findings = evaluator.evaluate(now, range_width=record.width if record else 1.0)
    forecast = next(f.forecast for f in findings if f.forecast is not None)
    moves = tuple(move for f in findings for move in book.step(f, now, limits.delays(f.concern)))
    kept = tuple(record.note_level(evaluator)) if record is not None else ()
    of_full = tuple(move for move in moves if move.after.concern is Concern.FULL)
    return Evaluation(now_s, forecast, book.get(evaluator.key, Concern.FULL), of_full, kept)
