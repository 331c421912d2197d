"""Families for "right the second time", the half that the forecast was developed with (with other seeds than reported).

Levels that were full before, grow by steps and bursts alone, change their pace, or are sampled rarely.
"""

import numpy as np

from tests.families.shapes import (
    CAPACITY,
    DAY,
    HOUR,
    STEP,
    Case,
    Family,
    Floats,
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


def filled_again(name: str, rng: Rng, rest_d: float, fill_d: float, quiet: float = 1e-3) -> Case:
    """It fills, room is made hours later, and after some days of rest it fills again at the same pace."""
    base, first = rng.uniform(0.2, 0.45), rng.uniform(6, 12) * DAY
    cleared = first + fill_d * DAY + rng.uniform(2, 8) * HOUR
    second = cleared + rest_d * DAY
    t = days((second + fill_d * DAY) / DAY + 1)
    rise = (1 - base) / fill_d
    share = base + rise * since(t, first)
    share = np.where(t >= cleared, base + rise * since(t, second), np.minimum(share, 1.0))
    share = np.where((share >= 1) & (t < cleared), 1.0, np.minimum(share + white(rng, len(t), quiet), 1.0))
    hit = int(np.nonzero((share >= 1) & (t > second))[0][0])
    used = share[: hit + 1] * CAPACITY
    return Case(name, t[: hit + 1], used, np.full(hit + 1, CAPACITY), float(t[hit]), second)


def again_after_a_day(rng: Rng) -> Case:
    """The cause was not repaired: full again one day after room was made."""
    return filled_again("again_after_a_day", rng, 1, rng.uniform(1.5, 4))


def again_after_a_fortnight(rng: Rng) -> Case:
    """Two weeks of quiet, then the same fill."""
    return filled_again("again_after_a_fortnight", rng, 14, rng.uniform(1.5, 4))


def monthly_import(rng: Rng) -> Case:
    """One large import a month, which stays; nothing else grows."""
    t = days(330)
    share = np.full(len(t), rng.uniform(0.1, 0.3))
    size, first = rng.uniform(0.08, 0.14), rng.uniform(3, 25)
    for k in range(12):
        at = first + 30.4 * k + rng.normal(0, 0.7)
        share += size * rng.uniform(0.9, 1.1) * ramp(t, at * DAY, rng.uniform(1, 4) * HOUR)
    return cut("monthly_import", t, share + white(rng, len(t), 5e-4))


def bursts(rng: Rng, n_days: int, work_d: float, rest_d: float, pace: float) -> Floats:
    """The share gained: days of work of uneven output, then days of rest, at random."""
    hours = n_days * 24
    out, busy, left = np.zeros(hours), True, rng.exponential(work_d) * 24
    for i in range(hours):
        left -= 1
        if left <= 0:
            busy = not busy
            left = rng.exponential(work_d if busy else rest_d) * 24
        if busy and 8 <= i % 24 < 22 and rng.uniform() < 0.35:
            out[i] = rng.lognormal(0, 1.0)
    gained: Floats = np.cumsum(out) * pace * (work_d + rest_d) / work_d / (14 * 0.35 * np.exp(0.5))
    return gained


def bursts_and_rests(rng: Rng) -> Case:
    """Bursts of work over days, then rests; all of it stays."""
    t = days(160)
    gained = np.interp(t, np.arange(160 * 24) * HOUR + HOUR, bursts(rng, 160, 4, 4, rng.uniform(0.008, 0.014)))
    return cut("bursts_and_rests", t, rng.uniform(0.15, 0.35) + gained + white(rng, len(t), 2e-4))


def jobs(rng: Rng, t: Floats, a_day: float, most: float) -> Floats:
    """Jobs of hours that come at random, write and delete all again."""
    out, at = np.zeros(len(t)), 0.0
    while at < t[-1]:
        at += rng.exponential(DAY / a_day)
        lasts, size = rng.uniform(1, 9) * HOUR, rng.uniform(0.2, 1) * most
        out += size * (ramp(t, at, 0.6 * lasts) - ramp(t, at + lasts, 10 * 60))
    return out


def growth_under_jobs(rng: Rng) -> Case:
    """Steady growth under jobs of hours that come and go at random."""
    t = days(130)
    share = rng.uniform(0.2, 0.35) + rng.uniform(0.007, 0.012) * t / DAY
    return cut("growth_under_jobs", t, share + jobs(rng, t, rng.uniform(0.7, 2), 0.08) + white(rng, len(t), 5e-4))


def faster_one_stops(rng: Rng) -> Case:
    """Two writers; the faster one stops for good, the other goes on."""
    t, at = days(200), rng.uniform(15, 28) * DAY
    slow, fast = rng.uniform(0.005, 0.008), rng.uniform(0.008, 0.014)
    share = rng.uniform(0.1, 0.25) + slow * t / DAY + fast * np.minimum(t, at) / DAY
    return cut("faster_one_stops", t, share + white(rng, len(t), 1e-3), onset=at)


def every_six_hours(rng: Rng) -> Case:
    """Steady growth with some wander, sampled every six hours."""
    t = days(130, 6 * HOUR)
    share = rng.uniform(0.2, 0.4) + rng.uniform(0.006, 0.014) * t / DAY + wander(rng, len(t), 0.006, 0.7)
    return cut("every_six_hours", t, share)


def enlarged_late(rng: Rng) -> Case:
    """Enlarged twice, each time just before it was full."""
    t, pace, base = days(220), rng.uniform(0.009, 0.015), rng.uniform(0.3, 0.45)
    share = base + pace * t / DAY + wander(rng, len(t), 0.002)
    capacity = np.full(len(t), CAPACITY)
    for _ in range(2):
        late = np.nonzero(share * CAPACITY >= rng.uniform(0.95, 0.99) * capacity)[0][0]
        capacity[late:] = capacity[late] * rng.uniform(1.3, 1.5)
    return cut("enlarged_late", t, share, capacity=capacity)


def risen_and_deleted(rng: Rng) -> Case:
    """A job writes until the store is nearly full, and all of it is deleted hours later; a few times."""
    t = days(50)
    base = rng.uniform(0.35, 0.55)
    share = np.full(len(t), base) + wander(rng, len(t), 0.002)
    for day in (rng.uniform(5, 14), rng.uniform(18, 28), rng.uniform(32, 46)):
        up, stays = rng.uniform(3, 10) * HOUR, rng.uniform(1, 6) * HOUR
        share += (rng.uniform(0.88, 0.96) - base) * (ramp(t, day * DAY, up) - ramp(t, day * DAY + up + stays, HOUR / 2))
    return cut("risen_and_deleted", t, share)


def later_and_later(rng: Rng) -> Case:
    """A leak that is cleared by hand, each time later and at a higher level, until it is too late."""
    t, pace, base = days(200), rng.uniform(0.02, 0.035), rng.uniform(0.25, 0.35)
    share, level, top, onset = np.empty(len(t)), base, rng.uniform(0.5, 0.56), 0.0
    for i in range(len(t)):
        level += pace * STEP / DAY
        if level > top and top < 1:
            level, top, onset = base, top + rng.uniform(0.08, 0.14), float(t[i])
        share[i] = level
    return cut("later_and_later", t, share + white(rng, len(t), 1e-3), onset=onset)


def rotation_and_leak(rng: Rng) -> Case:
    """Logs that are rotated every day, a larger one every week, and a slow leak below them."""
    t = days(260)
    share = rng.uniform(0.3, 0.4) + rng.uniform(0.02, 0.04) * saw(t, DAY, rng.uniform())
    share += rng.uniform(0.05, 0.1) * saw(t, 7 * DAY, rng.uniform()) + rng.uniform(0.003, 0.005) * t / DAY
    return cut("rotation_and_leak", t, share + wander(rng, len(t), 0.003))


def retention_saturates(rng: Rng) -> Case:
    """Snapshots are kept for some weeks: growth at first, then as much goes as comes."""
    t, kept = days(100), rng.uniform(18, 35)
    pace = rng.uniform(0.35, 0.5) / kept
    share = rng.uniform(0.2, 0.35) + pace * np.minimum(t / DAY, kept) + wander(rng, len(t), 0.004)
    return cut("retention_saturates", t, share)


def writers_slow_down(rng: Rng) -> Case:
    """A fill of hours whose writers are slowed by other load: the pace wanders, and falls towards the end."""
    t = days(20, 120.0)
    at, start, hours = rng.uniform(8, 14) * DAY, rng.uniform(0.2, 0.5), rng.uniform(6, 20)
    pace = np.exp(wander(rng, len(t), 0.35, 0.97)) * (t >= at)
    risen = np.cumsum(pace) * 120 / HOUR / hours
    share = start + (1 - start) * (risen - 0.22 * np.clip(risen, 0, 1.2) ** 2)
    return cut("writers_slow_down", t, share + white(rng, len(t), 5e-4), onset=at)


def backup_staging(rng: Rng) -> Case:
    """A large archive is staged every night and removed in the morning; what stays below it grows."""
    t = days(150)
    night = ((t / DAY + rng.uniform()) % 1.0) * 24
    staged = rng.uniform(0.12, 0.22) * (np.clip(night / 2, 0, 1) - np.clip((night - 5) / 0.2, 0, 1))
    share = rng.uniform(0.25, 0.35) + rng.uniform(0.005, 0.009) * t / DAY + staged
    return cut("backup_staging", t, share + white(rng, len(t), 1e-3))


def pace_rises_twice(rng: Rng) -> Case:
    """The pace rises by half, twice; the noise is small."""
    t, pace = days(160), rng.uniform(0.003, 0.005)
    first, second = rng.uniform(15, 30) * DAY, rng.uniform(40, 55) * DAY
    share = rng.uniform(0.2, 0.35) + pace * (t / DAY + 0.7 * since(t, first) + 1.2 * since(t, second))
    return cut("pace_rises_twice", t, share + white(rng, len(t), 1e-3), onset=second)


def restarted_leak(rng: Rng) -> Case:
    """A leak in memory, ended by a restart after some days at no fixed time; never full."""
    t, pace, base = days(60), rng.uniform(0.04, 0.08), rng.uniform(0.3, 0.4)
    share, level, left = np.empty(len(t)), base, rng.uniform(2, 5) * DAY
    for i in range(len(t)):
        level, left = level + pace * STEP / DAY, left - STEP
        if left <= 0:
            level, left = base, rng.uniform(2, 5) * DAY
        share[i] = level
    return cut("restarted_leak", t, share + wander(rng, len(t), 0.01, 0.9))


def daily_steps(rng: Rng) -> Case:
    """A backup every night that stays, of uneven size, with some nights left out."""
    t = days(140)
    share = np.full(len(t), rng.uniform(0.15, 0.35))
    size, hour = rng.uniform(0.008, 0.014), rng.uniform(0, 6)
    for night in range(140):
        if rng.uniform() < 0.85:
            share += size * rng.lognormal(0, 0.3) * ramp(t, night * DAY + hour * HOUR, rng.uniform(0.5, 2) * HOUR)
    return cut("daily_steps", t, share + white(rng, len(t), 3e-4))


def seen_by_day(rng: Rng) -> Case:
    """A host that runs in the evening only: four hours a day are sampled."""
    t = days(140)
    share = rng.uniform(0.2, 0.35) + rng.uniform(0.006, 0.012) * t / DAY + wander(rng, len(t), 0.004)
    whole = cut("seen_by_day", t, share)
    return thin(whole, (whole.time % DAY) > 20 * HOUR, "seen_by_day")


FAMILIES: list[Family] = [
    again_after_a_day, again_after_a_fortnight, monthly_import, bursts_and_rests, growth_under_jobs, faster_one_stops,
    every_six_hours, enlarged_late, risen_and_deleted, later_and_later, rotation_and_leak, retention_saturates,
    writers_slow_down, backup_staging, pace_rises_twice, restarted_leak, daily_steps, seen_by_day,
]  # fmt: skip
