"""Medians and distinct values, as numpy's own functions give them for plain arrays.

Those import numpy's masked arrays at the first call, 2.6 MiB, and are made for large arrays. A test compares the two.
"""

from typing import TypeVar

import numpy as np
from numpy.typing import ArrayLike, NDArray

N = TypeVar("N", np.int64, np.float64)


def median(values: ArrayLike) -> float:
    """The middle value, or the mean of the two in the middle; NaN if there is none, or one of them is NaN."""
    ordered = np.sort(np.asarray(values, dtype=float), axis=None)
    count = len(ordered)
    if not count or np.isnan(ordered[-1]):  # NaN sorts last
        return float("nan")
    half = count // 2
    return float(ordered[half]) if count % 2 else float((ordered[half - 1] + ordered[half]) / 2)


def median_rows(values: NDArray[np.float64]) -> NDArray[np.float64]:
    """The median of each column over the rows of a table, which has some and contains no NaN."""
    ordered = np.sort(values, axis=0)
    half = len(values) // 2
    middle: NDArray[np.float64] = ordered[half] if len(values) % 2 else (ordered[half - 1] + ordered[half]) / 2
    return middle


def distinct(values: NDArray[N]) -> NDArray[N]:
    """Each different value once, rising. None of them is NaN."""
    ordered = np.sort(values)
    return ordered[_firsts(ordered)]


def repeats(values: NDArray[N]) -> NDArray[np.int64]:
    """How often each different value occurs, by rising value. None of them is NaN."""
    begins = np.flatnonzero(_firsts(np.sort(values)))
    return np.diff(begins, append=len(values))


def _firsts(ordered: NDArray[N]) -> NDArray[np.bool_]:
    """Which of these differs from the one before it."""
    first = np.ones(len(ordered), dtype=np.bool_)
    np.not_equal(ordered[1:], ordered[:-1], out=first[1:])
    return first
