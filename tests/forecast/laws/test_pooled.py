"""What the pooled law takes from a record, where that is plain."""

import numpy as np
import pytest

from watchkeeper.forecast.laws.pooled import Record, rests
from watchkeeper.model.forecast import Forecast


@pytest.mark.parametrize(
    ("risen", "longest", "present"),
    [((-30, -10, -8), 20, 8), ((-30, -28, -10), 18, 10), ((-40, -6, -5, -1), 34, 1), ((-7,), 0, 7)],
)
def test_rests_lie_between_two_rises(risen: tuple[float, ...], longest: float, present: float) -> None:
    """Jumps of 50 on these days; the time before the first of them is no rest between two."""
    t = np.linspace(-60, 0, 60 * 8 + 1)
    level = np.interp(np.searchsorted(np.array(risen), t, side="right"), [0, 9], [300, 750])
    record = Record(t, level, float(level[-1]), None, 0.0)
    assert rests(record, Forecast(0.0, float(level[-1]), 1000.0)) == pytest.approx((longest, present))
