"""Lines: against certified values, and against what others compute from the same numbers."""

from pathlib import Path

import numpy as np
import pytest
import scipy
import statsmodels.api as sm
from scipy import stats

from watchkeeper.forecast.trends.trend import least_squares, median_slope

EPOCH_S = 1.7e9


def norris() -> tuple[np.ndarray, np.ndarray]:
    """Norris, NIST StRD linear regression; the file is in the scipy wheel, its columns are y and x."""
    path = Path(scipy.__file__).parent / "stats/tests/data/nist_linregress/Norris.dat"
    table = np.loadtxt(path.read_text(encoding="ascii").splitlines()[60:96])
    return table[:, 1], table[:, 0]


@pytest.mark.parametrize("shift", [0.0, EPOCH_S])
def test_norris_is_met_also_at_epoch_seconds(shift: float) -> None:
    """Slope, its error and the residual are NIST's certified ones; shifting time by 1.7e9 loses nothing of note.

    Certified values: NIST StRD, Norris. The textbook formula, not centred, gives 0.99528 after the shift.
    """
    x, y = norris()
    line = least_squares(x + shift, y)
    assert line.slope == pytest.approx(1.00211681802045, rel=1e-9)
    assert line.value(shift) == pytest.approx(-0.262323073774029, abs=1e-6)
    assert line.slope_error == pytest.approx(0.000429796848199937, rel=1e-7)
    assert line.residual == pytest.approx(0.884796396144373, rel=1e-7)
    assert line.n == 36


def test_the_inverse_interval_is_fiellers() -> None:
    """Where Norris' line reaches 1200: the ends are where statsmodels' own bands for the mean meet that level.

    Inverse prediction: Fieller 1954; values computed from statsmodels' get_prediction by bisection.
    """
    x, y = norris()
    found = least_squares(x, y).reaches(1200.0, float(stats.t.ppf(0.975, 34)))
    assert found is not None
    assert found.likely == pytest.approx(1197.72695, abs=1e-4)
    assert found.earliest == pytest.approx(1196.98598, abs=1e-4)
    assert found.latest == pytest.approx(1198.46911, abs=1e-4)
    fitted = sm.OLS(y, sm.add_constant(x)).fit()
    for at, column in ((found.earliest, "mean_ci_upper"), (found.latest, "mean_ci_lower")):
        band = fitted.get_prediction([[1.0, at]]).summary_frame(alpha=0.05)
        assert band[column].iloc[0] == pytest.approx(1200.0, abs=1e-6)


def test_without_a_distinguishable_slope_there_is_no_interval() -> None:
    """Fieller's g >= 1: a slope that may be zero reaches a level at no knowable time."""
    rng = np.random.default_rng(5)
    line = least_squares(np.arange(40.0), rng.normal(0, 1, 40))
    t = 2.02
    assert (t * line.slope_error / line.slope) ** 2 >= 1
    assert line.reaches(50.0, t) is None
    assert least_squares(np.arange(3.0), np.zeros(3)).reaches(1.0, t) is None


def test_an_exact_line_reaches_a_level_exactly() -> None:
    """Without any scatter the three instants are one."""
    x = np.arange(10.0) + EPOCH_S
    found = least_squares(x, 2 * (x - EPOCH_S)).reaches(100.0, 1.96)
    assert found is not None
    assert (found.earliest, found.likely, found.latest) == pytest.approx([EPOCH_S + 50] * 3, abs=1e-5)


def test_degenerate_input_is_flat() -> None:
    """Samples of one moment have no slope, and two have no scatter."""
    same = least_squares(np.full(5, 7.0), np.arange(5.0))
    assert (same.slope, same.slope_error, same.middle) == (0.0, 0.0, 2.0)
    two = least_squares(np.array([0.0, 1.0]), np.array([0.0, 3.0]))
    assert (two.slope, two.residual) == (3.0, 0.0)


def test_the_slope_agrees_with_scipy_on_uneven_times() -> None:
    """The same slope and error as scipy.stats.linregress, whatever the spacing."""
    rng = np.random.default_rng(3)
    x = np.sort(rng.uniform(0, 1e6, 300))
    y = 3e-4 * x + rng.normal(0, 5, 300)
    ours, theirs = least_squares(x, y), stats.linregress(x, y)
    assert ours.slope == pytest.approx(theirs.slope, rel=1e-12)
    assert ours.slope_error == pytest.approx(theirs.stderr, rel=1e-10)


def test_sens_example() -> None:
    """Sen 1968, JASA 63:1379: slope 4, 93 % interval from 26/7 to 35/8 (quoted in scipy's test_mstats_basic.py)."""
    x, y = np.array([1.0, 2, 3, 4, 10, 12, 18]), np.array([9.0, 15, 19, 20, 45, 55, 78])
    found = median_slope(x, y, float(stats.norm.ppf(0.965)))
    assert found is not None
    assert found.slope == 4.0
    assert (found.low, found.high) == pytest.approx((26 / 7, 35 / 8))
    assert least_squares(x, y).slope == pytest.approx(4.02135, abs=1e-5)


@pytest.mark.parametrize("seed", range(6))
def test_the_median_slope_is_scipys(seed: int) -> None:
    """Slope and interval as scipy.stats.theilslopes has them, with ties in both directions."""
    rng = np.random.default_rng(seed)
    x = np.round(np.sort(rng.uniform(0, 20, 50))).astype(np.float64)
    y = np.round(rng.normal(0, 3, 50) + np.arange(50) / 5).astype(np.float64)
    ours, theirs = median_slope(x, y, float(stats.norm.ppf(0.975))), stats.theilslopes(y, x, 0.95)
    assert ours is not None
    assert (ours.slope, ours.low, ours.high) == pytest.approx((theirs.slope, theirs.low_slope, theirs.high_slope))


def test_a_quarter_of_wild_points_moves_the_median_slope_little() -> None:
    """As scipy.stats.siegelslopes, whose breakdown is higher, it stays near the truth where least squares does not."""
    rng = np.random.default_rng(1)
    x = np.arange(80.0)
    y = 2 * x + rng.normal(0, 1, 80)
    y[rng.choice(80, 18, replace=False)] += 400
    ours = median_slope(x, y, 1.96)
    assert ours is not None
    assert ours.slope == pytest.approx(2, abs=0.1)
    assert ours.slope == pytest.approx(stats.siegelslopes(y, x).slope, abs=0.1)
    assert abs(least_squares(x, y).slope - 2) > 0.2


def test_points_of_one_moment_have_no_median_slope() -> None:
    """Where all times are equal there is no pair to take a slope from."""
    assert median_slope(np.full(4, 3.0), np.arange(4.0), 1.0) is None


def test_three_points_have_an_error_too() -> None:
    """One degree of freedom is left; the reference is scipy.stats.linregress."""
    x, y = np.array([0.0, 1.0, 2.0]), np.array([1.0, 2.5, 3.1])
    line, other = least_squares(x, y), stats.linregress(x, y)
    assert (line.slope, line.slope_error) == pytest.approx((other.slope, other.stderr), rel=1e-12)
