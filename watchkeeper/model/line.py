"""A straight line through samples, with its standard errors."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Fieller:
    """When a line reaches a level: the ends of the interval, and the likely time between them."""

    earliest: float
    likely: float
    latest: float


@dataclass(frozen=True, slots=True)
class Line:
    """A straight line through (centre_s, middle) with its standard errors."""

    centre_s: float
    middle: float
    slope: float  # level's unit per second
    slope_error: float  # standard error of the slope
    residual: float  # standard deviation of the samples around the line
    n: int

    def value(self, at_s: float) -> float:
        """The line's value at a time, in seconds since 1970."""
        return self.middle + self.slope * (at_s - self.centre_s)

    def reaches(self, level: float, t: float) -> Fieller | None:
        """When the line reaches a level, within t standard errors of it (Fieller 1954, J. R. Stat. Soc. B 16:175).

        None if his g >= 1: the slope may be zero, and the interval has no ends.
        """
        g = (t * self.slope_error / self.slope) ** 2 if self.slope else math.inf
        if g >= 1:
            return None
        ahead = (level - self.middle) / self.slope
        wide = t / abs(self.slope) * math.sqrt(self.residual**2 / self.n * (1 - g) + (self.slope_error * ahead) ** 2)
        middle = self.centre_s + ahead / (1 - g)
        return Fieller(middle - wide / (1 - g), self.centre_s + ahead, middle + wide / (1 - g))
