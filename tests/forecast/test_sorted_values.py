"""Medians and distinct values against numpy's."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from watchkeeper.forecast.sorted_values import distinct, median, median_rows, repeats

NUMBERS = st.floats(-1e15, 1e15)


@given(st.lists(NUMBERS, min_size=1, max_size=40))
def test_it_is_numpys(values: list[float]) -> None:
    """To the last bit."""
    assert median(values) == np.median(values)
    assert median(np.array(values).reshape(1, -1)) == np.median(values)


@given(st.integers(1, 9).flatmap(lambda n: st.lists(st.lists(NUMBERS, min_size=n, max_size=n), min_size=1, max_size=9)))
def test_that_of_columns_is_numpys(rows: list[list[float]]) -> None:
    """For each column alone."""
    assert median_rows(np.array(rows)).tolist() == np.median(np.array(rows), axis=0).tolist()


@pytest.mark.parametrize("values", [[], [float("nan")], [1.0, float("nan"), 3.0]])
def test_what_has_no_median(values: list[float]) -> None:
    """NaN, as numpy says, without a warning."""
    assert np.isnan(median(values))


@given(st.lists(st.integers(-9, 9), max_size=40))
def test_distinct_values_are_numpys(values: list[int]) -> None:
    """And how often each occurs, of none too."""
    found, counts = np.unique(np.array(values, dtype=np.int64), return_counts=True)
    assert distinct(np.array(values, dtype=np.int64)).tolist() == found.tolist()
    assert repeats(np.array(values, dtype=np.int64)).tolist() == counts.tolist()
