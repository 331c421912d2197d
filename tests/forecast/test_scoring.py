"""Scores of forecasts: what counts as held, how censored ones count, and when a warning was early enough."""

import math
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from scipy.stats import norm

from tests.forecast.levels import every, history_of
from watchkeeper.forecast import scoring
from watchkeeper.forecast.hourly_features import study
from watchkeeper.model.forecast import Forecast, NoEnd
from watchkeeper.model.forecast_record import KeptForecast, Outcome
from watchkeeper.model.observation import SeriesKey
from watchkeeper.model.units import DAY_S, HOUR_S

MADE = datetime(2026, 11, 1, 6, 0, tzinfo=UTC)
MADE_S = MADE.timestamp()
KEY = SeriesKey("pool skerry", "space")


def at(days: float) -> float:
    """Seconds since 1970."""
    return MADE_S + days * DAY_S


FOUND = Forecast(MADE_S, 600.0, 1000.0, at(2), at(4), at(8), growth_per_day=100.0, since_s=at(-1))
KEPT = scoring.kept(KEY, FOUND, 0.0, warned=True)


def test_what_is_kept_is_what_was_shown() -> None:
    """Range, level, and since when it grew."""
    assert KeptForecast(KEY, MADE, at(2), at(4), at(8), 600.0, 1000.0, 0.0, at(-1), warned=True) == KEPT


@pytest.mark.parametrize(
    ("full_d", "seen_d", "held", "error"),
    [
        (5, 4.99, True, 0.99 / 4.99),
        (8, 7.9, True, (7.9 - 4) / 7.9),  # it may have been full at any time since the sample before
        (8.1, 7.9, True, (7.9 - 4) / 7.9),
        (8.2, 8.1, False, (8.1 - 4) / 8.1),
        (1.9, 1.8, False, 2.1 / 1.9),
        (2.1, 1.9, True, 1.9 / 2.1),
        (4.2, 3.9, True, 0),
    ],
)
def test_a_fill_is_scored_by_when_it_may_have_been(full_d: float, seen_d: float, *, held: bool, error: float) -> None:
    """Between the sample before and the first that was full, the time of the fill is not known."""
    found = scoring.filled(KEPT, at(full_d), at(seen_d))
    assert (found.held, found.outcome, found.miss) == (held, Outcome.FILLED, float(not held))
    assert found.error == pytest.approx(error)
    assert found.decided_at == MADE + timedelta(days=full_d)


def test_an_open_range_holds_whatever_comes_late() -> None:
    """Without an upper end only a fill before the earliest time is a miss."""
    never = replace(KEPT, latest_s=None)
    assert scoring.filled(never, at(300), at(299)).held
    assert not scoring.filled(never, at(1), at(0.9)).held


def test_a_range_that_passed_is_a_miss_of_unknown_size() -> None:
    """It is known that it missed, and not by how much."""
    found = scoring.passed(KEPT, at(8.1))
    assert (found.held, found.error, found.miss, found.outcome) == (False, None, 1.0, Outcome.PASSED)


@pytest.mark.parametrize("days", [0, 0.5, 2, 3, 4, 6, 8])
def test_a_forecast_that_was_cut_short_counts_as_its_law_says(days: float) -> None:
    """P(miss | not full by then), against scipy's normal distribution of the logarithm."""
    found = scoring.cut_short(KEPT, Outcome.CLEARED, at(days + 0.1), at(days))
    sd = 0.6931471805599453 / norm.ppf(0.95)  # of the logarithm: 2 to 8 days around 4 are a factor of two each way
    gone = norm.cdf(-1e9 if days == 0 else math.log(days / 4) / sd)
    assert found.miss == pytest.approx((max(0.05 - gone, 0) + 0.05) / (1 - gone), rel=1e-6)
    assert (found.held, found.error, found.outcome) == (None, None, Outcome.CLEARED)


def test_a_censored_record_moves_nothing_if_the_law_is_right() -> None:
    """The mean miss is 10 %, whenever rooms are made: by simulation over times of fills and of clearings."""
    rng = np.random.default_rng(3)
    sd = 0.6931471805599453 / float(norm.ppf(0.95))
    fills, cleared = 4 * np.exp(sd * rng.normal(size=4000)), rng.uniform(0, 9, 4000)
    misses = []
    for fill, clear in zip(fills.tolist(), cleared.tolist(), strict=True):
        if min(fill, clear) > 8:
            misses.append(scoring.passed(KEPT, at(8)).miss)
        elif fill < clear:
            misses.append(scoring.filled(KEPT, at(fill), at(fill)).miss)
        else:
            misses.append(scoring.cut_short(KEPT, Outcome.CLEARED, at(clear), at(clear)).miss)
    assert float(np.mean([0.0 if miss is None else miss for miss in misses])) == pytest.approx(0.1, abs=0.012)


def test_cut_short_after_the_range_and_with_an_open_one() -> None:
    """After its end a range has passed, whatever came then; an open one can be missed on its early side only."""
    assert scoring.cut_short(KEPT, Outcome.ENLARGED, at(9.1), at(9)).outcome is Outcome.PASSED
    never = replace(KEPT, latest_s=None)
    assert scoring.cut_short(never, Outcome.ENLARGED, at(1), at(0)).miss == pytest.approx(0.05)
    assert scoring.cut_short(never, Outcome.ENLARGED, at(6), at(6)).miss == 0
    narrow = replace(KEPT, earliest_s=KEPT.likely_s, latest_s=KEPT.likely_s)
    assert scoring.cut_short(narrow, Outcome.CLEARED, at(4), at(4)).miss == pytest.approx(0.1)


def test_when_a_forecast_is_kept() -> None:
    """A quarter of the time left after the last, half an hour at least; at once if a warning came with it."""
    quiet = replace(KEPT, warned=False)
    later = replace(FOUND, at_s=at(0.5))
    assert scoring.due(FOUND, None, warned=False)
    assert not scoring.due(later, quiet, warned=False)
    assert scoring.due(later, quiet, warned=True)
    assert not scoring.due(later, KEPT, warned=True)
    assert scoring.due(replace(FOUND, at_s=at(0.9)), quiet, warned=False)
    near = replace(quiet, at=MADE + timedelta(days=3.95))
    assert not scoring.due(replace(FOUND, at_s=at(4) - HOUR_S), near, warned=False)
    assert not scoring.due(replace(FOUND, likely_s=at(400)), None, warned=True)
    assert not scoring.due(replace(FOUND, full=True), None, warned=True)
    assert not scoring.due(Forecast(MADE_S, 1.0, 2.0, no_end=NoEnd.STILL), None, warned=True)
    assert not scoring.due(replace(FOUND, likely_s=MADE_S), None, warned=True)


def test_room_is_what_was_free_or_a_tenth_beyond_any_swing() -> None:
    """A nightly prune makes no room; another capacity is one that differs by more than 2 %."""
    assert scoring.room(KEPT) == 100
    assert scoring.room(replace(KEPT, used=970)) == 30
    assert scoring.room(replace(KEPT, swing=200)) == 300
    assert scoring.other_capacity(KEPT, 1021)
    assert not scoring.other_capacity(KEPT, 1019)


def test_the_swing_is_that_of_the_cycle() -> None:
    """Of a level that is pruned every night; none without a cycle, or without hours."""
    t = every(30, 20)
    history = history_of(t, 500 + 60 * (t % 1))
    assert scoring.swing_of(history) == 0
    study(history, 1000.0)
    assert scoring.swing_of(history) == pytest.approx(60, rel=0.1)
    flat = history_of(t, 500 + 0 * t)
    study(flat, 1000.0)
    assert scoring.swing_of(flat) == 0


def test_the_summary() -> None:
    """Counts, the median error with passed ones beyond any error, and whether a warning came in time."""
    ended = at(5)
    early = [scoring.filled(replace(KEPT, at=MADE + timedelta(days=d)), ended, ended) for d in (0, 1, 2)]
    other = replace(KEPT, key=SeriesKey("pool jetty", "space"), at=MADE + timedelta(days=4.6))
    late = scoring.filled(other, ended, ended)
    short = scoring.cut_short(KEPT, Outcome.CLEARED, at(1), at(1))
    found = scoring.summary([*early, late, short, KEPT, scoring.passed(KEPT, at(9))])
    assert (found.count, found.held, found.cut_short, found.fills, found.warned) == (5, 4, 1, 2, 1)
    assert found.median_error == pytest.approx(1 / 3)
    assert scoring.summary([scoring.passed(KEPT, at(9))]).median_error is None
    assert scoring.summary([]).median_error is None


def test_a_growth_of_hours_needs_half_of_its_time() -> None:
    """A fill in four hours: a warning two hours before is early enough, and one hour before is not."""
    ended = MADE_S + 4 * HOUR_S
    for hours, enough in ((2, 1), (3, 0)):
        each = replace(KEPT, at=MADE + timedelta(hours=hours), since_s=MADE_S)
        assert scoring.summary([scoring.filled(each, ended, ended)]).warned == enough
    silent = replace(KEPT, warned=False, since_s=None)
    assert scoring.summary([scoring.filled(silent, ended, ended)]).warned == 0
