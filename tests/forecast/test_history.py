"""The history: condenses itself, forgets in order, and is the same however it was filled."""

import gc
import tracemalloc
from collections import deque
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from watchkeeper.forecast import history as histories
from watchkeeper.forecast.history import RECENT, LevelHistory
from watchkeeper.model.units import DAY_S, HOUR_S

START_S = 1_767_225_600.0


def filled(at_s: np.ndarray, used: np.ndarray, capacity: float = 1000.0) -> LevelHistory:
    """A history of these samples."""
    out = LevelHistory()
    out.extend(at_s, used, np.full(len(at_s), capacity))
    return out


def same(a: LevelHistory, b: LevelHistory) -> bool:
    """Do two histories hold the same, grain by grain?"""
    pairs: list[tuple[Any, Any]] = [*zip(a.recent(), b.recent(), strict=True)]
    for x, y in ((a.hours(), b.hours()), (a.days(), b.days())):
        pairs += [(x.index, y.index), (x.at, y.at), (x.middle, y.middle), (x.low, y.low), (x.high, y.high)]
    return all(np.array_equal(x, y) for x, y in pairs)


def test_recent_samples_are_kept_as_they_came() -> None:
    """Until there are too many, recent() gives back what was added."""
    at = START_S + np.arange(100) * 60
    kept_at, used, capacity = filled(at, np.arange(100.0)).recent()
    assert np.array_equal(kept_at, at)
    assert np.array_equal(used, np.arange(100))
    assert np.array_equal(capacity, np.full(100, 1000.0))


def test_an_hour_keeps_its_median_and_its_ends() -> None:
    """One wild sample in an hour does not move its middle, and is not lost either."""
    at = START_S + np.arange(7) * 600
    hours = filled(at, np.array([1, 2, 3, 900, 5, 6, 0.0])).hours()
    assert (hours.index.tolist(), hours.middle[0], hours.low[0], hours.high[0]) == ([0], 4.0, 1.0, 900.0)


def test_the_size_is_bounded() -> None:
    """Two years of hours leave no more than the kept samples, hours and days."""
    count = 2 * 365 * 24
    history = filled(START_S + np.arange(count) * HOUR_S, np.arange(count, dtype=float))
    assert len(history) == count
    assert len(history.recent()[0]) == histories.RECENT
    assert len(history.hours().at) == histories.HOURS
    assert len(history.days().at) == -(-(count - 1 - histories.HOURS) // 24)


def test_days_are_the_means_of_their_hours() -> None:
    """What is too old for an hour becomes part of its day: means of time and level, lowest and highest."""
    count = histories.HOURS + 49
    days = filled(START_S + np.arange(count) * HOUR_S, np.arange(count, dtype=float)).days()
    assert days.at.tolist() == [START_S + 11.5 * HOUR_S, START_S + DAY_S + 11.5 * HOUR_S]
    assert days.middle.tolist() == [11.5, 35.5]
    assert (days.low.tolist(), days.high.tolist()) == ([0, 24], [23, 47])


def test_old_days_are_forgotten_last(monkeypatch: pytest.MonkeyPatch) -> None:
    """Beyond the kept days the oldest goes, and nothing else."""
    monkeypatch.setattr(histories, "DAYS", 3)
    monkeypatch.setattr(histories, "HOURS", 24)
    count = 24 * 10 + 1
    days = filled(START_S + np.arange(count) * HOUR_S, np.zeros(count)).days()
    assert days.index.tolist() == [6, 7, 8]


def test_many_samples_of_one_hour_are_thinned_evenly() -> None:
    """A probe that samples every second costs no more than one that samples every minute, and its middle is right."""
    history = filled(START_S + np.arange(3601.0), np.arange(3601.0))
    assert history.hours().middle[0] == pytest.approx(1800, abs=20)
    assert len(history._open_at) < histories.IN_HOUR


def test_the_later_word_on_a_moment_holds() -> None:
    """Of two samples of one time the second is kept."""
    _, used, _ = filled(np.array([START_S, START_S + 60, START_S + 60]), np.array([1.0, 2, 3])).recent()
    assert used.tolist() == [1, 3]


def test_a_clock_that_was_set_back_does_not_blind_it() -> None:
    """A sample from the past drops recent samples from the future; its hour finds its place among the hours."""
    early, ahead = START_S + np.arange(5) * HOUR_S, START_S + DAY_S + np.arange(3) * HOUR_S
    history = filled(np.concatenate((early, ahead, early + 5 * HOUR_S)), np.arange(13.0))
    assert history.recent()[0].tolist() == [*early, *(early + 5 * HOUR_S)]
    assert history.hours().index.tolist() == [0, 1, 2, 3, 4, 5, 6, 7, 8, 24, 25, 26]


def test_an_hour_that_comes_again_replaces_the_first() -> None:
    """When the clock was set back by an hour, the hour's second telling holds."""
    at = START_S + np.array([0, 1, 0.5, 2]) * HOUR_S
    hours = filled(at, np.array([1.0, 2, 3, 4])).hours()
    assert (hours.index.tolist(), hours.middle.tolist()) == ([0, 1], [3, 2])


samples = st.lists(
    st.tuples(
        st.floats(0, 40 * DAY_S) | st.sampled_from([0.0, 600.0, HOUR_S, DAY_S]),
        st.floats(0, 1e15),
    ),
    max_size=120,
)


@given(samples, st.lists(st.integers(1, 50), max_size=20))
def test_batch_sizes_do_not_matter(found: list[tuple[float, float]], sizes: list[int]) -> None:
    """The same past in any batches, in any order of times, gives the same history."""
    at, used = np.array([s[0] for s in found]), np.array([s[1] for s in found])
    whole, parts = filled(at, used), LevelHistory()
    begin = 0
    for size in [*sizes, len(found) + 1]:
        parts.extend(
            at[begin : begin + size], used[begin : begin + size], np.full(len(at[begin : begin + size]), 1000.0)
        )
        begin += size
    assert same(whole, parts)


@given(samples)
def test_times_stay_in_order(found: list[tuple[float, float]]) -> None:
    """Whatever order samples come in, every grain is in the order of time and inside the range of what was added."""
    history = filled(np.array([s[0] for s in found]), np.array([s[1] for s in found]))
    assert (np.diff(history.recent()[0]) > 0).all()
    assert (np.diff(history.hours().index) > 0).all()
    for grain in (history.hours(), history.days()):
        assert (grain.low <= grain.middle).all()
        assert (grain.middle <= grain.high).all()


def test_a_refused_length_is_told() -> None:
    """Arrays of different lengths are a mistake of the caller."""
    with pytest.raises(ValueError, match="zip"):
        LevelHistory().extend([1.0, 2.0], [1.0], [1.0])


def grown_by(fill: Callable[[], LevelHistory]) -> int:
    """The bytes that a history takes."""
    gc.collect()
    tracemalloc.start()
    try:
        history = fill()
        gc.collect()
        held, _ = tracemalloc.get_traced_memory()
        assert len(history)
        return held
    finally:
        tracemalloc.stop()


def test_a_full_history_takes_little_more_than_what_it_keeps() -> None:
    """Rows of eight bytes a number: three years of days, eight weeks of hours, 720 samples, and a quarter as room."""
    at = START_S + np.arange(1_200 * 24 + 1) * HOUR_S
    kept = (histories.RECENT * 3 + (histories.HOURS + histories.DAYS) * 5) * 8
    assert kept < grown_by(lambda: filled(at, at * 0 + 1)) < 1.3 * kept


def test_memory_is_flat_after_the_first_hour() -> None:
    """However often samples come: each hour that is open takes as much as the one before, in plain numbers."""

    def hours(count: int) -> LevelHistory:
        return filled(START_S + np.arange(count * 3_600.0), np.arange(count * 3_600.0))

    two, five = grown_by(lambda: hours(2)), grown_by(lambda: hours(5))
    assert abs(five - two) < 4 * 1024
    assert two < 110 * 1024


def test_the_newest_samples_are_those_of_a_bounded_queue() -> None:
    """At every moment as many as are kept, also when rows are moved; the reference is collections.deque."""
    history, kept = LevelHistory(), deque[float](maxlen=RECENT)
    for minute in range(3 * RECENT):
        at_s = START_S + 60.0 * minute
        history.add(at_s, float(minute), 1e4)
        kept.append(at_s)
        at, _, _ = history.recent()
        assert (len(at), at[0], at[-1]) == (len(kept), kept[0], kept[-1])
    assert history.recent()[0].tolist() == list(kept)
