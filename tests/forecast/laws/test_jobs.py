"""Growth under jobs that come and go: against the exponential law, and a simulation."""

import numpy as np
import pytest
from scipy import stats

from tests.forecast.levels import day, every, noise, seen
from watchkeeper.forecast.laws import law as laws
from watchkeeper.forecast.laws.jobs import Jobs, touched

POINTS = (0.05, 0.5, 0.95)


def on_day(ends_d: float) -> np.ndarray:
    """The law of a level that is full on this day, almost surely."""
    return laws.of_range(ends_d * 0.999, ends_d, ends_d * 1.001)


def points(p: np.ndarray) -> list[float]:
    """The 5, 50 and 95 % points."""
    return [laws.quantile(p, share) for share in POINTS]


def test_jobs_of_one_height_come_after_an_exponential_wait() -> None:
    """100 to go at 2 a day, jobs of 40 every four days: from day 30 on the next job fills it.

    Reference: scipy.stats.expon(30, scale=4).
    """
    found = touched(on_day(50.0), Jobs(np.full(7, 40.0), 28.0), 100.0)
    exact = stats.expon(30, scale=4)
    assert points(found) == pytest.approx([exact.ppf(share) for share in POINTS], rel=0.05)


def test_jobs_of_many_heights_are_a_simulations() -> None:
    """Jobs of 5 to 60, one in two days, on a level that rises by 2 a day: 4,000 futures."""
    rng = np.random.default_rng(11)
    heights = rng.uniform(5, 60, 14)
    ends = []
    for _ in range(4_000):
        at = np.cumsum(stats.expon(scale=2).rvs(120, random_state=rng))
        high = at[2 * at + rng.choice(heights, len(at)) >= 100]
        ends.append(min(float(high.min(initial=50.0)), 50.0))
    found = touched(on_day(50.0), Jobs(heights, 28.0), 100.0)
    assert points(found) == pytest.approx(np.quantile(ends, POINTS), rel=0.05)


def test_of_very_many_jobs_some_stand_for_all() -> None:
    """Ten times as many jobs, in ten times as many days, say the same."""
    few, many = Jobs(np.linspace(5, 60, 20), 20.0), Jobs(np.repeat(np.linspace(5, 60, 20), 10), 200.0)
    assert points(touched(on_day(50.0), many, 100.0)) == pytest.approx(
        points(touched(on_day(50.0), few, 100.0)), rel=0.05
    )


def test_a_level_that_never_fills_is_not_filled_by_its_jobs() -> None:
    """What the law below says never happens, no job does; and without jobs the law stays as it was."""
    half = 0.5 * on_day(50.0)
    assert touched(half, Jobs(np.array([40.0]), 4.0), 100.0)[-1] == pytest.approx(0.5, abs=1e-3)
    assert (touched(0 * half, Jobs(np.array([40.0]), 4.0), 100.0) == 0).all()
    assert touched(half, Jobs(np.empty(0), 4.0), 100.0) is half


def test_the_range_of_growth_under_jobs_holds_the_first_job_that_fills_it() -> None:
    """10 a day under jobs of 20 to 80: with 15 days to go, the range of 11 records of 14 at least holds the end."""
    held = 0
    for seed in range(14):
        rng = np.random.default_rng(seed)
        t = every(30, 70)
        used = 300 + 10 * t
        for at in np.cumsum(rng.exponential(0.8, 120)):
            used += rng.uniform(20, 80) * (np.clip((t - at) / 0.1, 0, 1) - np.clip((t - at - 0.25) / 0.01, 0, 1))
        full = float(t[np.argmax(used >= 1000)])
        now = t <= full - 15
        found = seen(t[now], used[now] + noise(int(now.sum()), 0.5))
        held += bool(day(found.earliest_s) <= full and (found.latest_s is None or full <= day(found.latest_s)))
    assert held >= 11


@pytest.mark.parametrize(("jobs", "counted"), [(4, False), (8, True)])
def test_seldom_jobs_count_by_their_number(jobs: int, counted: bool) -> None:  # noqa: FBT001
    """Jobs of three hours within four weeks: a thirtieth of the time; the line alone ends on day 87."""
    t = every(20, 60)
    used = 300 + 8.0 * t + noise(len(t), 0.5)
    for at in np.linspace(33.0, 59.0, jobs, endpoint=False):
        used[(t >= at) & (t < at + 0.125)] += 150
    found = seen(t, used)
    assert (day(found.likely_s) < 75) is counted
