"""Lines through samples: least squares, and the median slope of Theil and Sen.

Everything is computed relative to the centre, so that epoch seconds lose no digits. What may live here: exact textbook
formulas. Not here: which samples a line may be fitted to (stable_segment.py), or the correlation of noise (noise.py).
"""

import math
from dataclasses import dataclass

import numpy as np

from watchkeeper.forecast.sorted_values import median, repeats
from watchkeeper.model.line import Floats, Line


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


@dataclass(frozen=True, slots=True)
class MedianSlope:
    """The median of the slopes between all pairs of points, and the ends of its interval."""

    slope: float
    low: float
    high: float


def median_slope(x: Floats, y: Floats, z: float) -> MedianSlope | None:
    """The slope that up to three wrong points in ten do not move far (Theil 1950; Sen 1968, JASA 63:1379).

    z: half-width of the interval in standard normal units; its ends are ranks from the variance of Kendall's S (Sen's
    equation 2.6, with ties). None if all x are equal. Memory grows with the square of the number of points.
    """
    later, earlier = np.triu_indices(len(x), 1)[::-1]
    run = x[later] - x[earlier]
    apart = run != 0
    if not apart.any():
        return None
    slopes = np.sort((y[later] - y[earlier])[apart] / run[apart])
    n, half = len(slopes), z * math.sqrt(_kendall_variance(x, y)) / 2
    low, high = round(n / 2 - half) - 1, round(n / 2 + half)
    return MedianSlope(median(slopes), float(slopes[max(low, 0)]), float(slopes[min(high, n - 1)]))


def _kendall_variance(x: Floats, y: Floats) -> float:
    def ties(values: Floats) -> float:
        counts = repeats(values)
        return float((counts * (counts - 1) * (2 * counts + 5)).sum())

    n = len(x)
    return (n * (n - 1) * (2 * n + 5) - ties(x) - ties(y)) / 18
