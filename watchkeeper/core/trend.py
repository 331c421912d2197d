"""Lines through samples, and where they meet a level: ordinary least squares and Fieller's inverse interval.

Everything is computed about the centre, so that epoch seconds lose no digits. What may live here: exact textbook
formulas. Not here: which samples a line may rest on (regime.py), or how the noise hangs together (noise.py).
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Line:
    """A straight line through (centre_s, middle) with its standard errors."""

    centre_s: float
    middle: float
    slope: float  # level's unit a second
    slope_error: float  # standard error of the slope
    residual: float  # standard deviation of the samples about the line
    n: int

    def value(self, at_s: float) -> float:
        """The line's value at an instant, seconds since 1970."""
        return self.middle + self.slope * (at_s - self.centre_s)


def least_squares(x: Floats, y: Floats) -> Line:
    """Ordinary least squares of y on x (same length, at least 2)."""
    centre, middle = float(x.mean()), float(y.mean())
    dx = x - centre
    sxx = float(dx @ dx)
    slope = float(dx @ (y - middle)) / sxx if sxx > 0 else 0.0
    rest = y - middle - slope * dx
    n = len(x)
    residual = float(np.sqrt(rest @ rest / (n - 2))) if n > 2 else 0.0
    return Line(centre, middle, slope, residual / sxx**0.5 if sxx > 0 else 0.0, residual, n)
