"""The width of the range follows from the record: the update by hand, its bounds, and coverage in a simulation."""

from collections.abc import Callable, Iterator
from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import t as student

from tests.forecast.levels import every, seen
from watchkeeper.alerting.forecast_record import ForecastRecord
from watchkeeper.forecast import calibration
from watchkeeper.forecast.laws.first_passage import Z90
from watchkeeper.model.forecast import Forecast, NoEnd
from watchkeeper.model.observation import SeriesKey
from watchkeeper.model.units import DAY_S

NOW_S = 1_767_225_600.0


def test_the_update_is_the_papers() -> None:
    """Equation 2 by hand: alpha 0.1, gamma 0.01; miss, hit, hit, and half a miss (two forecasts of one event)."""
    by_hand = [0.1 + 0.01 * (0.1 - 1)]
    by_hand.append(by_hand[-1] + 0.01 * (0.1 - 0))
    by_hand.append(by_hand[-1] + 0.01 * (0.1 - 0))
    by_hand.append(by_hand[-1] + 0.01 * (0.1 - 0.5))
    assert by_hand == pytest.approx([0.091, 0.092, 0.093, 0.089])
    errs = [1.0, 0.0, 0.0, 0.5]
    assert [calibration.alpha_after(errs[: i + 1]) for i in range(4)] == pytest.approx(by_hand)


def test_the_width_is_students_t_with_two_degrees() -> None:
    """The closed form against scipy; the law's own range is 1."""
    for alpha in (0.005, 0.05, 0.1, 0.28):
        expected = student.ppf(1 - alpha / 2, 2) / student.ppf(0.95, 2)
        assert calibration.width(alpha) == pytest.approx(expected, rel=1e-9)
    assert calibration.width(calibration.TARGET) == 1


def test_few_outcomes_change_little_and_many_have_a_bound() -> None:
    """Three misses in a row widen by less than a fifth; a thousand by less than five; a thousand hits halve it."""
    assert 1 < calibration.width(calibration.alpha_after([1.0] * 3)) < 1.2
    assert 4 < calibration.width(calibration.alpha_after([1.0] * 1000)) < 5
    assert 0.5 < calibration.width(calibration.alpha_after([0.0] * 1000)) < 0.52


def test_only_the_range_is_adjusted() -> None:
    """Twice as wide as a ratio of times left: 2 and 8 days around 4 become 1 and 16. The likely time stays."""
    found = Forecast(0.0, 50.0, 100.0, 2 * DAY_S, 4 * DAY_S, 8 * DAY_S)
    wide = calibration.adjusted(found, 2.0)
    assert (wide.earliest_s, wide.likely_s, wide.latest_s) == pytest.approx((DAY_S, 4 * DAY_S, 16 * DAY_S))
    assert calibration.adjusted(wide, 0.5).earliest_s == pytest.approx(2 * DAY_S)
    assert calibration.adjusted(replace(found, latest_s=None), 2.0).latest_s is None
    assert replace(wide, earliest_s=found.earliest_s, latest_s=found.latest_s) == found


@pytest.mark.parametrize(
    "found",
    [
        Forecast(0.0, 50.0, 100.0, no_end=NoEnd.STILL),
        Forecast(0.0, 100.0, 100.0, 0.0, 0.0, 0.0, full=True),
        Forecast(0.0, 50.0, 100.0, 0.0, 0.0, 9.0),
    ],
)
def test_what_has_no_range_stays(found: Forecast) -> None:
    """No date, a full level, and one that is full at any moment."""
    assert calibration.adjusted(found, 2.0) == found
    assert calibration.adjusted(found, 1.0) is found


@pytest.mark.parametrize("factor", [0.5, 4.8])
def test_a_straight_line_keeps_its_exact_time(factor: float) -> None:
    """A linear fill has a narrow range, and whatever the record says it stays within a twentieth."""
    t = every(60, 20)
    found = seen(t, 300 + 20 * t)
    wide = calibration.adjusted(found, factor)
    assert wide.likely_s == found.likely_s
    assert wide.earliest_s is not None
    assert wide.likely_s is not None
    assert wide.latest_s is not None
    assert wide.earliest_s <= wide.likely_s <= wide.latest_s
    assert wide.latest_s - wide.earliest_s < 0.1 * (wide.likely_s - wide.at_s)


Draw = Callable[[np.random.Generator, int], float]


def outcomes(draw: Draw, count: int) -> Iterator[bool]:
    """Whether each of many ranges held. draw: the log of the true time, in standard deviations of the law."""
    rng, record, sd = np.random.default_rng(1), ForecastRecord(), 0.2
    for i in range(count):
        at_s, key = NOW_S + i * 3 * DAY_S, SeriesKey(f"pool {i}", "space")
        early, late = (at_s + DAY_S * float(np.exp(z * sd)) for z in (-Z90, Z90))
        shown = calibration.adjusted(Forecast(at_s, 50.0, 100.0, early, at_s + DAY_S, late), record.width)
        (kept,) = record.note(key, shown, 0.0, warned=True)
        full_s = at_s + DAY_S * float(np.exp(sd * draw(rng, i)))
        found = record.note(key, Forecast(full_s - 1, 99.0, 100.0), 0.0, warned=True)
        found += record.note(key, Forecast(full_s, 100.0, 100.0, full_s, full_s, full_s, full=True), 0.0, warned=True)
        (decided,) = found
        assert decided.at == kept.at
        yield bool(decided.held)


@pytest.mark.parametrize(
    ("draw", "before"),
    [
        (lambda rng, _: rng.normal(), (0.85, 0.95)),  # the law is right
        (lambda rng, _: 2.5 * rng.normal(), (0.6, 0.8)),  # its range is too narrow
        (lambda rng, _: 0.5 * rng.normal(), (0.98, 1.0)),  # its range is too wide
        (lambda rng, i: (2.5 if i // 150 % 2 else 0.7) * rng.normal(), (0.9, 1.0)),  # it changes again and again
        (lambda rng, _: rng.standard_t(3), (0.75, 0.9)),  # tails that are heavier than the law's
        (lambda rng, _: rng.normal() + 0.8, (0.6, 0.9)),  # the likely time is too early
    ],
    ids=["right", "narrow", "wide", "changing", "heavy", "early"],
)
def test_coverage_comes_back(draw: Draw, before: tuple[float, float]) -> None:
    """After 200 outcomes the range holds in 88 to 92 of 100, whatever the law's own range would have held."""
    held = list(outcomes(draw, 1200))
    assert before[0] <= np.mean(held[:50]) <= before[1]
    assert 0.88 <= np.mean(held[200:]) <= 0.92
