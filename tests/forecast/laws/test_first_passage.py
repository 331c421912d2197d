"""When a course first touches its capacity."""

import numpy as np
import pytest
from scipy import stats

from watchkeeper.forecast.laws.first_passage import FLAT, Course, Phases, band, likely
from watchkeeper.forecast.trends.trend import least_squares


def course(slope: float, bend: float = 0.0, *, level: float = 0.0, strays: float = 0.0, error: float = 0.0) -> Course:
    """A course with the given ways of being unsure."""
    return Course(level, slope, bend, 0.0, strays, error**2)


def test_a_random_walk_arrives_about_when_the_inverse_gaussian_says() -> None:
    """Distance 100, drift 1, variance 4 a day: 5 % by day 70.8 and 95 % by day 135.9.

    scipy.stats.invgauss(mu=sigma^2/(d v), scale=d^2/sigma^2). The band is Fieller's and not the exact law; within 3 %.
    """
    exact = stats.invgauss(mu=4 / 100, scale=100**2 / 4)
    assert exact.ppf([0.05, 0.95]) == pytest.approx([70.8002, 135.8670], abs=1e-3)
    early, late = band(course(1.0, strays=4.0), 100.0, FLAT)
    assert early == pytest.approx(exact.ppf(0.05), rel=0.03)
    assert late == pytest.approx(exact.ppf(0.95), rel=0.03)


def test_the_band_of_a_line_is_fiellers() -> None:
    """A line's level and slope errors, together, give the interval of the line itself (forecast/trends/trend.py)."""
    rng = np.random.default_rng(2)
    x = np.arange(-60.0, 1.0)
    line = least_squares(x, 0.5 * x + rng.normal(0, 1, len(x)))
    exact = line.reaches(40.0, 1.6448536269514722)
    assert exact is not None
    centre, middle = line.residual**2 / line.n, line.slope_error**2
    seen = Course(
        line.value(0), line.slope, 0.0, centre + middle * line.centre_s**2, -2 * middle * line.centre_s, middle
    )
    assert band(seen, 40.0, FLAT) == pytest.approx((exact.earliest, exact.latest), rel=1e-9)


def test_without_a_clear_slope_the_upper_end_is_open() -> None:
    """Fieller's g >= 1: it may be soon, and it may never be."""
    early, late = band(course(1.0, error=0.7), 100.0, FLAT)
    assert 0 < early < 100
    assert late == np.inf


def test_a_bend_is_followed_to_the_capacity_or_away_from_it() -> None:
    """At h = 61.8 h + h^2 / 100 is 100; with the bend the other way the top is at 25 and 100 is never reached."""
    assert likely(course(1.0, 0.01), 100.0, FLAT) == pytest.approx(50 * (5**0.5 - 1))
    assert likely(course(1.0, -0.01), 100.0, FLAT) == np.inf
    assert likely(course(-1.0), 100.0, FLAT) == np.inf


def test_what_is_there_already_is_now() -> None:
    """A trend above its capacity touches at once, whatever its slope."""
    assert likely(course(-1.0, level=101.0), 100.0, FLAT) == 0
    assert band(course(1.0, level=101.0), 100.0, FLAT)[0] == 0


def test_the_first_phase_that_touches_counts() -> None:
    """A trend of 1 a day from 0 to 100, with a crest of 10 once a week: day 91, the crest's first visit from 90 on."""
    week = Phases(np.array([0.0] * 6 + [10.0]), np.arange(7.0), 1.0, 7.0, np.zeros(7))
    assert likely(course(1.0), 100.0, week) == pytest.approx(90.0)
    later = Phases(np.array([0.0] * 6 + [10.0]), np.arange(7.0) - 2, 1.0, 7.0, np.zeros(7))
    assert likely(course(1.0), 100.0, later) == pytest.approx(95.0)
    assert likely(course(-1.0), 100.0, week) == np.inf
