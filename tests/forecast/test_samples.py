"""What the trend is taken from: the newest samples as they are, hours before them."""

import numpy as np
import pytest

from tests.forecast.levels import CAPACITY, START_S, every, history_of
from watchkeeper.forecast.hourly_features import study
from watchkeeper.forecast.samples import Points, to_points
from watchkeeper.model.units import DAY_S


def points(days: float) -> Points:
    """Of a sample every ten minutes on a line, right after the last."""
    t = every(10, days)
    history = history_of(t, 200 + 10 * t)
    return to_points(history, study(history, CAPACITY), START_S + float(t[-1]) * DAY_S, 10.0)


def test_before_an_hour_has_closed_all_are_samples() -> None:
    """Five of them, none is an hour, and each represents the ten minutes before it."""
    found = points(4.5 / 144)
    assert (len(found.t), found.older, found.first) == (5, 0, 0)
    assert found.weight == pytest.approx(10 / 1440)
    assert found.t == pytest.approx(np.arange(-4, 1) / 144)
    assert (found.fallen, found.drop) == (0, None)


def test_older_ones_are_hours() -> None:
    """Six hours before the open one as sampled, and what was before as hours, on the same line; none is there twice."""
    found = points(1.999)
    gaps = np.diff(found.t)
    assert (gaps > 0).all()
    assert gaps[: found.older - 1] == pytest.approx(1 / 24)
    assert gaps[found.older :] == pytest.approx(1 / 144)
    assert -found.t[found.older] * 24 == pytest.approx(6.5, abs=0.5)
    assert found.y == pytest.approx(220 - 10 / 144 + 10 * found.t)
    assert found.weight.sum() == pytest.approx(2, abs=1 / 24)
