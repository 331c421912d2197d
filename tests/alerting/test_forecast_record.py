"""The record of forecasts: what is kept, what decides them, and that a restart continues from what is stored."""

from dataclasses import replace

import numpy as np
import pytest

from watchkeeper.alerting.backtest import replay
from watchkeeper.alerting.forecast_record import MOST_OPEN, ForecastRecord
from watchkeeper.alerting.rules import Rules
from watchkeeper.forecast import calibration
from watchkeeper.forecast.scoring import summary
from watchkeeper.model.forecast import Forecast, NoEnd
from watchkeeper.model.forecast_record import KeptForecast, Outcome
from watchkeeper.model.observation import SeriesKey
from watchkeeper.model.units import DAY_S

START_S = 1_767_225_600.0
KEY = SeriesKey("pool skerry", "space")


def found(day: float, used: float = 500.0, left_d: float | None = 4.0, capacity: float = 1000.0) -> Forecast:
    """A forecast at a day: half to twice the time left."""
    at_s = START_S + day * DAY_S
    if left_d is None:
        return Forecast(at_s, used, capacity, no_end=NoEnd.STILL)
    early, likely, late = (at_s + factor * left_d * DAY_S for factor in (0.5, 1.0, 2.0))
    return Forecast(at_s, used, capacity, early, likely, late, full=used >= capacity)


def note(record: ForecastRecord, given: Forecast) -> list[KeptForecast]:
    """What is new or decided."""
    return record.note(KEY, given, 0.0, warned=False)


def test_a_level_without_a_date_has_no_record() -> None:
    """Nothing is kept of it."""
    record = ForecastRecord()
    assert note(record, found(0, left_d=None)) == []
    assert note(record, found(1, 1000.0, 0.0)) == []


def test_a_fill_decides_all_that_are_open() -> None:
    """Three forecasts, and the level is full: all are decided at once, and count as one event."""
    record = ForecastRecord()
    for day in (0.0, 1.0, 2.0):
        (new,) = note(record, found(day))
        assert new.outcome is None
    decided = note(record, found(3, 1000.0))
    assert [each.outcome for each in decided] == [Outcome.FILLED] * 3
    assert [each.held for each in decided] == [True, True, False]
    assert record.width == pytest.approx(width_after(1 / 3))
    assert note(record, found(4, 1000.0)) == []


def width_after(*errs: float) -> float:
    """The width after these events."""
    return calibration.width(calibration.alpha_after(errs))


def test_the_same_sample_is_taken_once() -> None:
    """A review without a new sample changes nothing; nor does one from before the newest."""
    record = ForecastRecord()
    assert note(record, found(1))
    assert note(record, found(1)) == []
    assert note(record, found(0.5)) == []


def test_a_range_that_passes_is_decided_then() -> None:
    """Of two, the one whose range has passed; the other stays open. Both misses of one growth are one event."""
    record = ForecastRecord()
    note(record, found(0))
    note(record, found(1))
    assert note(record, found(7.9, left_d=None)) == []
    (first,) = note(record, found(8.1, left_d=None))
    assert (first.outcome, first.held) == (Outcome.PASSED, False)
    (second,) = note(record, found(9.1, left_d=None))
    assert second.outcome is Outcome.PASSED
    assert record.width == pytest.approx(width_after(1.0))


def test_a_forecast_made_after_an_outcome_is_another_event() -> None:
    """Two growths that both stop: two events."""
    record = ForecastRecord()
    note(record, found(0))
    note(record, found(8.1, left_d=None))
    note(record, found(9))
    note(record, found(17.1, left_d=None))
    assert record.width == pytest.approx(width_after(1.0, 1.0))


def test_room_that_is_made_cuts_short() -> None:
    """The level falls by a tenth of the capacity from its highest: what was open is not judged."""
    record = ForecastRecord()
    note(record, found(0, 800.0))
    assert note(record, found(0.5, 880.0)) == []
    assert note(record, found(0.6, 790.0, left_d=None)) == []
    (cut,) = note(record, found(0.7, 775.0, left_d=None))
    assert (cut.outcome, cut.held) == (Outcome.CLEARED, None)
    assert cut.miss == pytest.approx(0.1, abs=0.01)
    (new,) = note(record, found(1, 780.0))
    assert new.outcome is None
    assert note(record, found(1.1, 779.0)) == []


def test_another_capacity_cuts_short() -> None:
    """The disk was enlarged."""
    record = ForecastRecord()
    note(record, found(0))
    (cut, new) = note(record, found(1.5, capacity=2000.0))
    assert (cut.outcome, new.outcome, new.capacity) == (Outcome.ENLARGED, None, 2000.0)


def test_room_for_one_may_be_none_for_another() -> None:
    """One forecast was made with little free space, the other with much: a small clearing decides the first alone."""
    record = ForecastRecord()
    record.note(KEY, found(0, 500.0, 40.0), 300.0, warned=False)
    (new,) = record.note(KEY, found(10, 950.0, 4.0), 0.0, warned=False)
    (cut,) = record.note(KEY, found(10.5, 890.0, None), 0.0, warned=False)
    assert (cut.at, cut.outcome) == (new.at, Outcome.CLEARED)


def test_open_forecasts_are_bounded() -> None:
    """Ranges without an end are never passed; only the newest are decided."""
    record = ForecastRecord()
    for day in range(MOST_OPEN + 5):
        note(record, replace(found(float(day)), latest_s=None))
    assert len(note(record, found(100, 1000.0))) == MOST_OPEN


def test_a_restart_continues_from_what_is_stored() -> None:
    """The open forecasts are decided as before, and the width is the same."""
    record, stored = ForecastRecord(), dict[object, KeptForecast]()
    for each in (found(0), found(1), found(3, 1000.0), found(5), found(6)):
        stored |= {kept.at: kept for kept in note(record, each)}
    again = ForecastRecord()
    again.restore(reversed(stored.values()))
    assert again.width == record.width != 1
    assert note(again, found(8, 1000.0)) == note(record, found(8, 1000.0))
    assert again.width == record.width
    unknown = ForecastRecord()
    unknown.restore([replace(each, miss=None) for each in stored.values()])
    assert unknown.width == 1


def test_a_replay_keeps_its_record() -> None:
    """Through the evaluator: a level that fills, is cleared, and fills again is scored at each end."""
    t = np.arange(0, 24, 1 / 48)
    used = 100 + 90 * (t % 10)
    used = np.minimum(np.where(t < 4, 100.0, used), 1000.0)
    record = ForecastRecord()
    walked = replay(START_S + t * DAY_S, used, np.full(len(t), 905.0), 3600.0, Rules(), record=record)
    found = summary({each.at: each for step in walked for each in step.kept}.values())
    assert found.fills == 2
    assert found.count > 10
    assert found.warned == 2
    assert 0.5 < record.width < 1.3
