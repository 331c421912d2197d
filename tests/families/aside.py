"""Families for "right the second time", the half that was set aside: looked at once, when the method was complete."""

import numpy as np

from tests.families.develop import bursts, filled_again, jobs
from tests.families.shapes import (
    CAPACITY,
    DAY,
    HOUR,
    STEP,
    WEEK,
    Case,
    Family,
    Rng,
    cut,
    days,
    ramp,
    saw,
    since,
    thin,
    wander,
    white,
)


def again_after_five_days(rng: Rng) -> Case:
    """Room was made, five days of quiet, and the same fill."""
    return filled_again("again_after_five_days", rng, 5, rng.uniform(1.5, 5))


def again_slowly(rng: Rng) -> Case:
    """A fill of ten days, room made, and the same again after a week."""
    return filled_again("again_slowly", rng, 7, rng.uniform(8, 12), 2e-3)


def fortnightly_archive(rng: Rng) -> Case:
    """An archive of uneven size every other week, kept; nothing else grows."""
    t = days(250)
    share = np.full(len(t), rng.uniform(0.15, 0.3))
    first = rng.uniform(1, 13)
    for k in range(18):
        share += rng.uniform(0.035, 0.075) * ramp(t, (first + 14 * k) * DAY, rng.uniform(2, 9) * HOUR)
    return cut("fortnightly_archive", t, share + wander(rng, len(t), 0.001))


def releases(rng: Rng) -> Case:
    """Long bursts of work before a release, and weeks of rest after it."""
    t = days(240)
    gained = np.interp(t, np.arange(240 * 24) * HOUR + HOUR, bursts(rng, 240, 10, 12, rng.uniform(0.005, 0.009)))
    return cut("releases", t, rng.uniform(0.15, 0.35) + gained + white(rng, len(t), 3e-4))


def growth_under_large_jobs(rng: Rng) -> Case:
    """Growth under larger jobs, one in two days, that come and go at random."""
    t = days(130)
    share = rng.uniform(0.15, 0.3) + rng.uniform(0.006, 0.01) * t / DAY
    return cut("growth_under_large_jobs", t, share + jobs(rng, t, 0.5, 0.16) + wander(rng, len(t), 0.002))


def on_and_off(rng: Rng) -> Case:
    """A steady writer, and a faster one that works for some days, stops, and begins again weeks later."""
    t = days(180)
    first, stop = rng.uniform(5, 10) * DAY, rng.uniform(18, 25) * DAY
    again = stop + rng.uniform(10, 18) * DAY
    fast = rng.uniform(0.01, 0.016) * (since(t, first) - since(t, stop) + since(t, again))
    share = rng.uniform(0.15, 0.3) + rng.uniform(0.003, 0.005) * t / DAY + fast
    return cut("on_and_off", t, share + white(rng, len(t), 1e-3), onset=again)


def every_four_hours(rng: Rng) -> Case:
    """A nightly prune on top of growth, sampled every four hours."""
    t = days(140, 4 * HOUR)
    share = rng.uniform(0.2, 0.35) + rng.uniform(0.006, 0.011) * t / DAY + rng.uniform(0.03, 0.08) * saw(t, DAY, 0.2)
    return cut("every_four_hours", t, share + white(rng, len(t), 2e-3))


def quota_raised(rng: Rng) -> Case:
    """A quota that is raised by a tenth whenever nine tenths are used, three times; then no more."""
    t = days(220)
    share = rng.uniform(0.5, 0.65) + rng.uniform(0.006, 0.012) * t / DAY + wander(rng, len(t), 0.003)
    capacity = np.full(len(t), CAPACITY)
    for _ in range(3):
        late = np.nonzero(share * CAPACITY >= rng.uniform(0.88, 0.93) * capacity)[0][0]
        capacity[late:] = 1.1 * capacity[late]
    return cut("quota_raised", t, share, capacity=capacity)


def restore_tests(rng: Rng) -> Case:
    """Every few weeks a backup is restored for a test and deleted the same day; slow growth that does not fill."""
    t, base = days(80), rng.uniform(0.3, 0.5)
    share = base + rng.uniform(0, 5e-4) * t / DAY + white(rng, len(t), 1e-3)
    day = rng.uniform(4, 15)
    while day < 78:
        up, stays = rng.uniform(2, 7) * HOUR, rng.uniform(2, 12) * HOUR
        share += rng.uniform(0.3, 0.42) * (ramp(t, day * DAY, up) - ramp(t, day * DAY + up + stays, 10 * 60))
        day += rng.uniform(8, 20)
    return cut("restore_tests", t, share)


def frees_less_each_time(rng: Rng) -> Case:
    """A leak that is cleared every week or so, and each clearing frees less."""
    t, pace = days(200), rng.uniform(0.03, 0.045)
    share, level, due, part, onset = np.empty(len(t)), rng.uniform(0.25, 0.35), rng.uniform(6, 9) * DAY, 0.95, 0.0
    since_last = 0.0
    for i in range(len(t)):
        level, since_last = level + pace * STEP / DAY, since_last + pace * STEP / DAY
        if t[i] >= due and level < 0.93:
            level, due, part = level - part * since_last, float(t[i]) + rng.uniform(6, 9) * DAY, part * 0.85
            since_last, onset = 0.0, float(t[i]) if part < 0.6 and not onset else onset
        share[i] = level
    return cut("frees_less_each_time", t, share + white(rng, len(t), 1e-3), onset=onset)


def rotation_by_size(rng: Rng) -> Case:
    """Logs that are rotated when they reach a size, at no fixed time, and a leak below them."""
    t = days(260)
    log, level, most = np.empty(len(t)), 0.0, rng.uniform(0.05, 0.09)
    for i in range(len(t)):
        level += rng.exponential(most / 200)
        level = 0.0 if level > most else level
        log[i] = level
    share = rng.uniform(0.3, 0.4) + rng.uniform(0.003, 0.006) * t / DAY + log
    return cut("rotation_by_size", t, share + white(rng, len(t), 1e-3))


def retention_then_growth(rng: Rng) -> Case:
    """Retention fills up within weeks and is then steady; the data below it goes on growing slowly."""
    t, kept = days(200), rng.uniform(14, 25)
    share = rng.uniform(0.25, 0.35) + rng.uniform(0.25, 0.35) / kept * np.minimum(t / DAY, kept)
    share += rng.uniform(0.003, 0.006) * t / DAY
    return cut("retention_then_growth", t, share + wander(rng, len(t), 0.003), onset=kept * DAY)


def pace_doubles(rng: Rng) -> Case:
    """The pace doubles every two to three weeks, all at once each time."""
    t, every = days(160), rng.uniform(14, 21)
    pace = rng.uniform(0.002, 0.004) * 2.0 ** np.floor(t / DAY / every)
    share = rng.uniform(0.2, 0.35) + np.cumsum(pace) * STEP / DAY
    whole = cut("pace_doubles", t, share + white(rng, len(t), 1e-3))
    onset = 0.0 if whole.full_at is None else np.floor(whole.full_at / DAY / every) * every * DAY
    return Case(whole.name, whole.time, whole.used, whole.capacity, whole.full_at, float(onset))


def uneven_fill(rng: Rng) -> Case:
    """A fill of two to five days whose pace wanders by half, on a quiet store."""
    t, at = days(50), rng.uniform(12, 40) * DAY
    start, fill = rng.uniform(0.3, 0.6), rng.uniform(2, 5)
    pace = np.exp(wander(rng, len(t), 0.5, 0.97)) * (t >= at)
    share = start + (1 - start) * np.cumsum(pace) * STEP / DAY / fill / 1.1
    return cut("uneven_fill", t, share + white(rng, len(t), 1e-3), onset=at)


def pause_near_the_top(rng: Rng) -> Case:
    """It grows to about 93 %, pauses for two or three days, and goes on."""
    t, pace, base = days(150), rng.uniform(0.01, 0.02), rng.uniform(0.3, 0.4)
    at = (rng.uniform(0.92, 0.95) - base) / pace * DAY
    again = at + rng.uniform(2, 3) * DAY
    share = base + pace * (t / DAY - since(t, at) + since(t, again))
    return cut("pause_near_the_top", t, share + white(rng, len(t), 1e-3), onset=again)


def full_and_small_backups(rng: Rng) -> Case:
    """A small backup every night and a full one every Sunday; all are kept."""
    t = days(200)
    share = np.full(len(t), rng.uniform(0.15, 0.3))
    small, full = rng.uniform(0.001, 0.002), rng.uniform(0.025, 0.04)
    for night in range(200):
        share += (full if night % 7 == 6 else small) * ramp(
            t, night * DAY + 2 * HOUR, (6 if night % 7 == 6 else 1) * HOUR
        )
    return cut("full_and_small_backups", t, share + white(rng, len(t), 3e-4))


def at_weekends(rng: Rng) -> Case:
    """Footage is copied in at weekends only."""
    t = days(200)
    there = ((t // DAY) % 7 >= 5) & (t % DAY > 9 * HOUR) & (t % DAY < 21 * HOUR)
    share = rng.uniform(0.2, 0.35) + np.cumsum(there) * rng.uniform(0.035, 0.06) / (2 * 72)
    return cut("at_weekends", t, share + white(rng, len(t), 5e-4))


def away_and_faster(rng: Rng) -> Case:
    """A week without samples, after which the growth is twice as fast."""
    t, at = days(160), rng.uniform(20, 30) * DAY
    pace = rng.uniform(0.004, 0.007)
    share = rng.uniform(0.2, 0.35) + pace * (t / DAY + since(t, at)) + white(rng, len(t), 1e-3)
    whole = cut("away_and_faster", t, share, onset=at + WEEK)
    return thin(whole, (whole.time < at) | (whole.time > at + WEEK), "away_and_faster")


FAMILIES: list[Family] = [
    again_after_five_days, again_slowly, fortnightly_archive, releases, growth_under_large_jobs, on_and_off,
    every_four_hours, quota_raised, restore_tests, frees_less_each_time, rotation_by_size, retention_then_growth,
    pace_doubles, uneven_fill, pause_near_the_top, full_and_small_backups, at_weekends, away_and_faster,
]  # fmt: skip
