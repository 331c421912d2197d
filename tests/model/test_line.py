"""When a line reaches a level: the interval against the roots of the equation that defines it."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from watchkeeper.model.line import Line

reals = st.floats(min_value=0.1, max_value=1000)


def ends(line: Line, level: float, t: float) -> list[float]:
    """The times whose line differs from the level by exactly t standard errors of it.

    (level - value)^2 = t^2 (residual^2 / n + (slope_error (at - centre))^2), as Fieller (1954) has it, solved by numpy.
    """
    rise = level - line.middle
    own = [
        line.slope**2 - (t * line.slope_error) ** 2,
        -2 * rise * line.slope,
        rise**2 - t**2 * line.residual**2 / line.n,
    ]
    return sorted(line.centre_s + root for root in np.roots(own).real)


@given(reals, reals, st.floats(0.01, 0.9), reals, st.integers(3, 500), st.floats(1, 3), st.floats(-1000, 1000))
def test_the_interval_ends_where_the_level_leaves_the_error_of_the_line(
    middle: float, slope: float, share: float, residual: float, n: int, t: float, rise: float
) -> None:
    """For rising and falling lines, and for levels that were reached before the middle of the samples."""
    for sloping in (slope, -slope):
        line = Line(50.0, middle, sloping, share * slope / t, residual, n)
        found = line.reaches(middle + rise, t)
        assert found is not None
        earliest, latest = ends(line, middle + rise, t)
        size = max(abs(earliest), abs(latest), 1.0)
        assert found.earliest == pytest.approx(earliest, abs=1e-6 * size)
        assert found.latest == pytest.approx(latest, abs=1e-6 * size)
        assert line.value(found.likely) == pytest.approx(middle + rise, abs=1e-6 * max(abs(rise), 1.0))
        assert found.earliest <= found.likely <= found.latest


@pytest.mark.parametrize("slope", [0.0, 1.0, -1.0])
def test_a_slope_that_may_be_zero_has_no_interval(slope: float) -> None:
    """At exactly t standard errors there are no ends, and just below they are finite."""
    assert Line(0.0, 10.0, slope, 0.5, 1.0, 10).reaches(20.0, 2.0) is None
    if slope:
        near = Line(0.0, 10.0, slope, 0.49, 1.0, 10).reaches(20.0, 2.0)
        assert near is not None
        assert math.isfinite(near.latest)
