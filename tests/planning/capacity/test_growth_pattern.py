"""How a record is taken apart, so that what is drawn from it is like it."""

from collections.abc import Callable

import numpy as np
import pytest
from scipy import stats

from tests.forecast.levels import START_S, every, history_of, noise
from watchkeeper.forecast.forecast import forecast
from watchkeeper.forecast.history import LevelHistory
from watchkeeper.forecast.laws.first_passage import FAR_D
from watchkeeper.model.line import Floats
from watchkeeper.model.units import DAY_S
from watchkeeper.planning.capacity.futures import Added, time_to_full
from watchkeeper.planning.capacity.growth_pattern import Growth, recorded


def of(t: Floats, used: Floats, capacity: float = 1000.0) -> Growth | None:
    """The growth right after the last sample."""
    return recorded(history_of(t, used, capacity), START_S + float(t[-1]) * DAY_S)


def known(t: Floats, used: Floats, capacity: float = 1000.0) -> Growth:
    """The same, where there must be one."""
    found = of(t, used, capacity)
    assert found is not None
    return found


def net_variance(growth: Growth) -> float:
    """Variance a day of what a block gains."""
    climb = np.concatenate(([0.0], np.cumsum(growth.rise)))
    return float((climb[growth.starts + growth.block] - climb[growth.starts]).var()) / growth.block_d


def test_a_random_walk_keeps_its_variance() -> None:
    """Over eight weeks of a walk of variance 4 a day what blocks gain has about that variance, on the mean of ten.

    Each record has about 18 blocks of three days that do not overlap, whose variance is off by a third in one record
    and by a tenth on the mean of ten: sqrt(2 / 18) / sqrt(10).
    """
    t = every(30, 56)
    found = []
    for seed in range(10):
        walk = 300 + np.cumsum(np.random.default_rng(seed).normal(1 / 48, np.sqrt(4 / 48), len(t)))
        found.append(net_variance(known(t, walk)))
    assert np.mean(found) == pytest.approx(4.0, rel=0.25)


def test_independent_noise_does_not_add_up() -> None:
    """White noise of 10 about a line: a block's net would have a variance of 2 * 100 / 3 days; next to none is left."""
    growth = known(every(30, 56), 200 + 2 * every(30, 56) + noise(len(every(30, 56)), 10.0))
    assert net_variance(growth) < 0.05 * 200 / 3
    assert float(growth.top.std()) > 2.0  # it lies on top instead


def test_a_recorded_walk_fills_when_the_inverse_gaussian_says() -> None:
    """From records of a walk (v = 1, s^2 = 4) to a level 100 above: in the median of 15 records the law's percentiles.

    Each record errs by its own trend (sd 2 / sqrt(56 days) = 0.27 a day), which the interval is widened by: the law
    with a drift drawn from 1 +- 0.27 has its 5 % and 95 % points at about 62 and 190 days.
    """
    t, points = every(60, 56), []
    for seed in range(15):
        walk = 300 + np.cumsum(np.random.default_rng(100 + seed).normal(1 / 24, np.sqrt(4 / 24), len(t)))
        found = time_to_full(known(t, walk), float(walk[-1]), float(walk[-1]) + 100)
        points.append([np.inf if p is None else p for p in (found.earliest_d, found.likely_d, found.latest_d)])
    early, likely, late = np.median(points, axis=0)
    drifts = np.random.default_rng(1).normal(1, 0.27, 4000)
    law = [
        stats.invgauss(mu=4 / (100 * v), scale=100**2 / 4).rvs(random_state=i) for i, v in enumerate(drifts) if v > 0
    ]
    assert early == pytest.approx(np.quantile(law, 0.05), rel=0.25)
    assert likely == pytest.approx(98.0, rel=0.2)
    assert late == pytest.approx(np.quantile(law, 0.95), rel=0.4)


def test_a_cycle_is_kept_whole_and_begins_where_it_stands() -> None:
    """A nightly prune of 30: blocks are whole days, begin at the phase that is now, and carry the swing on top."""
    t = every(30, 40.25)  # ends at six in the morning
    growth = known(t, 300 + 2 * t + 30 * (t % 1) + noise(len(t), 0.3))
    assert growth.cycle_d == pytest.approx(1.0)
    assert growth.block == 72
    assert set(np.diff(growth.starts).tolist()) == {24}
    assert np.ptp(growth.top) == pytest.approx(30, rel=0.15)
    assert growth.slope == pytest.approx(2.0, abs=0.1)
    assert growth.ripple == pytest.approx(30 * 0.25 - 15, abs=2.0)


def test_a_weekly_cycle_has_blocks_of_a_week() -> None:
    """A swing that comes once a week: its blocks are weeks."""
    t = every(60, 50)
    growth = known(t, 300 + t + 40 * (t % 7 / 7))
    assert growth.cycle_d == pytest.approx(7.0)
    assert growth.block == 168


def test_an_import_is_no_growth_but_may_come_again() -> None:
    """150 at once stay out of trend and wander, and are remembered as what may come once more."""
    t = every(30, 40)
    growth = known(t, 200 + t + np.where(t > 20, 150.0, 0.0) + noise(len(t), 0.3))
    assert growth.slope == pytest.approx(1.0, abs=0.2)
    assert growth.again == pytest.approx(150, rel=0.1)
    assert float(np.abs(growth.rise).max()) < 5


def test_a_rise_that_is_cleared_counts_with_its_clearings() -> None:
    """Logs that are cleared whenever somebody thinks of it: what is left of rises and clearings is the trend."""
    edges = np.array([0.0, 9.0, 21.0, 30.0, 43.0, 52.0])
    t = every(60, 55)
    since = t - edges[np.searchsorted(edges, t, side="right") - 1]
    growth = known(t, 200 + 20 * since)
    assert abs(growth.slope) < 5
    assert growth.slope_error > 0
    assert growth.bend == 0.0


def test_a_week_is_looked_at_though_the_trend_is_younger() -> None:
    """Since yesterday it grows by 60 a day: that is the trend, and the week before still tells how it strays."""
    t = every(10, 30)
    growth = known(t, 300 + t + np.where(t > 28, 60.0 * (t - 28), 0.0) + noise(len(t), 0.2))
    assert growth.slope == pytest.approx(60, rel=0.1)
    assert len(growth.rise) > 72


def test_a_weekly_cycle_is_known_from_three_weeks_on() -> None:
    """One block that begins at the phase that is now is enough: it gains nothing but the trend."""
    t = every(60, 21.2)
    growth = known(t, 300 + t + 40 * (t % 7 / 7))
    assert growth.cycle_d == pytest.approx(7.0)
    assert len(growth.starts) >= 1
    assert net_variance(growth) == pytest.approx(0.0, abs=1e-9)
    climb = np.concatenate(([0.0], np.cumsum(growth.rise)))
    assert climb[growth.starts[0] + growth.block] == pytest.approx(climb[growth.starts[0]], abs=1e-6)


def test_too_few_rounds_of_an_odd_cycle_are_no_record() -> None:
    """Cleared every 50 hours, over less than four rounds: two of them for the means leave no whole block of two."""
    t = every(60, 7.6)
    assert of(t, 300 + 300 * ((t * 24 + 30) % 50) / 50) is None


def test_what_shrinks_is_taken_to_stand_still() -> None:
    """Somebody clears up, 5 a day: that ends, and the room is not given away before it is there."""
    t = every(60, 30)
    growth = known(t, 800 - 5 * t)
    assert growth.trend == pytest.approx(-5.0, rel=0.01)
    assert growth.slope == 0.0


def test_daily_samples_are_enough() -> None:
    """A level that is sampled once a day is drawn from day by day."""
    growth = known(every(1440, 60), 300 + 3 * every(1440, 60))
    assert growth.step_d == pytest.approx(1.0)
    assert growth.block == 3


@pytest.mark.parametrize("days", [0.01, 0.2, 2.0, 6.5])
def test_less_than_a_week_is_no_record(days: float) -> None:
    """Nothing is drawn from it."""
    assert of(every(5, days), 300 + every(5, days)) is None


def test_nothing_is_no_record() -> None:
    """A history without samples."""
    assert recorded(LevelHistory(), START_S) is None


def test_a_record_with_one_long_gap_is_not_drawn_from() -> None:
    """A week and more lies between its ends, and too few hours since the daemon was back."""
    t = np.concatenate((every(30, 1), 60 + every(30, 0.2)))
    assert of(t, 300 + t) is None


def jumps(t: Floats) -> Floats:
    """Steps of 40 at uneven times, one in three days on average."""
    at = np.cumsum(np.random.default_rng(3).exponential(3, 40))
    return 200 + 40.0 * np.searchsorted(at, t) + noise(len(t), 0.3)


@pytest.mark.parametrize(
    "level",
    [
        lambda t: 200 + 8 * t + noise(len(t), 0.5),
        lambda t: 300 + np.cumsum(np.random.default_rng(5).normal(5 / 24, 10 / 24**0.5, len(t))),
        jumps,
    ],
    ids=["line", "walk", "jumps"],
)
def test_with_nothing_added_the_answer_is_the_forecasts(level: Callable[[Floats], Floats]) -> None:
    """All three points; none where the forecast's is open, or not within ten years."""
    t = every(60, 40)
    used = level(t)
    growth, said = known(t, used), forecast(history_of(t, used), START_S + float(t[-1]) * DAY_S)
    found = time_to_full(growth, float(used[-1]), 1000.0)
    for days, at_s in (
        (found.earliest_d, said.earliest_s),
        (found.likely_d, said.likely_s),
        (found.latest_d, said.latest_s),
    ):
        told_d = np.inf if at_s is None else (at_s - said.at_s) / DAY_S
        assert days == (None if told_d > FAR_D else pytest.approx(told_d, abs=2e-3))


def test_more_on_it_is_scaled_as_the_forecast_is() -> None:
    """Half of what is free is added to growth by jumps: it is full sooner, in the order of the points."""
    t = every(60, 40)
    used = jumps(t)
    growth, now = known(t, used), float(used[-1])
    before, after = time_to_full(growth, now, 1000.0), time_to_full(growth, now, 1000.0, Added(0.5 * (1000 - now)))
    assert before.likely_d is not None
    assert after.likely_d is not None
    assert after.earliest_d is not None
    assert after.earliest_d <= after.likely_d < before.likely_d
