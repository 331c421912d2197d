"""The unit of a level changes no date: bytes, mebibytes or shares of many kinds of records, in powers of two, which
scale a floating-point number exactly (IEEE 754).
"""

from collections.abc import Callable

import numpy as np
import pytest

from tests.forecast.levels import CAPACITY, START_S, every, history_of, noise
from watchkeeper.forecast.forecast import forecast
from watchkeeper.forecast.unusual_growth import with_unusual_growth
from watchkeeper.model.forecast import Forecast
from watchkeeper.model.line import Floats
from watchkeeper.model.units import DAY_S


def imports(t: Floats) -> Floats:
    """Nothing grows but by imports, again and again."""
    return 100 + sum(40 * np.clip((t - at) / 0.1, 0, 1) for at in (3, 9, 12, 20, 25, 27)) + noise(len(t), 0.1)


def jobs(t: Floats) -> Floats:
    """Growth under jobs of three hours."""
    return 300 + 8 * t + 150 * (t % 2 < 0.125) + noise(len(t), 0.5)


def cleared(t: Floats) -> Floats:
    """Filled, and cleared twice."""
    return 300 + 60 * t - np.where(t > 9, 500, 0) - np.where(t > 19, 700, 0) + noise(len(t), 1)


KINDS: dict[str, Callable[[Floats], Floats]] = {
    "line": lambda t: 300 + 10 * t + noise(len(t), 1),
    "walk": lambda t: 200 + 12 * t + np.cumsum(noise(len(t), 0.8)),
    "parabola": lambda t: 200 + 0.5 * t**2 + noise(len(t), 0.5),
    "burst": lambda t: 300 + 0.01 * t + 0.9 * np.clip(t - 29.3, 0, None),
    "runaway": lambda t: 300 + 70 * 24 * np.clip(t - 29.9, 0, None) + noise(len(t), 1),
    "imports": imports,
    "jobs": jobs,
    "cleared": cleared,
    "prunes": lambda t: 300 + 10 * t + 100 * ((t - 0.25) % 1) + noise(len(t), 0.5),
    "drop": lambda t: 400 + 10 * t - np.where(t > t[-1] - 0.1, 200, 0) + noise(len(t), 0.5),
    "one low sample": lambda t: 400 + 10 * t - np.where(t == t[-1], 200, 0) + noise(len(t), 0.5),
}


def seen(t: Floats, used: Floats, capacity: float, back_d: float) -> Forecast:
    """The forecast with unusual growth, so many days before the last sample."""
    history = history_of(t, used, capacity)
    return with_unusual_growth(forecast(history, START_S + float(t[-1] - back_d) * DAY_S), history)


@pytest.mark.parametrize("factor", [2.0**-20, 2.0**20])
@pytest.mark.parametrize("back_d", [0.0, 0.6], ids=["now", "clock ahead"])
@pytest.mark.parametrize("kind", KINDS)
def test_the_unit_of_a_level_changes_no_date(kind: str, back_d: float, factor: float) -> None:
    """Every date is the same, and every rate is in the new unit."""
    t = every(20, 30)
    agree(t, KINDS[kind](t), back_d, factor)


@pytest.mark.parametrize("factor", [2.0**-20, 2.0**20])
@pytest.mark.parametrize("sd", [0.0, 0.3])
def test_the_unit_of_a_young_level_changes_no_date(sd: float, factor: float) -> None:
    """Half an hour of samples, before an hour has closed."""
    t = every(1, 0.5 / 24)
    agree(t, 300 + 2000 * t + noise(len(t), sd), 0.0, factor)


def agree(t: Floats, used: Floats, back_d: float, factor: float) -> None:
    """The same forecast in both units."""
    here, there = seen(t, used, CAPACITY, back_d), seen(t, used * factor, CAPACITY * factor, back_d)
    assert there.no_end is here.no_end
    for name in ("earliest_s", "likely_s", "latest_s", "since_s"):
        a, b = getattr(here, name), getattr(there, name)
        assert (b is None) == (a is None), name
        assert b is None or b == pytest.approx(a, abs=1), name
    assert there.growth_per_day == pytest.approx((here.growth_per_day or 0.0) * factor, rel=1e-6)
    assert there.spread == pytest.approx((here.spread or 0.0) * factor, rel=1e-6)
    assert [each.size for each in there.steps] == pytest.approx([each.size * factor for each in here.steps], rel=1e-6)
    assert (there.unusual is None) == (here.unusual is None)
