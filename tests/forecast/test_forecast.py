"""Time to full: exact where the level is exact, named where there is no end, never a number that is none."""

import math
from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from tests.forecast.levels import CAPACITY, START_S, day, every, history_of, noise, seen
from watchkeeper.forecast.forecast import forecast
from watchkeeper.forecast.history import LevelHistory
from watchkeeper.model.forecast import Forecast, NoEnd
from watchkeeper.model.line import Floats
from watchkeeper.model.units import DAY_S


def test_an_exact_line_gives_its_exact_time() -> None:
    """1 % a day from 20 % on is full on day 80, seen from any day."""
    for days in (0.2, 1.0, 5.0, 30.0, 70.0):
        t = every(10, days)
        found = seen(t, 200 + 10 * t)
        assert day(found.likely_s) == pytest.approx(80, abs=1e-4)
        assert found.growth_per_day == pytest.approx(10)
        assert found.no_end is None


@given(
    slope=st.floats(0.5, 400),
    start=st.floats(0, 500),
    gaps=st.lists(st.floats(60, 7200), min_size=12, max_size=80),
)
def test_an_exact_line_is_exact_at_uneven_times(slope: float, start: float, gaps: list[float]) -> None:
    """Evenly spaced samples are not needed: any times on a line give its time, unless a burst could yet stop."""
    t = np.cumsum(gaps) / DAY_S
    used = start + slope * t
    if used[-1] >= CAPACITY or t[-1] - t[0] < 0.3 * (CAPACITY - used[-1]) / slope:
        return
    assert day(seen(t, used).likely_s) == pytest.approx((CAPACITY - start) / slope, rel=1e-3)


@given(st.integers(-400, 400), st.integers(0, 3))
@settings(max_examples=20, deadline=None)
def test_shifting_time_moves_only_the_answer(hours: int, seed: int) -> None:
    """The same history, hours or weeks later, has the same growth and an end as much later."""
    t = every(30, 9)
    used = 300 + 20 * t + noise(len(t), 2, seed)
    here = forecast(history_of(t, used), START_S + 9 * DAY_S)
    shift_s = hours * 3600.0
    there = forecast(history_of(t, used, start_s=START_S + shift_s), START_S + 9 * DAY_S + shift_s)
    assert there.growth_per_day == pytest.approx(here.growth_per_day, rel=1e-6)
    for a, b in zip(ends(here), ends(there), strict=True):
        assert b - a == pytest.approx(shift_s, abs=1)


@given(st.sampled_from([1e-9, 0.37, 1e3, 1e15]), st.integers(0, 3))
@settings(max_examples=20, deadline=None)
def test_scaling_size_leaves_the_times(factor: float, seed: int) -> None:
    """Bytes, kilobytes or shares: the end is the same, and the growth is in that unit."""
    t = every(30, 9)
    used = 300 + 20 * t + 60 * (t % 1) + noise(len(t), 2, seed)
    here, there = seen(t, used), seen(t, used * factor, CAPACITY * factor)
    assert there.growth_per_day == pytest.approx((here.growth_per_day or 0) * factor, rel=1e-6)
    assert ends(there) == pytest.approx(ends(here), abs=1)


@given(st.sampled_from([0.25, 0.5, 2.0, 5.0]))
def test_scaling_time_scales_the_time_left(factor: float) -> None:
    """A line that is lived through faster is full sooner by the same factor."""
    t = every(20, 10)
    assert day(seen(t * factor, 200 + 20 * t).likely_s) == pytest.approx(40 * factor, rel=1e-3)


def ends(found: Forecast) -> list[float]:
    """The three instants; zero for none."""
    return [s or 0.0 for s in (found.earliest_s, found.likely_s, found.latest_s)]


wild = st.one_of(
    st.floats(allow_nan=False, allow_infinity=False), st.sampled_from([0.0, 1.0, 1e12, 1e99, -5.0]), st.floats(0, 100)
)
moments = st.one_of(st.floats(0, 9e4), st.floats(0, 4e7), st.sampled_from([0.0, 60.0, 3600.0, 1e9, 1e11, -1e9]))


@given(st.lists(st.tuples(moments, wild, wild), max_size=150), st.one_of(moments, st.none()))
@settings(max_examples=300, deadline=None)
def test_no_finite_input_raises_or_returns_nan(samples: list[tuple[float, float, float]], at_s: float | None) -> None:
    """Any finite numbers in any order, with repeats, gaps, zeros and a shrinking capacity, give a sound answer."""
    history = LevelHistory()
    for at, used, capacity in samples:
        history.add(at, used, capacity)
    now_s = at_s if at_s is not None else samples[-1][0] if samples else 0.0
    sound(forecast(history, now_s))


@given(st.integers(0, 10_000))
@settings(max_examples=40, deadline=None)
def test_plausible_levels_give_sound_answers(seed: int) -> None:
    """Random walks, saws, steps and gaps in any mixture: the three instants are in order, or none is there."""
    rng = np.random.default_rng(seed)
    t = np.sort(rng.uniform(0, rng.choice([0.5, 5, 80]), rng.integers(10, 900)))
    used = rng.uniform(0, 900) + np.cumsum(rng.normal(0.02, 1, len(t))) * rng.choice([0, 0.5, 5])
    used = used + rng.choice([0, 80]) * (t % rng.choice([0.25, 1, 7])) + rng.choice([0, 200]) * (t > t[len(t) // 2])
    sound(seen(t, np.maximum(used, 0)))


def sound(found: Forecast) -> None:
    """The three instants are numbers in their order, or a reason says why there is none."""
    three = (found.earliest_s, found.likely_s, found.latest_s)
    assert all(s is None or math.isfinite(s) for s in three)
    assert (found.likely_s is None) == (found.earliest_s is None) == (found.no_end is not None)
    if found.likely_s is not None and found.earliest_s is not None:
        assert found.at_s <= found.earliest_s <= found.likely_s
        assert found.latest_s is None or found.latest_s >= found.likely_s
    assert found.growth_per_day is None or math.isfinite(found.growth_per_day)
    assert found.line is None or math.isfinite(found.line.value(found.at_s))


def test_what_is_full_is_full_now() -> None:
    """All three instants are now, and it says that it is full."""
    found = seen(np.array([0.0]), np.array([CAPACITY]))
    assert found.full
    assert ends(found) == [START_S] * 3


@pytest.mark.parametrize(
    ("used", "why"),
    [
        (lambda t: 500 + 0 * t, NoEnd.STILL),
        (lambda t: 900 - 5 * t + noise(len(t), 1), NoEnd.SHRINKING),
        (lambda t: 900 + 0.2 * t + noise(len(t), 20, seed=4), NoEnd.UNCERTAIN),
        (lambda t: 100 + 0.1 * t, NoEnd.FAR),
        (lambda t: 300 + 30 * (t - cleared(t)), NoEnd.CLEARED),
    ],
    ids=lambda case: case.value if isinstance(case, NoEnd) else "",
)
def test_why_there_is_no_end(used: Callable[[Floats], Floats], why: NoEnd) -> None:
    """Each reason on the level that it is about."""
    t = every(20, 17.6)
    found = seen(t, used(t))
    assert found.no_end is why
    assert ends(found) == [0, 0, 0]


def cleared(t: Floats) -> Floats:
    """When it was last cleared: now and then, by hand."""
    out: Floats = np.array([0, 3, 8.5, 13])[np.searchsorted([3, 8.5, 13], t, side="right")]
    return out


def test_too_few_samples_are_no_history() -> None:
    """Without samples, with seven, or with many of one moment there is nothing to forecast from."""
    assert forecast(LevelHistory(), START_S).no_end is NoEnd.TOO_FEW
    assert seen(np.arange(7) / 144, np.arange(7.0)).no_end is NoEnd.TOO_FEW
    assert seen(np.zeros(20), np.arange(20.0)).no_end is NoEnd.TOO_FEW


def test_samples_from_the_future_do_not_count() -> None:
    """A clock that was ahead has left samples that are later than now: they are not looked at."""
    t = every(10, 3)
    history = history_of(t, 200 + 10 * t)
    before = forecast(history_of(t[t <= 1], 200 + 10 * t[t <= 1]), START_S + DAY_S)
    assert day(forecast(history, START_S + DAY_S).likely_s) == pytest.approx(day(before.likely_s), rel=1e-6)
    assert forecast(history, START_S - DAY_S).no_end is NoEnd.TOO_FEW


def test_a_nightly_prune_is_a_cycle_and_its_peak_counts() -> None:
    """Growth of 1 % a day under a ramp of 10 % a day that is pruned at 06:00: the ramp's top touches on day 60."""
    t = every(10, 30)
    found = seen(t, 300 + 10 * t + 100 * ((t - 0.25) % 1) + noise(len(t), 0.5))
    assert (found.cycle_s, found.cycles) == (DAY_S, 29)
    assert found.growth_per_day == pytest.approx(10, rel=0.01)
    assert day(found.likely_s) == pytest.approx(60.25, abs=0.15)
    assert found.pruned_s is not None
    assert day(found.pruned_s) % 1 == pytest.approx(0.25, abs=0.05)


def test_a_cycle_that_comes_down_gently_is_no_prune() -> None:
    """A day's swing without a cliff is a cycle, and nothing was pruned."""
    t = every(10, 20)
    found = seen(t, 400 + 5 * t + 50 * np.sin(2 * np.pi * t))
    assert (found.cycle_s, found.pruned_s) == (DAY_S, None)


def test_a_swing_that_grows_touches_earlier() -> None:
    """A mean that stays below for long, and a swing that grows by a tenth of a percent a day: its crest counts."""
    t = every(10, 40)
    found = seen(t, 500 + 2 * t + (20 + 6 * t) * np.sin(2 * np.pi * t))
    crest = (1000 - 500 - 20) / (2 + 6)
    assert day(found.likely_s) == pytest.approx(crest, rel=0.05)


def test_an_imported_image_is_not_growth() -> None:
    """A step of 15 % within two hours is told apart; the growth before and after it gives the end."""
    t = every(10, 30)
    used = 200 + 10 * t + 150 * np.clip((t - 20) / (2 / 24), 0, 1) + noise(len(t), 0.5)
    found = seen(t, used)
    (step,) = found.steps
    assert step.size == pytest.approx(150, rel=0.02)
    assert day(step.begin_s) == pytest.approx(20, abs=0.1)
    assert day(found.likely_s) == pytest.approx(65, abs=0.5)


@pytest.mark.parametrize(("size", "found"), [(1.8, 0), (2.5, 1)])
def test_a_step_is_a_five_hundredth_of_the_capacity_at_least(size: float, found: int) -> None:
    """On a level without noise: what is smaller is growth."""
    t = every(10, 10)
    assert len(seen(t, 400 + 5 * t + size * np.clip((t - 6) / 0.05, 0, 1)).steps) == found


def test_many_imports_are_growth() -> None:
    """Where nothing grows but by imports, again and again, the imports are the growth."""
    t = every(10, 50)
    used = np.full(len(t), 100.0)
    for at in (3, 9, 12, 20, 25, 27, 36, 41, 47):
        used += 40 * np.clip((t - at) / 0.1, 0, 1)
    found = seen(t, used)
    assert found.steps == ()
    assert found.growth_per_day == pytest.approx(40 * 9 / 50, rel=0.25)


def test_a_runaway_is_seen_within_minutes_of_its_share() -> None:
    """A still level that begins to fill within 10 h: after 3 h the end is known to a tenth, and where it began."""
    t = every(1, 5)
    at = 5 - 3 / 24
    found = seen(t, 300 + 70 * 24 * np.clip(t - at, 0, None) + noise(len(t), 1))
    assert day(found.likely_s) == pytest.approx(at + 10 / 24, abs=0.7 / 24)
    assert day(found.since_s) == pytest.approx(at, abs=0.5 / 24)


@pytest.mark.parametrize("quiet_min", [5, 40, 300])
def test_a_fill_of_minutes_is_seen_where_samples_come_every_few_seconds(quiet_min: int) -> None:
    """A store of 1 GiB, sampled every 5 s, fills within 4 minutes after a quiet time of any length: from two minutes
    before the end on the likely time is right within a quarter, and it is never said that no end is in sight.
    """
    chance = np.random.default_rng(quiet_min)
    t = np.arange(0.0, quiet_min * 60 + 240, 5.0)
    used = np.where(t < quiet_min * 60, 0.05, 0.05 + 0.95 * (t - quiet_min * 60) / 240) * 2**30
    used += 2**18 * chance.standard_normal(len(t))
    for left_s in (115.0, 90.0, 60.0, 30.0):
        now_s = float(t[-1]) + 5 - left_s
        history, seen_so_far = LevelHistory(), t <= now_s
        history.extend(t[seen_so_far], used[seen_so_far], np.full(int(seen_so_far.sum()), 2.0**30))
        found = forecast(history, now_s)
        assert found.likely_s is not None, (left_s, found.no_end)
        assert found.likely_s - now_s == pytest.approx(left_s, rel=0.25)


def test_growth_that_changed_is_told_from_the_change_on() -> None:
    """From 2 a day to 20 a day on day 20: ten days later the older growth is not in the line any more."""
    t = every(30, 30)
    found = seen(t, 300 + 2 * t + 18 * np.clip(t - 20, 0, None) + noise(len(t), 2))
    assert found.growth_per_day == pytest.approx(20, rel=0.03)
    assert day(found.since_s) == pytest.approx(20, abs=0.5)


def test_growth_that_quickens_is_bent() -> None:
    """A parabola that touches on day 100 is known to two days on day 60, where a line would be a month off.

    A pace that changes as its bend says is no drift: the range is a quarter of the time left to each side at most.
    """
    t = every(30, 60)
    found = seen(t, 200 + 800 * (t / 100) ** 2 + noise(len(t), 0.5))
    assert found.bend > 0
    assert day(found.likely_s) == pytest.approx(100, abs=2)
    assert day(found.earliest_s) > 90
    assert day(found.latest_s) < 110


def test_wild_samples_do_not_pull_the_line() -> None:
    """With a tenth of hourly samples far too high, the growth is the median slope's and not least squares'."""
    rng = np.random.default_rng(8)
    t = every(60, 40)
    used = 200 + 8 * t + rng.normal(0, 1, len(t))
    used[rng.choice(len(t), len(t) // 10, replace=False)] += 150
    used[-5:] = 200 + 8 * t[-5:]
    found = seen(t, used)
    assert found.growth_per_day == pytest.approx(8, rel=0.05)
    assert found.growth_per_day == pytest.approx(stats.theilslopes(used, t).slope, rel=0.05)


def test_the_interval_holds_the_truth_nine_times_in_ten() -> None:
    """Of forty random walks with drift, the 90 % interval seen half-way holds the end of about nine in ten."""
    held = 0
    for seed in range(40):
        rng = np.random.default_rng(seed)
        t = every(60, 200)
        level = 200 + 10 * t + np.cumsum(rng.normal(0, 8 / math.sqrt(24), len(t)))
        end = float(t[np.argmax(level >= CAPACITY)])
        past = t <= end / 2
        found = seen(t[past], level[past])
        held += day(found.earliest_s) <= end <= day(found.latest_s)
    assert 32 <= held <= 40


def test_a_job_like_the_ones_before_is_not_a_runaway() -> None:
    """Jobs that write for three hours, three times already: a fourth, under way for an hour, changes nothing."""
    t = every(10, 20)
    used = np.full(len(t), 300.0)
    for at in (4, 9, 14, 20 - 1.2 / 24):
        used += 120 * (np.clip((t - at) / 0.125, 0, 1) - np.clip((t - at - 1) / 0.02, 0, 1))
    found = seen(t, used + noise(len(t), 0.5))
    assert found.no_end in {NoEnd.CLEARED, NoEnd.STILL}


def test_a_prune_that_comes_late_is_no_runaway() -> None:
    """Two hours after the hour at which it was always pruned, the level is a whole swing too high, and that is all."""
    t = every(10, 12.08)
    late = t > 12
    used = 500 + 100 * np.where(late, 1 + (t - 12), t % 1)
    assert seen(t, used + noise(len(t), 0.5)).no_end is not None


def test_one_late_clearing_does_not_promise_another() -> None:
    """A store that was cleared once, after three weeks, and grows again: its end is forecast."""
    t = every(20, 30)
    used = 300 + 20 * t - np.where(t > 21, 420, 0) + noise(len(t), 1)
    assert day(seen(t, used).likely_s) == pytest.approx((1000 - 300 + 420) / 20, rel=0.03)


def test_the_early_end_allows_for_one_more_import() -> None:
    """After an import that stayed, the likely end counts none, and the earliest one more of its size."""
    t = every(10, 30)
    found = seen(t, 200 + 10 * t + 100 * np.clip((t - 20) / 0.1, 0, 1) + noise(len(t), 0.5))
    assert day(found.likely_s) == pytest.approx(70, abs=0.3)
    assert day(found.earliest_s) == pytest.approx(60, abs=0.6)


def test_a_single_wild_sample_waits_for_a_second() -> None:
    """The newest sample stands alone a tenth too high: nothing is forecast from it."""
    t = every(10, 5)
    used = 600 + noise(len(t), 1)
    used[-1] += 100
    assert seen(t, used).no_end is not None


def test_a_runaway_is_seen_through_nightly_prunes() -> None:
    """What rises by more than the whole swing, under a cycle that is known, is taken up the same day."""
    t = every(10, 12.4)
    used = 300 + 60 * (t % 1) + 400 * np.clip(t - 12, 0, None) + noise(len(t), 0.5)
    assert day(seen(t, used).likely_s) == pytest.approx(13.65, abs=0.2)
