"""From when on a cycle is seen: of a day from the second day on, of a week with the third."""

import numpy as np
import pytest

from tests.forecast.levels import every, seen
from watchkeeper.model.units import DAY_S


@pytest.mark.parametrize(
    ("period_d", "lasted_d", "seen_s"),
    [(1, 1.5, None), (1, 2.2, DAY_S), (7, 17.0, None), (7, 20.0, None), (7, 22.0, 7 * DAY_S)],
)
def test_a_cycle_is_seen_when_it_has_been_there_often_enough(
    period_d: float, lasted_d: float, seen_s: float | None
) -> None:
    """A swing of 50 of 1000 around a level: two days show a day, and three weeks a week."""
    t = every(20, lasted_d)
    assert seen(t, 400 + 50 * np.sin(2 * np.pi * t / period_d)).cycle_s == seen_s
