"""A growth of the first day that has stopped: seen within a few samples, and never while it goes on."""

import math
from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from watchkeeper.alerting.backtest import replay
from watchkeeper.alerting.rules import Rules
from watchkeeper.forecast.forecast import forecast
from watchkeeper.forecast.history import LevelHistory
from watchkeeper.forecast.stopped_growth import with_stopped_growth
from watchkeeper.forecast.unusual_growth import with_unusual_growth
from watchkeeper.model.forecast import EARLY_S, Forecast, NoEnd

BEGIN_S = 1_800_000_000.0
Course = Callable[[float], float]


def fills(grow_s: float, *, idle_s: float = 0.0, burst_s: float = 0.0, trickle: float = 0.0) -> Course:
    """From 20 to 80 of 100 within a time, and then nothing, or a share of the pace. burst_s: in steps so far apart."""

    def level(t_s: float) -> float:
        grown_s = min(max(t_s - idle_s, 0.0), grow_s)
        after_s = max(t_s - idle_s - grow_s, 0.0)
        grown_s = math.floor(grown_s / burst_s) * burst_s if burst_s else grown_s
        return 20 + 60 * (grown_s + trickle * after_s) / grow_s

    return level


def at_end(history: LevelHistory, t_s: float) -> Forecast:
    """The forecast after the newest sample."""
    return with_stopped_growth(forecast(history, BEGIN_S + t_s), history)


def seen_stopped(course: Course, every_s: float, until_s: float, noise: float = 0.0) -> list[tuple[float, float]]:
    """When it was called stopped: at which time after the first sample, and since which."""
    history, random, found = LevelHistory(), np.random.default_rng(5), []
    for t_s in np.arange(0.0, until_s, every_s).tolist():
        history.add(BEGIN_S + t_s, course(t_s) + noise * random.normal(), 100.0)
        stopped_s = at_end(history, t_s).stopped_s
        if stopped_s is not None:
            found.append((t_s, stopped_s - BEGIN_S))
    return found


@pytest.mark.parametrize(
    ("course", "every_s", "noise", "stops_s", "within_s"),
    [
        (fills(300), 10, 0.0, 300, 60),
        (fills(300), 60, 0.0, 300, 300),
        (fills(3_600), 60, 0.0, 3_600, 420),
        (fills(900, idle_s=3_600), 60, 0.0, 4_500, 300),
        (fills(900, trickle=0.05), 10, 0.0, 900, 60),
        (fills(900, burst_s=60), 10, 0.0, 900, 240),
        (fills(900), 10, 0.3, 900, 240),
        (fills(3_600), 60, 1.0, 3_600, 1_200),
    ],
)
def test_it_is_seen_within_a_few_samples(
    course: Course, every_s: float, noise: float, stops_s: float, within_s: float
) -> None:
    """And dated well: within a tenth of the time that the growth took."""
    found = seen_stopped(course, every_s, stops_s + within_s + every_s, noise)
    assert found, "it was not seen"
    assert stops_s < found[0][0] <= stops_s + within_s
    assert all(abs(since_s - stops_s) <= 0.1 * stops_s for _, since_s in found)


@pytest.mark.parametrize("noise", [0.0, 0.3, 2.0])
@pytest.mark.parametrize("burst_s", [0.0, 120.0])
def test_never_while_it_grows(noise: float, burst_s: float) -> None:
    """Even, in steps, or with noise."""
    assert seen_stopped(fills(3_600, burst_s=burst_s), 30, 3_600, noise) == []


def test_no_date_and_no_rate_are_left() -> None:
    """The trend of before would still promise an end."""
    history = LevelHistory()
    for t_s in range(0, 400, 10):
        history.add(BEGIN_S + t_s, fills(300)(t_s), 100.0)
    plain, found = forecast(history, BEGIN_S + 390), at_end(history, 390)
    assert plain.likely_s is not None
    assert (found.likely_s, found.earliest_s, found.latest_s, found.no_end) == (None, None, None, NoEnd.STILL)
    assert (found.growth_per_day, found.line, found.unusual) == (None, None, None)
    assert found.stopped_s == BEGIN_S + 300


def test_it_grows_again() -> None:
    """A level above what it had reached is a growth again, within a few samples."""
    found = seen_stopped(lambda t_s: fills(300)(t_s) + max(t_s - 600, 0) / 5, 10, 700)
    assert found[-1] == (600, 300)


def test_what_fell_or_hardly_grew_is_another_matter() -> None:
    """After a clearing it may grow from below; noise alone has a highest value too; a steady level has none."""

    def falls(t_s: float) -> float:
        return fills(300)(t_s) - (40 if t_s > 350 else 0)

    assert all(t_s <= 350 for t_s, _ in seen_stopped(falls, 10, 900))
    assert seen_stopped(lambda _: 20.0, 10, 900, 0.5) == []
    assert seen_stopped(lambda _: 20.0, 10, 900) == []


def test_a_full_level_and_a_record_of_days_are_left_as_they_are() -> None:
    """A full one is full; in a longer record the end of a growth is a completed step."""
    history = LevelHistory()
    for t_s in range(0, 400, 10):
        history.add(BEGIN_S + t_s, fills(300)(t_s), 100.0)
    full = Forecast(BEGIN_S, 100.0, 100.0, full=True)
    old = Forecast(BEGIN_S + EARLY_S, 80.0, 100.0, recorded_since_s=BEGIN_S)
    unknown = Forecast(BEGIN_S, 80.0, 100.0)
    assert [with_stopped_growth(each, history) for each in (full, old, unknown)] == [full, old, unknown]


def test_a_level_that_filled_again_after_a_clearing() -> None:
    """At 80, cleared to 20, filled to 81 within a day: the growth is the second one, and it has stopped."""
    history = LevelHistory()
    levels = [80.0] * 10 + np.linspace(20, 81, 20).tolist() + [81.0] * 10
    seen = []
    for i, level in enumerate(levels):
        history.add(BEGIN_S + 60 * i, level, 100.0)
        seen.append(at_end(history, 60 * i).stopped_s)
    assert seen[:30] == [None] * 30
    assert seen[-1] == BEGIN_S + 29 * 60


def test_a_spike_before_the_growth_does_not_count_as_its_gain() -> None:
    """From 0, a spike to 97.9, again 20, then 98 and 100: the growth reached the spike's level again."""
    history = LevelHistory()
    for i, level in enumerate([0.0, 97.9, 20.0, 98.0, 100.0, *[100.0] * 5]):
        history.add(BEGIN_S + 60 * i, level, 200.0)
        found = at_end(history, 60 * i)
    assert found.at_s == BEGIN_S + 60 * 9


pieces = st.tuples(
    st.sampled_from(["rest", "jump", "rise", "spike"]),
    st.floats(0, 100),
    st.integers(1, 15),
    st.sampled_from([0, 1, 9]),
)


@given(st.sampled_from([1, 60, 600]), st.lists(pieces, min_size=1, max_size=5), st.integers(0, 9))
@settings(max_examples=60, deadline=None)
def test_any_young_record_has_a_forecast(every_s: int, parts: list[tuple[str, float, int, int]], seed: int) -> None:
    """Whatever a level does: no error, and a stopped or resting growth only where the level has not gained."""
    random, history, level, t_s = np.random.default_rng(seed), LevelHistory(), 50.0, 0.0
    for kind, target, count, noise in parts:
        begin = level
        for i in range(count):
            t_s += every_s
            course = {"rest": begin, "jump": target, "rise": begin + (target - begin) * (i + 1) / count}
            level = course.get(kind, target if i == count // 2 else begin) + noise * random.normal()
            level = min(max(level, 0.0), 100.0)
            history.add(BEGIN_S + t_s, level, 100.0)
            found = with_stopped_growth(with_unusual_growth(forecast(history, BEGIN_S + t_s), history), history)
            if found.stopped_s is not None or found.resting_since_s is not None:
                _, used, _ = history.recent()
                assert len(used) < 2 or used[-1] <= used[:-1].max() + 0.02 * 100


@pytest.mark.parametrize("rise_min", [10, 30, 60, 90])
@pytest.mark.parametrize("every_s", [60, 300, 600])
def test_a_rise_that_is_over_raises_nothing(rise_min: int, every_s: int) -> None:
    """As inotify watches after a start of programs: 900, then 30,000 of 122,000 within minutes, and no more."""
    t_s = np.arange(0.0, (120 + rise_min + 180) * 60.0, every_s)
    used = np.interp(t_s, [0, 7_200, 7_200 + rise_min * 60], [900, 900, 30_000])
    walked = replay(BEGIN_S + t_s, used, np.full(len(t_s), 122_000.0), every_s, Rules())
    assert [each.priority for each in walked if each.priority is not None] == []


def test_a_growth_that_rests_raises_nothing_until_it_gains() -> None:
    """It grew in even steps, and a step is missing: the caution comes with the next one, and not with the pause."""
    t_s = np.arange(0.0, 200 * 60.0, 60)
    whole = np.minimum(np.floor(t_s / 300) * 1.5, 100.0)
    plain = next(each for each in replay(BEGIN_S + t_s, whole, np.full(len(t_s), 100.0), 60, Rules()) if each.priority)
    rests_s = plain.at_s - BEGIN_S - 300
    paused = np.interp(t_s, [0, rests_s, rests_s + 1_200, 2e4], [0, rests_s, rests_s, 2e4 - 1_200])
    late = np.minimum(np.floor(paused / 300) * 1.5, 100.0)
    first = next(each for each in replay(BEGIN_S + t_s, late, np.full(len(t_s), 100.0), 60, Rules()) if each.priority)
    at = int((first.at_s - BEGIN_S) / 60)
    assert late[at] > late[at - 5]
    assert first.forecast.resting_since_s is None
