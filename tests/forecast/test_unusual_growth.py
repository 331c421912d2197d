"""A growth that is unusual for its own record is found in its first hours, and seldom where there is none."""

from dataclasses import replace

import numpy as np
import pytest

from tests.forecast.levels import CAPACITY, START_S, every, history_of, noise
from watchkeeper.forecast.forecast import forecast
from watchkeeper.forecast.unusual_growth import FEWEST, LENGTHS, with_unusual_growth
from watchkeeper.model.forecast import Forecast, NoEnd
from watchkeeper.model.line import Floats
from watchkeeper.model.units import DAY_S

CALM_D = 30.0


def calm(t: Floats, kind: str) -> Floats:
    """An ordinary month: flat, noisy, pruned every night, or growing slowly."""
    n = len(t)
    return {
        "flat": np.full(n, 500.0),
        "noisy": 500 + noise(n, 2.0),
        "pruned": 500 + 30 * ((t - 0.125) % 1) + noise(n, 0.5),
        "slow": 500 + 0.5 * (t - CALM_D) + noise(n, 0.3),
    }[kind]


def growing(kind: str, hours: float, fill_d: float, minutes: float = 30) -> Forecast:
    """What is found so many hours after a growth began that fills the store in fill_d days."""
    t = every(minutes, CALM_D + hours / 24 + minutes / 1440 / 2)
    used = calm(t, kind) + 500 / fill_d * np.maximum(t - CALM_D, 0)
    history = history_of(t, used)
    return with_unusual_growth(forecast(history, START_S + float(t[-1]) * DAY_S), history)


@pytest.mark.parametrize("kind", ["flat", "noisy", "pruned", "slow"])
@pytest.mark.parametrize("fill_d", [2.0, 5.0])
def test_a_growth_is_found_within_its_first_hours(kind: str, fill_d: float) -> None:
    """Three hours after it began it is unusual; when it began, its rate and its end are about right."""
    found = growing(kind, 3.5, fill_d)
    assert found.unusual is not None
    assert (found.unusual.since_s - START_S) / DAY_S == pytest.approx(CALM_D, abs=2 / 24)
    assert found.unusual.per_day == pytest.approx(500 / fill_d, rel=0.4)
    assert (found.unusual.full_s - found.at_s) / DAY_S == pytest.approx(fill_d, rel=0.6)


def test_a_date_that_includes_the_growth_ends_it() -> None:
    """Once the trend has a date that is about as near, the growth is no longer said to be too young for one."""
    found = growing("noisy", 20, 2.0)
    assert found.likely_s is not None
    assert found.unusual is None


@pytest.mark.parametrize("kind", ["flat", "noisy", "pruned", "slow"])
def test_nothing_is_unusual_in_an_ordinary_month(kind: str) -> None:
    """Nothing grows."""
    assert growing(kind, 0, 1e9).unusual is None


def test_a_growth_that_stopped_is_not_going_on() -> None:
    """Ten hours of growth, then rest: in the second hour of the rest nothing is said any more."""
    t = every(30, CALM_D + 0.5)
    used = 500 + noise(len(t), 0.5) + 250 * np.clip(t - CALM_D, 0, 9.4 / 24)
    history = history_of(t, used)
    assert with_unusual_growth(forecast(history, START_S + float(t[-1]) * DAY_S), history).unusual is None


def test_a_growth_like_those_before_is_usual() -> None:
    """An import of four hours every fifth day: the sixth one is like the others."""
    t = every(30, CALM_D + 3.6 / 24)
    used = 400 + noise(len(t), 0.5) + np.cumsum(np.where((t % 5 < 4 / 24) & (t > 1), 20 / 8, 0.0))
    history = history_of(t, used)
    assert with_unusual_growth(forecast(history, START_S + float(t[-1]) * DAY_S), history).unusual is None


def test_a_short_record_has_nothing_to_compare_with() -> None:
    """Before there are enough hours, nothing is called unusual."""
    t = every(30, (FEWEST - 2) / 24)
    used = 500 + noise(len(t), 0.5) + 300 * np.maximum(t - float(t[-1]) + 0.1, 0)
    history = history_of(t, used)
    found = Forecast(START_S + float(t[-1]) * DAY_S, float(used[-1]), CAPACITY, no_end=NoEnd.STILL)
    assert with_unusual_growth(found, history) == found


@pytest.mark.parametrize("rate", [None, 250.0])
def test_a_growth_without_a_date_is_not_included_yet(rate: float | None) -> None:
    """A rate beside which nothing is dated tells nobody that it is soon full."""
    t = every(30, CALM_D + 3.5 / 24)
    history = history_of(t, calm(t, "flat") + 250 * np.maximum(t - CALM_D, 0))
    at_s, used = START_S + float(t[-1]) * DAY_S, 500 + 250 * 3.5 / 24
    found = Forecast(at_s, used, CAPACITY, no_end=NoEnd.UNCERTAIN, growth_per_day=rate)
    assert with_unusual_growth(found, history).unusual is not None


def test_a_growth_is_found_as_soon_as_there_are_hours_to_compare_with() -> None:
    """Nine days: no window is longer than five hours, and the growth of the last two and a half is found."""
    t = every(30, 215 / 24 + 1 / 96)
    begin = float(t[-1]) - 2.5 / 24
    used = 500 + noise(len(t), 0.5) + 250 * np.maximum(t - begin, 0)
    history = history_of(t, used)
    found = Forecast(START_S + float(t[-1]) * DAY_S, float(used[-1]), CAPACITY, no_end=NoEnd.STILL)
    unusual = with_unusual_growth(found, history).unusual
    assert unusual is not None
    assert (unusual.since_s - START_S) / DAY_S == pytest.approx(begin, abs=1 / 24)
    assert unusual.per_day == pytest.approx(250, rel=0.2)


@pytest.mark.parametrize("age", range(1, max(LENGTHS) + 1))
def test_a_growth_of_any_age_has_a_window_that_holds_most_of_it(age: int) -> None:
    """More than two thirds of what it gained, in the longest window that it fills."""
    assert max(length for length in LENGTHS if length <= age) > 2 / 3 * age


def test_a_full_level_and_an_earlier_moment_have_none() -> None:
    """A level that is full needs no rate; nor has a moment before the growth one."""
    found = growing("flat", 3.5, 2.0)
    t = every(30, CALM_D + 3.5 / 24)
    history = history_of(t, calm(t, "flat") + 250 * np.maximum(t - CALM_D, 0))
    assert found.unusual is not None
    plain = replace(found, unusual=None, likely_s=None)
    assert with_unusual_growth(plain, history).unusual is not None
    assert with_unusual_growth(replace(plain, full=True), history).unusual is None
    assert with_unusual_growth(replace(plain, at_s=START_S), history).unusual is None


def test_it_is_wrong_about_as_rarely_as_a_rank_test_is() -> None:
    """Hours without any growth, 1,000 in all after twelve days of record: at most a hundredth are called unusual.

    The test is wrong in one of about 290 if hours are exchangeable, so in 3.5 of these on average.
    """
    wrong, hours = 0, 1000
    t = every(60, 12 + 50 / 24)
    for seed in range(hours // 50):
        used = 500 + noise(len(t), 2.0, seed)
        history = history_of(t[: 12 * 24], used[: 12 * 24])
        for i in range(12 * 24, len(t)):
            at_s = START_S + float(t[i]) * DAY_S
            history.add(at_s, float(used[i]), CAPACITY)
            found = Forecast(at_s, float(used[i]), CAPACITY, no_end=NoEnd.STILL)
            wrong += with_unusual_growth(found, history).unusual is not None
    assert wrong <= hours / 100


def test_a_growth_whose_gain_is_gone_again_has_no_rate() -> None:
    """Three hours of growth, all of it deleted in the newest minutes: nothing is on its way to full."""
    t = every(60, CALM_D + 4.5 / 24)
    used = calm(t, "flat") + 250 * np.maximum(t - CALM_D, 0)
    used[-1] = 500.0
    history = history_of(t, used)
    found = Forecast(START_S + float(t[-1]) * DAY_S, 500.0, CAPACITY, no_end=NoEnd.STILL)
    assert with_unusual_growth(found, history).unusual is None
    used[-1] = used[-2]
    assert with_unusual_growth(found, history_of(t, used)).unusual is not None
