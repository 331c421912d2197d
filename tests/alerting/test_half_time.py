"""From half of the time to the end at the latest there is a warning, through the whole evaluator."""

import numpy as np
import pytest

from watchkeeper.alerting.backtest import replay
from watchkeeper.alerting.rules import Rules
from watchkeeper.model.alert import Priority
from watchkeeper.model.line import Floats
from watchkeeper.model.units import DAY_S

pytestmark = [pytest.mark.slow, pytest.mark.untraced]

START_S = 1_767_225_600.0
CALM_D = 7.0


def calm(t: Floats, kind: str, capacity: float) -> Floats:
    """What the level does besides growing."""
    draw = np.random.default_rng(1)
    if kind == "noisy":
        return draw.normal(0, 0.002 * capacity, len(t))
    if kind == "pruned":
        return 0.03 * capacity * ((t - 0.125) % 1) + draw.normal(0, 0.0005 * capacity, len(t))
    return np.zeros(len(t))


@pytest.mark.parametrize("kind", ["flat", "noisy", "pruned"])
@pytest.mark.parametrize(
    ("fill_d", "minutes", "used", "capacity"),
    [
        (0.15, 1, 0.5, 2e12),
        (0.5, 5, 0.9, 6.4e10),
        (1, 30, 0.2, 4.2e6),
        (2, 30, 0.5, 2e12),
        (4, 30, 0.9, 1.0),
        (7, 30, 0.7, 3.2e10),
    ],
)
def test_half_of_the_time_is_left(kind: str, fill_d: float, minutes: float, used: float, capacity: float) -> None:
    """A growth after calm days that fills the store in hours or days is a warning half-way, and stays one."""
    t = np.arange(0, CALM_D + fill_d, minutes / 1440)
    level = used * capacity + calm(t, kind, capacity)
    level += (1 - used) * capacity / fill_d * np.maximum(t - CALM_D, 0)
    end = int(np.argmax(level >= capacity)) or len(t) - 1
    half = (CALM_D + float(t[end])) / 2
    every_s = max(minutes * 60, fill_d * DAY_S / 40)
    walked = replay(START_S + t[: end + 1] * DAY_S, level[: end + 1], np.full(end + 1, capacity), every_s, Rules())
    later = [each.priority or 0 for each in walked if (each.at_s - START_S) / DAY_S >= half]
    assert later
    assert min(later) >= Priority.WARNING
