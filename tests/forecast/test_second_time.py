"""A store that was full before fills again; steps, bursts, rests and jobs are part of the forecast."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.forecast.levels import START_S, day, every, history_of, noise, seen
from watchkeeper.forecast.forecast import forecast
from watchkeeper.forecast.history import LevelHistory
from watchkeeper.model.forecast import NoEnd
from watchkeeper.model.line import Floats
from watchkeeper.model.units import DAY_S


def again(t: Floats, rest_d: float, pace: float = 300.0) -> Floats:
    """Quiet at 400 for ten days, a fill, room made within an hour, some days of rest, and the same fill."""
    first, fill = 10.0, 600 / pace
    second = first + fill + 0.1 + rest_d
    used = 400 + pace * np.clip(t - first, 0, fill) - 600 * np.clip((t - first - fill) / 0.04, 0, 1)
    return np.minimum(used + pace * np.clip(t - second, 0, None), 1000.0)


@pytest.mark.parametrize("rest_d", [1, 5, 14])
def test_the_second_fill_is_forecast_like_the_first(rest_d: float) -> None:
    """Half-way through the second fill its end is known to a tenth of what is left."""
    second = 10 + 2 + 0.1 + rest_d
    t = every(10, second + 1.0)
    found = seen(t, again(t, rest_d) + np.minimum(noise(len(t), 0.5), 0))
    assert day(found.likely_s) == pytest.approx(second + 2, abs=0.1)
    assert found.growth_per_day == pytest.approx(300, rel=0.1)


def test_nothing_near_the_top_that_rises_is_expected_to_be_cleared() -> None:
    """A leak that was cleared at 70 to 86 % four times, by hand: above 90 % it has a forecast all the same."""
    t = every(20, 50.6)
    cleared = np.array([0, 8.0, 19.2, 28.2, 38.2])
    used = 300 + 50 * (t - cleared[np.searchsorted(cleared, t, side="right") - 1])
    found = seen(t, used + noise(len(t), 0.5))
    assert found.used > 900
    assert day(found.likely_s) == pytest.approx(52.2, abs=0.3)
    assert seen(t[t < 45], used[t < 45] + noise(int((t < 45).sum()), 0.5)).no_end is NoEnd.CLEARED


@pytest.mark.parametrize("pace", [4.0, 10.0, 30.0])
def test_one_clearing_at_the_end_does_not_promise_that_it_never_fills(pace: float) -> None:
    """Thirty days of growth, and room made just now: it is forecast to fill again, within the range."""
    t = every(20, 30.2)
    used = 950 - pace * 30 + pace * t - np.where(t > 30, 300, 0) + noise(len(t), 0.5)
    found = seen(t, used)
    assert found.likely_s is not None
    assert day(found.earliest_s) <= 30 + 350 / pace
    assert found.latest_s is None or day(found.latest_s) >= 30 + 350 / pace


@given(st.integers(0, 50), st.floats(6, 40))
@settings(max_examples=12, deadline=None)
def test_more_history_of_the_same_law_is_no_worse(seed: int, pace: float) -> None:
    """Of a noisy line, four times as long a history has an error no larger than what the shorter one allowed for."""
    full_d = 60.0
    t = every(30, 0.8 * full_d)
    used = 1000 + pace * (t - full_d) + np.random.default_rng(seed).normal(0, 2, len(t))
    late = t >= 0.6 * full_d
    short, long = seen(t[late], used[late]), seen(t, used)
    assert short.latest_s is not None
    assert short.earliest_s is not None
    allowed_d = max(full_d - day(short.earliest_s), day(short.latest_s) - full_d)
    assert abs(day(long.likely_s) - full_d) <= max(allowed_d, 0.2)


@pytest.mark.parametrize("sd", [0.0, 0.5])
def test_a_long_straight_record_has_a_narrow_range(sd: float) -> None:
    """Forty days of it, 106 days before the end: its own record shows that its pace does not change."""
    t = every(10, 40)
    found = seen(t, 270 + 5 * t + noise(len(t), sd))
    assert day(found.likely_s) == pytest.approx(146, abs=1)
    assert 90 < day(found.earliest_s) - 40 < day(found.latest_s) - 40 < 125


def test_the_early_end_is_not_before_another_step_is_likely() -> None:
    """Three imports in fifty days come again within 0.85 days in one of twenty cases; nine days before the end."""
    t = every(30, 50)
    used = imports(t, 18, 60) - 100 + 300 + 8 * t
    found = seen(t, used + noise(len(t), 0.3))
    assert day(found.likely_s) == pytest.approx(50 + (1000 - 300 - 180 - 400) / 8, abs=0.5)
    assert day(found.earliest_s) > 50.8


def imports(t: Floats, every_d: float, size: float) -> Floats:
    """Steps up within two hours, and nothing else."""
    used = np.full(len(t), 100.0)
    for at in np.arange(every_d / 2, t[-1] + 1, every_d):
        used += size * np.clip((t - at) * 12, 0, 1)
    return used


def test_a_store_that_fills_by_monthly_steps_alone_has_a_forecast() -> None:
    """130 a month from 100 on: the seventh step fills it. Three days before that step it is expected within a week."""
    seventh = 15 + 6 * 30.0
    t = every(60, seventh - 3)
    found = seen(t, imports(t, 30, 130) + noise(len(t), 0.5))
    assert found.no_end is None
    assert day(found.earliest_s) <= seventh <= day(found.latest_s)
    assert day(found.likely_s) == pytest.approx(seventh, abs=7)


def test_jobs_of_hours_do_not_hide_the_growth_below_them() -> None:
    """10 a day under jobs of up to 80 for some hours, at random: the end is known to a third of what is left."""
    rng = np.random.default_rng(5)
    t = every(10, 60)
    used = 300 + 10 * t
    for at in np.cumsum(rng.exponential(0.8, 80)):
        used += rng.uniform(20, 80) * (np.clip((t - at) / 0.1, 0, 1) - np.clip((t - at - 0.25) / 0.01, 0, 1))
    full = float(t[np.argmax(used >= 1000)]) if (used >= 1000).any() else 64.0
    for until in (40, 45, 50, 55):
        now = t <= until
        found = seen(t[now], used[now] + noise(int(now.sum()), 0.5))
        assert day(found.likely_s) == pytest.approx(full, abs=0.35 * (full - until))


def test_growth_that_rests_is_not_said_to_have_stopped() -> None:
    """Three days of growth, three of rest, again and again: in the third day of a rest there is still a forecast."""
    t = every(30, 41.5)
    used = 200 + 20 * (3 * (t // 6) + np.minimum(t % 6, 3))
    assert t[-1] % 6 > 5
    found = seen(t, used + noise(len(t), 0.2))
    assert found.no_end is None
    assert day(found.earliest_s) <= 80 <= day(found.latest_s)


def test_growth_that_rests_much_longer_than_ever_may_have_stopped() -> None:
    """The same, and then two weeks without growth: the range has no end."""
    t = every(30, 54)
    used = 200 + 20 * np.where(t < 40, 3 * (t // 6) + np.minimum(t % 6, 3), 21.0)
    assert seen(t, used + noise(len(t), 0.2)).latest_s is None


def test_the_pace_of_an_uneven_fill_has_lasted_since_it_began() -> None:
    """A fill whose pace wanders counts from its beginning, not from the last change of pace."""
    t = every(2, 10.3)
    rng = np.random.default_rng(4)
    pace = np.repeat(rng.uniform(0.6, 1.4, len(t) // 15 + 1), 15)[: len(t)] * (t >= 10)
    used = 300 + np.cumsum(pace) / 720 * 1000
    found = seen(t, used + noise(len(t), 0.3))
    assert found.since_s is not None
    assert found.at_s - found.since_s > 0.2 * DAY_S


def test_a_record_of_the_future_alone_is_too_short() -> None:
    """A clock that was ahead by days has left only hours that are still to come."""
    t = every(10, 3)
    assert forecast(history_of(t, 200 + 10 * t), START_S - DAY_S).no_end is NoEnd.TOO_FEW
    assert forecast(LevelHistory(), START_S).no_end is NoEnd.TOO_FEW


def test_growth_that_stopped_after_a_steady_time_has_stopped() -> None:
    """Twenty days of steady growth, then five still ones: it is not filling, whatever it did before."""
    t = every(20, 25)
    found = seen(t, 300 + 20 * np.minimum(t, 20.0))
    assert found.no_end is NoEnd.STILL


def leak(t: Floats, cleared: Floats, left: Floats) -> Floats:
    """50 a day; at each clearing it falls to what is left then."""
    which = np.searchsorted(cleared, t, side="right") - 1
    return np.asarray(left[which] + 50 * (t - cleared[which]))


def test_clearings_that_leave_more_each_time_do_not_stop_it_from_filling() -> None:
    """Five clearings at no fixed time that leave 40 more each time: expected to be cleared again, and yet to fill."""
    t = every(20, 46)
    cleared = np.array([0, 6.0, 13.5, 19.8, 27.6, 34.2, 41.5])
    used = leak(t, cleared, 200 + 40 * np.arange(7.0))
    found = seen(t, used + noise(len(t), 0.5))
    assert found.no_end is None
    assert day(found.likely_s) > 48


def test_clearings_that_come_at_a_higher_level_each_time_are_not_relied_on() -> None:
    """At 40, 50, 60 and 70 % so far: at 65 % there is a forecast, and at 45 % it is expected to be cleared."""
    t = every(20, 31)
    cleared = np.array([0, 4.0, 10.0, 18.0, 28.0])
    used = leak(t, cleared, np.full(5, 200.0))
    assert seen(t, used + noise(len(t), 0.5)).no_end is NoEnd.CLEARED
    t = every(20, 36.9)
    used = leak(t, cleared, np.full(5, 200.0))
    found = seen(t, used + noise(len(t), 0.5))
    assert day(found.likely_s) == pytest.approx(44, abs=0.5)


def test_clearings_that_leave_a_part_are_net_growth() -> None:
    """Three clearings of half of what had come: expected to be cleared, but what stays fills it in weeks."""
    t = every(20, 11.0)
    cleared, level, base, used = [3.1, 6.9, 10.2], 200.0, 200.0, []
    for now in t:
        if cleared and now >= cleared[0]:
            cleared.pop(0)
            base = level = level - 0.5 * (level - base)
        used.append(level)
        level += 30 / 72
    found = seen(t, np.array(used) + noise(len(t), 0.3))
    assert 25 < day(found.likely_s) < 75


def test_one_young_clearing_is_not_yet_net_growth() -> None:
    """A rise of five days was cleared, and the next is as high: it is expected to be cleared, whatever stayed."""
    t = every(20, 9.5)
    used = 300 + 40 * t - np.where(t > 5, 200, 0)
    assert seen(t, used + noise(len(t), 0.3)).no_end is NoEnd.CLEARED


@pytest.mark.parametrize(("step_min", "after_d"), [(10, 0.3), (10, 5.0), (60, 0.4), (60, 5.0)])
@pytest.mark.parametrize("swing", [30.0, 90.0])
def test_a_nightly_cycle_is_known_after_a_fill(step_min: float, after_d: float, swing: float) -> None:
    """A nightly ramp for four weeks, a fill of three days, and room made: the ramp is a cycle again, not growth."""
    t = every(step_min, 29 + after_d)
    calm = 400 + swing * ((t - 0.3) % 1)
    used = np.where((t > 25) & (t < 29), np.minimum(calm + 190 * (t - 25), 1000.0), calm)
    found = seen(t, used + np.minimum(noise(len(t), 0.5), 0))
    assert found.cycle_s is not None
    assert found.likely_s is None or day(found.likely_s) > 60


@pytest.mark.parametrize("after_d", [0.5, 4.0])
def test_a_nightly_cycle_is_known_after_two_fills(after_d: float) -> None:
    """Two fills within eight days hide the cycle for weeks: it is the one from before them, or since."""
    t = every(10, 21 + after_d)
    calm = 400 + 30 * ((t - 0.3) % 1)
    filling = np.where((t > 9) & (t < 12.3), t - 9, np.where((t > 17) & (t < 21), t - 17, 0))
    used = np.minimum(calm + 190 * filling, 1000.0)
    assert seen(t, used + np.minimum(noise(len(t), 0.5), 0)).cycle_s == DAY_S


def test_a_store_that_filled_at_its_very_beginning_has_no_cycle_to_know() -> None:
    """A fill in the first hours of the record, room made, and little since: no cycle is claimed."""
    t = every(20, 1.4)
    used = np.where(t < 0.6, 500 + 800 * t, 400 + 20 * t)
    assert seen(t, np.minimum(used, 990.0) + noise(len(t), 0.5)).cycle_s is None


@pytest.mark.parametrize("minutes", [30, 60, 120, 180, 240, 360, 720])
@pytest.mark.parametrize(("at", "room"), [(30, 400), (25, 250)])
def test_after_room_was_made_the_growth_goes_on(minutes: float, at: float, room: float) -> None:
    """20 a day; at 95 % or at 85 % room is made: from half an hour later on, the new end is forecast, and only that."""
    t = every(10, at + minutes / 1440)
    used = 350 + 20 * t - np.where(t >= at, room, 0) + noise(len(t), 0.5)
    full = (1000 - 350 + room) / 20
    found = seen(t, used)
    assert found.likely_s is not None
    assert day(found.likely_s) - t[-1] == pytest.approx(full - t[-1], rel=0.25)
    assert day(found.earliest_s) > at + 7


@pytest.mark.parametrize("step_min", [10, 30])
def test_room_that_was_made_under_a_nightly_cycle_is_no_shrinking(step_min: float) -> None:
    """A fill of three days over a nightly cycle, and room made at its end: the drop is never extrapolated."""
    for minutes in np.array([2, 3, 4, 6, 8, 12]) * step_min:
        t = every(step_min, 24.3 + minutes / 1440)
        calm = 550 + 0.5 * t + 30 * ((t - 0.125) % 1) + np.sin(17 * t) + np.sin(70 * t)
        used = np.where((t >= 21) & (t < 24.3), np.minimum(calm + 166 * (t - 21), 1000.0), calm)
        found = seen(t, used)
        assert found.no_end is not NoEnd.SHRINKING
        assert found.growth_per_day is not None
        assert found.growth_per_day > -30
        assert found.likely_s is None or day(found.likely_s) - t[-1] > 1


def test_room_that_was_made_for_good_is_no_growth() -> None:
    """The cause was repaired as well: half a day later it is not filling."""
    t = every(10, 30.5)
    used = np.where(t < 30, 350 + 20 * t, 550) + noise(len(t), 0.5)
    assert seen(t, used).no_end in {NoEnd.STILL, NoEnd.UNCERTAIN}


def test_a_large_file_that_is_deleted_again_leaves_no_growth() -> None:
    """Written for four hours up to 90 %, deleted an hour later: in the hours after that there is no end."""
    for minutes in (20, 60, 180, 300):
        t = every(10, 20 + minutes / 1440)
        rise = 500 * np.clip((t - 19.8) / 0.16, 0, 1) * (t < 20)
        found = seen(t, 400 + rise + noise(len(t), 0.5))
        assert found.likely_s is None or day(found.likely_s) > 27


def test_a_level_that_falls_and_then_stays_has_no_end() -> None:
    """A flat stretch must not give a number from nothing, whenever it is looked at."""
    t = every(60, 40)
    used = np.maximum(900 - 20 * t, 400)
    for until in (25.2, 25.5, 26, 28, 33, 40):
        found = seen(t[t <= until], used[t <= until] + noise(int((t <= until).sum()), 0.3))
        assert found.no_end in {NoEnd.STILL, NoEnd.SHRINKING}


def test_a_cycle_that_is_not_seen_since_room_was_made_is_none() -> None:
    """A ripple of three hours until room is made, and a flat level since: it is not filling."""
    t = every(60, 30.6)
    hour = np.arange(len(t))
    used = np.where(t <= 30, 300 + 20 * t + hour % 3 - 1, 100.0)
    assert seen(t[t <= 30], used[t <= 30]).cycle_s is not None
    found = seen(t, used)
    assert found.cycle_s is None
    assert found.no_end is NoEnd.STILL


def test_the_first_sample_after_room_was_made_does_not_say_full_now() -> None:
    """Nearly full, and emptied just now: the time is counted from what is left, at the pace of before."""
    t = every(10, 23.4)
    used = 300 + 30 * t - np.where(t > 23.3, 700, 0) + noise(len(t), 0.5)
    first = int(np.flatnonzero(t > 23.3)[0])
    before, found = (seen(t[:n], used[:n]) for n in (first, first + 1))
    assert day(before.likely_s) == pytest.approx(23.33, abs=0.05)
    assert day(found.likely_s) == pytest.approx(23.33 + 700 / 30, rel=0.05)
    assert found.latest_s is not None
    assert day(found.latest_s) > day(found.likely_s)


def test_a_first_sample_far_below_invents_no_end() -> None:
    """A level without growth that is emptied has no date; a growth whose late end is open keeps an open one."""
    t = every(10, 6)
    still = seen(t, np.where(t < t[-1], 600.0, 100.0) + noise(len(t), 0.5))
    assert still.likely_s is None
    t = every(10, 1)
    young = 300 + 60 * t + noise(len(t), 10.0, seed=0)
    before = seen(t, young)
    young[-1] = 100.0
    found = seen(t, young)
    assert before.latest_s is found.latest_s is None
    assert found.growth_per_day is not None
    assert day(found.likely_s) > day(before.likely_s) + 100 / found.growth_per_day


@pytest.mark.parametrize("base", [150.0, 370.0])
def test_a_level_that_was_emptied_once_and_is_still_is_not_filling(base: float) -> None:
    """Risen for four days from its first sample, emptied at 85 %, and at rest for eleven days: never a date of days."""
    t = every(60, 15)
    used = np.where(t < 4, base + (850 - base) * t / 4, base) + noise(len(t), 0.2)
    for until in np.arange(6.0, 15.0, 0.5):
        found = seen(t[t <= until], used[t <= until])
        assert found.likely_s is None


@pytest.mark.parametrize("years", [11, 20])
def test_what_fills_in_more_than_ten_years_has_no_date(years: int) -> None:
    """Two years of even growth, at which the rest would take so long."""
    t = every(180, 730)
    found = seen(t, 100 + 900 / (365 * years) * (t - t[-1]) + noise(len(t), 0.01))
    assert found.no_end is NoEnd.FAR
    assert found.likely_s is None


@pytest.mark.parametrize("until_d", np.arange(141.0, 154.0, 2.6))
def test_an_image_every_other_week_is_growth(until_d: float) -> None:
    """The kept hours hold four of eleven: the end is a few steps away, never years, at each moment between two."""
    t = every(20, until_d)
    used = 200 + 60 * np.floor((t + 0.02) / 14)
    found = seen(t, used + noise(len(t), 0.5))
    assert found.used == pytest.approx(800, abs=3)
    full_d = 14 * 14.0
    assert day(found.earliest_s) <= full_d <= day(found.latest_s)
    assert (day(found.likely_s) - until_d) == pytest.approx(full_d - until_d, rel=0.35)


@pytest.mark.parametrize("until_d", [184.0, 188.0, 192.0, 195.0])
def test_the_last_of_regular_steps_is_expected_when_it_is_due(until_d: float) -> None:
    """A third of a step is free: the noise, which is not much less than that, is no step and changes nothing."""
    t = every(20, until_d)
    used = 200 + 60 * np.floor((t + 0.02) / 14) + noise(len(t), 1.0)
    found = seen(t, used)
    assert found.used == pytest.approx(980, abs=5)
    assert day(found.likely_s) == pytest.approx(196, abs=3)


@pytest.mark.parametrize("until_d", [175.0, 178.0, 180.6])
def test_noise_does_not_hide_that_images_recur(until_d: float) -> None:
    """The kept hours hold four; with the days it is eleven or twelve, and the last but one fills nearly all."""
    t = every(30, until_d)
    found = seen(t, 200 + 60 * np.floor((t + 0.02) / 14) + noise(len(t), 1.0))
    assert found.used == pytest.approx(920, abs=5)
    assert day(found.likely_s) == pytest.approx(196, abs=4)


def test_a_few_images_are_not_growth() -> None:
    """Five within the record of a level that grows steadily by more: the line is what fills it."""
    t = every(20, 100)
    used = 100 + 5 * t + sum(20 * (t >= at) for at in (11.3, 24.1, 37.7, 62.9, 84.2))
    found = seen(t, used + noise(len(t), 0.5))
    assert found.growth_per_day == pytest.approx(5, rel=0.03)
    assert day(found.likely_s) == pytest.approx(100 + (1000 - found.used) / 5, abs=2)


def test_images_that_are_deleted_again_are_not_growth() -> None:
    """One of those before the kept hours was deleted, so what stays is not known to recur."""
    t = every(20, 150)
    used = 200 + 50 * np.floor((t + 0.02) / 14) - 50 * (t > 50.3)
    found = seen(t, used + noise(len(t), 0.5))
    assert found.no_end is not None or day(found.likely_s) > 190
