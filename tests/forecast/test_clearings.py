"""Whether a rise is expected to be cleared, and when another step comes, by what was recorded before."""

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from tests.forecast.levels import CAPACITY, START_S, every, history_of
from watchkeeper.forecast.clearings import expected
from watchkeeper.forecast.hourly_features import Clearing, Past, study
from watchkeeper.model.forecast import Forecast, Step
from watchkeeper.model.units import DAY_S

NOW_S = START_S + 30 * DAY_S


def past(*peaks: float, days: float = 2.0, cut: bool = False) -> Past:
    """Rises of 200 up to these peaks, each of so many days, one after the other; the last was cleared a day ago."""
    t = every(60, 3)
    found = study(history_of(t, 300 + 0 * t), CAPACITY)
    assert found is not None
    ends = [NOW_S - DAY_S * (1 + days * i) for i in reversed(range(len(peaks)))]
    made = [Clearing(end - days * DAY_S, end, peak, 200.0, 200.0, cut) for end, peak in zip(ends, peaks, strict=True)]
    return replace(found, clearings=tuple(made))


def rising(used: float, per_day: float = 50.0) -> Forecast:
    """A level on its way."""
    return Forecast(NOW_S, used, CAPACITY, growth_per_day=per_day)


@pytest.mark.parametrize(
    ("peaks", "below"),
    [
        ((600.0,), 606.0),  # a single one: 3 % of its height above its peak
        ((600.0, 580.0), 606.0),  # two: how much they differ is not known yet
        ((600.0, 560.0, 640.0), 640 + float(np.std([600, 560, 640], ddof=1))),
        ((600.0, 600.0, 600.0), 606.0),
        ((500.0, 520.0, 540.0, 560.0), 530.0),  # higher each time: the median
        ((700.0, 780.0, 840.0, 880.0), 0.0),  # and the next would be due at 940, of 900 at most
    ],
)
def test_a_rise_is_expected_to_be_cleared_as_high_as_those_before(peaks: tuple[float, ...], below: float) -> None:
    """Just below this level it is expected, just above it not."""
    assert expected(past(*peaks), rising(max(below - 1, 0))) is (below > 0)
    assert not expected(past(*peaks), rising(below + 1))


@pytest.mark.parametrize(("days", "cleared"), [(0.8, True), (0.6, False), (8.0, True), (8.1, False)])
def test_a_single_clearing_predicts_another_if_it_was_quick_enough(days: float, cleared: bool) -> None:  # noqa: FBT001
    """A day since the last: 1.4 times as long as the one rise is late, and one of more than eight days is no prune."""
    assert expected(past(600.0, days=days), rising(500)) is cleared


@pytest.mark.parametrize(("per_day", "cleared"), [(50.0, True), (400.0, False), (0.0, False)])
def test_a_rise_that_was_not_seen_from_its_beginning_took_as_long_as_it_takes_now(
    per_day: float,
    cleared: bool,  # noqa: FBT001
) -> None:
    """200 at 50 a day are four days, at 400 half a day; of the record it has half a day."""
    assert expected(past(600.0, days=0.5, cut=True), rising(500, per_day)) is cleared


def test_what_is_nearly_full_is_not_expected_to_be_cleared() -> None:
    """From nine tenths on, and after a fill that was ended there, nothing is."""
    assert expected(past(895.0, 890.0), rising(895))
    assert not expected(past(895.0, 890.0), rising(900))
    assert not expected(past(600.0, 900.0), rising(500))
    assert expected(past(975.0, 600.0), rising(600))
    assert not expected(past(975.0, 600.0), rising(610))


@pytest.mark.parametrize("count", [1, 4])
def test_another_step_comes_after_an_exponential_wait(count: int) -> None:
    """So many within 30 days, at random: with 5 % before scipy.stats.expon(scale=30 / count).ppf(0.05)."""
    t = every(60, 30)
    found = study(history_of(t, 300 + 0 * t), CAPACITY)
    assert found is not None
    steps = tuple(Step(START_S + i * DAY_S, START_S + (i + 0.1) * DAY_S, 20.0 + i) for i in range(1, count + 1))
    known = replace(found, steps=steps)
    assert known.step_within_d(NOW_S) == pytest.approx(stats.expon(scale=30 / count).ppf(0.05), rel=0.01)
    assert known.next_step() == np.median([each.size for each in steps])
    back = Step(START_S + 20 * DAY_S, START_S + 20.1 * DAY_S, -21.0)
    assert replace(found, steps=(*steps[:1], back)).next_step() == 0
