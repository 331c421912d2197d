"""A growth of the first day that has stopped: seen within a few samples, and never while it goes on."""

import math
from collections.abc import Callable

import numpy as np
import pytest

from watchkeeper.forecast.forecast import forecast
from watchkeeper.forecast.history import LevelHistory
from watchkeeper.forecast.stopped_growth import with_stopped_growth
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
