"""The laws that share in a forecast: against closed forms, and simulations with scipy."""

import numpy as np
import pytest
from scipy import stats

from watchkeeper.forecast.laws import law as laws
from watchkeeper.forecast.laws.net_growth import law, tried, weights, windows
from watchkeeper.forecast.laws.pace_drift import drift
from watchkeeper.forecast.laws.passage_times import passage_law
from watchkeeper.model.line import Floats

Z90 = 1.6448536269514722


def points(p: Floats) -> tuple[float, float, float]:
    """The 5, 50 and 95 % points."""
    early, likely, late = (laws.quantile(p, share) for share in (0.05, 0.5, 0.95))
    return early, likely, late


def test_the_normal_distribution_is_scipys() -> None:
    """To 1e-7, and exactly 0 and 1 far out."""
    z = np.concatenate((np.linspace(-8, 8, 501), [-1e9, 1e9, 0.0]))
    assert laws.normal(z) == pytest.approx(stats.norm.cdf(z), abs=1.5e-7)


def test_a_range_becomes_the_law_with_these_points() -> None:
    """5, 50 and 95 % come back, to the grid's width; an open range has its upper side twice as wide as the lower."""
    assert points(laws.of_range(6.0, 10.0, 30.0)) == pytest.approx((6.0, 10.0, 30.0), rel=0.02)
    assert points(laws.of_range(5.0, 10.0, np.inf)) == pytest.approx((5.0, 10.0, 40.0), rel=0.02)
    assert laws.quantile(laws.of_range(0.0, 0.0, 0.0), 0.5) == pytest.approx(1e-3, rel=0.2)


def test_what_never_comes_has_no_point() -> None:
    """A law that ends at a half has no 95 % point."""
    assert laws.quantile(0.5 * laws.of_range(1.0, 2.0, 3.0), 0.95) == np.inf


def test_even_growth_is_full_when_it_gets_there() -> None:
    """2 a day and 100 to go: 50 days, within the drift that every pace is allowed."""
    t = np.linspace(-60, 0, 1441)
    seen = windows(t, 2 * t, 0.5)
    assert seen is not None
    early, likely, late = points(law(seen, 100.0))
    assert likely == pytest.approx(50, rel=0.01)
    assert early == pytest.approx(50 / (1 + 0.05 * Z90), rel=0.03)
    assert late == pytest.approx(50 / (1 - 0.05 * Z90), rel=0.03)


def test_a_record_shorter_than_one_window_has_no_windows() -> None:
    """An hour of samples shows no pace of half a day."""
    assert windows(np.array([-0.04, 0.0]), np.array([1.0, 2.0]), 0.5) is None


def test_a_new_pace_takes_over_from_the_old_one() -> None:
    """Ten days at ten times the pace after a hundred slow ones: the law is at least three times as fast as the mean."""
    t = np.linspace(-110, 0, 2641)
    rng = np.random.default_rng(1)
    seen = windows(t, 0.2 * t + 1.8 * np.clip(t + 10, 0, None) + rng.normal(0, 0.01, len(t)), 0.5)
    assert seen is not None
    assert float(seen.weight @ seen.pace) > 3 * seen.pace[-1]
    assert float(seen.weight[seen.reach < 12].sum()) > 0.35


def test_the_range_of_a_random_walk_is_rather_wide() -> None:
    """Drift 1, sd 2 a day, 100 to go, 120 days seen: of 100 walks at least nine in ten end within the range, and its
    median is that of the inverse Gaussian law, scipy.stats.invgauss(mu=sigma^2/(d v), scale=d^2/sigma^2).
    """
    rng, held, medians = np.random.default_rng(3), 0, []
    for _ in range(100):
        steps = rng.normal(1 / 24, 2 / np.sqrt(24), 24 * 600)
        level = np.cumsum(steps)
        now = 24 * 120
        end = np.argmax(level[now:] >= level[now] + 100) / 24
        seen = windows(np.arange(-120, 1 / 48, 1 / 24), level[: now + 1], 0.5)
        assert seen is not None
        early, likely, late = points(law(seen, 100.0))
        medians.append(likely)
        held += bool(early <= end <= late)
    assert held >= 90
    assert np.median(medians) == pytest.approx(stats.invgauss(mu=4 / 100, scale=100**2 / 4).median(), rel=0.05)


def test_passages_through_jumps_are_a_sum_of_waits() -> None:
    """Jumps of one at exponential waits of five days on average: three jumps take a gamma-distributed time.

    Reference: scipy.stats.gamma(3, scale=5).
    """
    rng = np.random.default_rng(7)
    at = np.cumsum(rng.exponential(5, 400)) - 1500
    t = np.arange(-1000, 1e-9, 0.25)
    level = np.searchsorted(at, t).astype(float)
    p, count = passage_law(t, level, 2.5)
    exact = stats.gamma(3, scale=5)
    early, likely, late = points(p)
    assert count == 12
    assert likely == pytest.approx(exact.median(), rel=0.3)
    assert early == pytest.approx(exact.ppf(0.05), rel=0.6)
    assert late == pytest.approx(exact.ppf(0.95), rel=0.4)


def test_regular_steps_are_expected_when_they_are_due() -> None:
    """A step every 30 days, the last one 24 days ago: the next is due in six days, whatever the mean pace is."""
    t = np.arange(-234, 1e-9, 0.5)
    level = np.floor((t + 264) / 30)
    p, count = passage_law(t, level, 0.5)
    assert count >= 6
    assert laws.quantile(p, 0.5) == pytest.approx(6, abs=1.5)


def test_a_level_that_never_rose_by_as_much_has_no_passage() -> None:
    """Nothing to learn from: no probability at all, and no passage counted."""
    p, count = passage_law(np.linspace(-50, 0, 400), np.linspace(0, 1, 400), 5.0)
    assert (float(p.max()), count) == (0.0, 0)


def test_windows_that_predicted_well_have_the_weight() -> None:
    """Growth for one week in four: windows of weeks predict the next month, windows of a day do not."""
    t = np.linspace(-200, 0, 4801)
    level = np.cumsum(((t // 7) % 4 == 0) * 4.0 / 24)
    seen = windows(t, level, 0.5)
    assert seen is not None
    after = tried(seen, t, level, 28.0)
    short = seen.reach < 8
    assert after.weight[short].sum() < 0.2 * seen.weight[short].sum() + 1e-6
    assert float(after.weight @ after.pace) == pytest.approx(1.0, rel=0.2)


@pytest.mark.parametrize("errors", [0.0, 1.5, 2.5, 3.0, 4.0])
def test_a_contradicted_window_counts_as_its_density_says(errors: float) -> None:
    """Beyond two standard errors, by the normal density there: scipy.stats.norm. The length counts by its root."""
    short, long = weights(np.array([1.0, 4.0]), np.array([5.0, 5.0 - errors]), np.array([1.0, 1.0]))
    exact = 2 * stats.norm.pdf(max(errors, 2.0)) / stats.norm.pdf(2.0)
    assert (long / short, short + long) == pytest.approx((exact, 1.0))


@pytest.mark.parametrize("ahead_d", [5.0, 20.0])
def test_windows_of_a_random_walk_know_their_error(ahead_d: float) -> None:
    """Drift 1, sd 2 a day: the walks gained what their windows allow, so these stay as they are."""
    t, changed = np.arange(-120, 1 / 48, 1 / 24), []
    for seed in range(12):
        level = np.cumsum(np.random.default_rng(seed).normal(1 / 24, 2 / np.sqrt(24), len(t)))
        seen = windows(t, level, 0.5)
        assert seen is not None
        changed.append(np.median(tried(seen, t, level, ahead_d).variance / seen.variance))
    assert np.mean(changed) == pytest.approx(1, abs=0.25)


def test_windows_are_as_they_were_where_the_record_is_too_short_to_try_them() -> None:
    """Half a year ahead cannot be tried on two months."""
    t = np.linspace(-60, 0, 1441)
    seen = windows(t, 2 * t, 0.5)
    assert seen is not None
    assert tried(seen, t, 2 * t, 180.0) is seen
    assert tried(seen, t, 2 * t, 0.0) is seen


@pytest.mark.parametrize("ahead_d", [0.4, 10.0, 25.0, 200.0])
def test_the_drift_of_a_straight_line_is_none(ahead_d: float) -> None:
    """Also where its points are farther apart than the stretches, and where its record is short."""
    t = np.concatenate((np.arange(-60.0, -2.0), np.linspace(-2, 0, 49)))
    assert drift(t, 3 * t, ahead_d) == pytest.approx(0.0, abs=1e-6)


def test_a_moment_has_no_drift() -> None:
    """Two samples lie within each stretch at least, and the time ahead is not many times as long as the record."""
    t = np.linspace(-1, 0, 5)
    assert drift(t, t, 0.1) is None
    assert drift(t, t, 0.0) is None
    assert drift(np.zeros(3), t[:3], 1.0) is None
    assert drift(np.linspace(-1, 0, 100), np.ones(100), 5.0) is None


def test_noise_is_no_drift() -> None:
    """Independent noise of sd 0.5 each hour on a line: with its spectral weight known, little is left."""
    t = np.linspace(-40, 0, 961)
    y = 3 * t + np.random.default_rng(4).normal(0, 0.5, len(t))
    with_it, without = drift(t, y, 1.0), drift(t, y, 1.0, white=0.25 / 24)
    assert with_it is not None
    assert without is not None
    assert without < 0.7 * with_it


def test_the_drift_of_wandering_paces_is_seen_in_a_short_record() -> None:
    """A pace that is a random walk (variance 1 a day): means of 40 days that meet differ by a variance of 2/3 40."""
    t, found = np.linspace(-60, 0, 1441), []
    for seed in range(60):
        pace = np.cumsum(np.random.default_rng(seed).normal(0, 1 / np.sqrt(24), len(t)))
        found.append(drift(t, np.cumsum(pace) / 24, 40.0))
    held = stats.halfnorm(scale=(2 / 3 * 40) ** 0.5).cdf(np.array(found, float))
    assert 0.75 <= held.mean() <= 0.97


def test_the_drift_is_what_nine_of_ten_changes_of_pace_stay_below() -> None:
    """Independent gains of sd 1 a day: two paces over ten days differ by sqrt(2 / 10), as scipy.stats.halfnorm says."""
    t, found = np.linspace(-400, 0, 9601), []
    for seed in range(40):
        gains = np.random.default_rng(seed).normal(5 / 24, 1 / np.sqrt(24), len(t))
        found.append(drift(t, np.cumsum(gains), 10.0))
    held = stats.halfnorm(scale=0.2**0.5).cdf(np.array(found, float))
    assert 0.88 <= held.mean() <= 0.94


@pytest.mark.parametrize("count", [0, 1])
def test_without_two_points_there_is_no_drift(count: int) -> None:
    """A clock that was years off leaves a single point before now, or none."""
    assert drift(np.full(count, -11574.0), np.full(count, 113.0), 0.0) is None


def test_points_at_the_beginning_of_the_grid() -> None:
    """What comes before the first time of the grid is at that; what comes between the first two is between them."""
    first, second = laws.GRID[:2]
    assert laws.quantile(np.full(len(laws.GRID), 0.9), 0.5) == first
    later = np.full(len(laws.GRID), 0.9)
    later[0] = 0.1
    assert first < laws.quantile(later, 0.5) < second
    assert laws.quantile(later, 0.5) == pytest.approx((first * second) ** 0.5, rel=1e-9)
