"""What is usual: against numpy's percentile, and at the edges."""

import numpy as np

from watchkeeper.probes.support.usual import HOURS_KEPT, HOURS_LEAST, Usual


def learned(values: list[float]) -> Usual:
    """One value an hour."""
    usual = Usual()
    for number, value in enumerate(values):
        usual = usual.with_value(value, float("inf"), number * 3600.0)
    return usual


def test_usual_is_the_95th_percentile_of_the_hours() -> None:
    """The next larger value of those that numpy would interpolate between (method "higher")."""
    values = [float(each) for each in np.random.default_rng(7).gamma(2.0, 5.0, 200).round(2)]
    expected = float(np.percentile(values, 95, method="higher"))
    found = learned(values).usual
    assert found is not None
    assert abs(sorted(values).index(found) - sorted(values).index(expected)) <= 1


def test_an_hour_counts_once_with_its_largest_value() -> None:
    """However many values it had."""
    usual = Usual()
    for second, value in ((0, 1.0), (60, 7.0), (3599, 2.0), (3600, 3.0)):
        usual = usual.with_value(value, float("inf"), second)
    assert usual.hours == (7.0, 3.0)


def test_only_a_fortnight_is_kept_and_little_says_nothing() -> None:
    """Neither too much nor too little."""
    assert learned([1.0] * (HOURS_LEAST - 1)).usual is None
    assert learned([1.0] * HOURS_LEAST).usual == 1.0
    assert len(learned([1.0] * 1000).hours) == HOURS_KEPT


def test_what_is_above_the_limit_is_counted_and_not_learned() -> None:
    """Three in a row are lasting; one below ends it."""
    usual = learned([1.0] * HOURS_LEAST)
    for count in (1, 2, 3):
        usual = usual.with_value(9.0, 3.0, 1e9)
        assert usual.lasting is (count == 3)
    assert usual.usual == 1.0
    assert not usual.with_value(1.0, 3.0, 1e9).lasting
