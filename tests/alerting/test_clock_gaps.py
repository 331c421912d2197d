"""Gaps in the watch and steps of the clock, as three clocks show them."""

from datetime import UTC, datetime, timedelta

import pytest

from watchkeeper.alerting.clock_gaps import STALL_S, STEP_S, Clocks, Gap, between

START = datetime(2026, 3, 1, 6, 0, tzinfo=UTC)
BEFORE = Clocks(START, 1_000.0, 5_000.0)
DAY_S = 86_400.0


def after(wall_s: float, ran_s: float, slept_s: float = 0.0) -> Clocks:
    """The clocks after these seconds by the wall clock, of running and of sleep."""
    return Clocks(START + timedelta(seconds=wall_s), 1_000.0 + ran_s, 5_000.0 + ran_s + slept_s)


@pytest.mark.parametrize(
    "clocks", [after(15, 15), after(0, 0), after(14, 15), after(STALL_S, STALL_S), after(15 + STEP_S, 15)]
)
def test_ordinary_time_is_no_gap(clocks: Clocks) -> None:
    """15 s from look to look, a leap second's repeated stamp, a minute of load, and what a time service slews by."""
    assert between(BEFORE, clocks) is None


@pytest.mark.parametrize("by_s", [3_600.0, -3_600.0])
def test_a_clock_that_was_set_runs_apart_from_the_others(by_s: float) -> None:
    """An hour ahead and an hour back: nobody was away."""
    gap = between(BEFORE, after(15 + by_s, 15))
    assert gap == Gap(START, START + timedelta(seconds=15 + by_s), 0.0, by_s)
    assert gap is not None
    assert gap.length == timedelta(seconds=by_s)
    assert gap.must_look_again


def test_a_few_seconds_more_or_less_need_no_new_look() -> None:
    """A time service that steps by ten seconds changes nothing about what was seen."""
    gap = between(BEFORE, after(25, 15))
    assert gap is not None
    assert not gap.must_look_again


def test_a_suspended_host_has_slept() -> None:
    """The boot-time clock ran on while the monotonic one stood still (clock_gettime(2), CLOCK_BOOTTIME)."""
    gap = between(BEFORE, after(15 + 3 * DAY_S, 15, slept_s=3 * DAY_S))
    assert gap == Gap(START, START + timedelta(seconds=15 + 3 * DAY_S), 3 * DAY_S, 0.0, slept=True)


def test_a_process_that_was_stopped_was_away() -> None:
    """All clocks ran on and nobody looked: what is past is all of it."""
    gap = between(BEFORE, after(600, 600))
    assert gap == Gap(START, START + timedelta(seconds=600), 600.0)


def test_a_host_that_slept_with_a_clock_that_was_wrong_after_it() -> None:
    """Both happened, and both are told apart."""
    gap = between(BEFORE, after(15 + DAY_S - 3_600, 15, slept_s=DAY_S))
    assert gap is not None
    assert (gap.away_s, gap.set_by_s, gap.slept) == (DAY_S, -3_600.0, True)
    assert gap.length == timedelta(seconds=DAY_S - 3_600)
