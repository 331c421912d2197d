"""Thinning a series."""

from hypothesis import given
from hypothesis import strategies as st

from watchkeeper.model.records import Bucket, Sample
from watchkeeper.web.charts.downsample import downsample, unfold

SAMPLES = st.lists(st.none() | st.floats(-1e9, 1e9), max_size=300).map(
    lambda values: [Sample(float(i), v, None) for i, v in enumerate(values)]
)


@given(SAMPLES, st.integers(4, 60))
def test_thinned_is_a_part_in_order(samples: list[Sample], points: int) -> None:
    """No more than was asked for, nothing invented, the order and both ends kept."""
    found = downsample(samples, points)
    assert len(found) <= points
    assert [s.at_s for s in found] == sorted({s.at_s for s in found})
    assert set(found) <= set(samples)
    if samples:
        assert (found[0], found[-1]) == (samples[0], samples[-1])


@given(SAMPLES, st.integers(4, 60))
def test_peaks_are_kept(samples: list[Sample], points: int) -> None:
    """The highest and the lowest value of a series are in what is drawn of it."""
    values = [s.value for s in samples if s.value is not None]
    kept = [s.value for s in downsample(samples, points) if s.value is not None]
    if values:
        assert max(kept) == max(values)
    if values and len(values) == len(samples):
        assert min(kept) == min(values)


def test_silence_is_kept() -> None:
    """One missing answer among ten thousand does not vanish."""
    samples = [Sample(float(i), None if i == 5_000 else 0.03, None) for i in range(10_000)]
    assert any(s.value is None for s in downsample(samples, 50))


def test_samples_of_one_moment() -> None:
    """Samples without any time between them are no division by zero."""
    assert len(downsample([Sample(1.0, float(i), None) for i in range(9)], 4)) == 4


def test_stretches_unfold_to_what_they_held() -> None:
    """The lowest, the highest and the last in the order of time, never before the first; silence when it began."""
    buckets = [
        Bucket(0.0, 100.0, 60, 0, 2.0, 5.0, 9.0, 98.0, 4.0, 10.0, 40.0, None),
        Bucket(100.0, 100.0, 60, 10, 4.0, 4.0, 4.0, 190.0, 4.0, 10.0, 101.0, 163.0),
        Bucket(200.0, 100.0, 60, 60, None, None, None, 290.0, None, None, 201.0, 201.0),
        Bucket(300.0, 100.0, 1, 0, 7.0, 7.0, 7.0, 301.0, 7.0, 12.0, 301.0, None),
    ]
    assert [(s.at_s, s.value, s.bound) for s in unfold(buckets)] == [
        (40.0, 2.0, 10.0),
        (75.0, 9.0, 10.0),
        (98.0, 4.0, 10.0),
        (163.0, None, 10.0),
        (190.0, 4.0, 10.0),
        (201.0, None, None),
        (301.0, 7.0, 12.0),
    ]
