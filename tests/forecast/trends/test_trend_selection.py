"""Which part of the past the trend goes through, on levels whose present is known."""

import pytest

from tests.forecast.levels import CAPACITY, START_S, every, history_of, noise
from watchkeeper.forecast.hourly_features import LEAST_CLEARING, LEAST_SHARE, study
from watchkeeper.forecast.samples import to_points
from watchkeeper.forecast.trends.trend_selection import Outlook, look
from watchkeeper.model.line import Floats
from watchkeeper.model.units import DAY_S


def trend(t: Floats, used: Floats) -> Outlook:
    """The trend right after the last sample."""
    history = history_of(t, used)
    past = study(history, CAPACITY)
    least = LEAST_SHARE * CAPACITY
    found = look(
        to_points(history, past, START_S + float(t[-1]) * DAY_S, LEAST_CLEARING * least), past, CAPACITY, least
    )
    assert found is not None
    return found


@pytest.mark.parametrize("minutes", [40, 120])
def test_a_burst_that_may_stop_counts_as_level_and_not_as_growth(minutes: float) -> None:
    """On 2 a day, 30 within the last minutes: the growth is that before it, the level that of now."""
    t = every(5, 20)
    begin = t[-1] - minutes / 1440
    used = 300 + 2 * t + 30 * (t - begin).clip(0) / (t[-1] - begin)
    found = trend(t, used)
    assert found.slope == pytest.approx(2, rel=0.05)
    assert found.level == pytest.approx(used[-1], abs=3)


@pytest.mark.parametrize(("rest_h", "stopped"), [(6, False), (16, True)])
def test_growth_has_stopped_after_half_a_day_without_it(rest_h: float, stopped: bool) -> None:  # noqa: FBT001
    """30 a day for weeks, then rest: within half a day it may go on, after it there is no growth any more."""
    t = every(10, 20)
    found = trend(t, 300 + 30 * t.clip(0, t[-1] - rest_h / 24))
    assert (abs(found.slope) < 1) is stopped
    assert (found.slope > 10) is not stopped


@pytest.mark.parametrize("sd", [0.1, 2.0])
def test_a_trend_that_nothing_contradicts_takes_the_whole_past(sd: float) -> None:
    """A line with independent noise: nothing of its 20 days is left out."""
    t = every(20, 20)
    found = trend(t, 300 + 10 * t + noise(len(t), sd))
    assert found.reach_d == pytest.approx(20, abs=0.1)
    assert found.slope == pytest.approx(10, abs=4 * (12 * sd**2 / 72 / 20**3) ** 0.5)
