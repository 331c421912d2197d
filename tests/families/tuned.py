"""More families, the half that the forecast was tuned on (with other seeds than those that are reported)."""

import numpy as np

from tests.families.shapes import (
    CAPACITY,
    DAY,
    HOUR,
    MINUTE,
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
    walk,
    wander,
    white,
)


def doubling(rng: Rng) -> Case:
    """Growth that doubles or trebles at one moment."""
    t, at = days(120), rng.uniform(20, 40) * DAY
    slow = rng.uniform(0.004, 0.007)
    share = rng.uniform(0.2, 0.4) + slow * t / DAY + rng.uniform(1, 2) * slow * since(t, at)
    return cut("doubling", t, share + white(rng, len(t), 1e-3), onset=at)


def halving(rng: Rng) -> Case:
    """Growth that falls to a third or a half at one moment."""
    t, at = days(150), rng.uniform(20, 30) * DAY
    fast = rng.uniform(0.01, 0.014)
    share = rng.uniform(0.2, 0.3) + fast * t / DAY - rng.uniform(0.5, 0.67) * fast * since(t, at)
    return cut("halving", t, share + white(rng, len(t), 1e-3), onset=at)


def weekdays(rng: Rng) -> Case:
    """Growth in working hours from Monday to Friday only."""
    t = days(150)
    work = ((t / DAY).astype(int) % 7 < 5) & (t % DAY > 8 * HOUR) & (t % DAY < 18 * HOUR)
    share = rng.uniform(0.2, 0.3) + np.cumsum(work) * rng.uniform(0.008, 0.014) / 60
    return cut("weekdays", t, share + white(rng, len(t), 5e-4))


def weekly_backups(rng: Rng) -> Case:
    """Growth made only of steps: a backup every week, none deleted."""
    t = days(200)
    phase, size = rng.uniform(0, 7), rng.uniform(0.035, 0.06)
    count = np.floor((t / DAY + phase) / 7)
    return cut("weekly_backups", t, rng.uniform(0.15, 0.3) + size * count + white(rng, len(t), 5e-4))


def backups_kept(rng: Rng) -> Case:
    """A backup every night, kept for some weeks, then as many go as come."""
    t, kept = days(90), rng.integers(14, 30)
    count = np.minimum(np.floor(t / DAY + rng.uniform()), kept)
    return cut(
        "backups_kept", t, rng.uniform(0.1, 0.2) + rng.uniform(0.4, 0.6) / kept * count + white(rng, len(t), 1e-3)
    )


def saturating(rng: Rng) -> Case:
    """Growth that slows like a logarithm and stays below the top."""
    t = days(120)
    shape = np.log1p(t / DAY / rng.uniform(2, 8))
    share = rng.uniform(0.2, 0.3) + rng.uniform(0.4, 0.55) * shape / shape[-1]
    return cut("saturating", t, share + white(rng, len(t), 1e-3))


def late_growth(rng: Rng) -> Case:
    """Two quiet months, then steady growth."""
    t, at = days(150), rng.uniform(50, 70) * DAY
    share = rng.uniform(0.3, 0.5) + rng.uniform(0.015, 0.04) * since(t, at) + wander(rng, len(t), 0.003)
    return cut("late_growth", t, share, onset=at)


def human_cleanups(rng: Rng) -> Case:
    """A slow leak that somebody clears when they think of it."""
    t = days(120)
    share, level, rate = np.empty(len(t)), rng.uniform(0.3, 0.4), rng.uniform(0.02, 0.04)
    top, base = rng.uniform(0.7, 0.85), level
    for i in range(len(t)):
        level += rate / 144
        if level > top:
            level, top = base + rng.uniform(-0.05, 0.05), rng.uniform(0.7, 0.85)
        share[i] = level
    return cut("human_cleanups", t, share + white(rng, len(t), 1e-3))


def enlarged_twice(rng: Rng) -> Case:
    """Growth into a store that is made larger twice."""
    t = days(200)
    capacity = CAPACITY * (1 + 0.3 * (t > rng.uniform(20, 30) * DAY) + 0.3 * (t > rng.uniform(45, 60) * DAY))
    share = rng.uniform(0.2, 0.4) + rng.uniform(0.01, 0.016) * t / DAY + wander(rng, len(t), 0.003)
    return cut("enlarged_twice", t, share, capacity=capacity)


def walk_high(rng: Rng) -> Case:
    """A random walk that goes nowhere in particular, at three quarters."""
    t = days(60)
    return cut("walk_high", t, np.clip(0.75 + walk(rng, t, 0.008), 0, 0.97))


def quantised(rng: Rng) -> Case:
    """Steady growth reported in whole percent."""
    t = days(120)
    share = rng.uniform(0.2, 0.4) + rng.uniform(0.007, 0.015) * t / DAY + white(rng, len(t), 5e-4)
    return cut("quantised", t, np.floor(share * 100) / 100)


def spiky(rng: Rng) -> Case:
    """Still, but for single samples that are far too high."""
    t = days(60)
    share = rng.uniform(0.5, 0.7) + white(rng, len(t), 1e-3)
    share[rng.integers(0, len(t), 25)] += rng.uniform(0.1, 0.25, 25)
    return cut("spiky", t, share)


def large_files(rng: Rng) -> Case:
    """Still, but for large files that stay some hours."""
    t = days(60)
    share = rng.uniform(0.35, 0.5) + wander(rng, len(t), 0.002)
    for day in rng.uniform(1, 58, 8):
        begin, lasts = day * DAY, rng.uniform(2, 20) * HOUR
        share += rng.uniform(0.08, 0.16) * (ramp(t, begin, HOUR) - ramp(t, begin + lasts, 10 * MINUTE))
    return cut("large_files", t, share)


def memory(rng: Rng) -> Case:
    """Memory in use: quick noise of some percent near the top."""
    t = days(45)
    share = rng.uniform(0.75, 0.85) + wander(rng, len(t), 0.02, 0.8) + 0.02 * np.sin(2 * np.pi * t / DAY)
    return cut("memory", t, np.clip(share, 0, 0.99))


def new_and_filling(rng: Rng) -> Case:
    """The history begins in the middle of a fill that lasts hours."""
    t = days(3)
    start = rng.uniform(0.2, 0.6)
    return cut("new_and_filling", t, start + (1 - start) * t / (rng.uniform(8, 48) * HOUR) + white(rng, len(t), 1e-3))


def runaway_on_prunes(rng: Rng) -> Case:
    """A runaway log on top of a nightly ramp that is pruned."""
    t, at = days(40), rng.uniform(15, 30) * DAY
    share = rng.uniform(0.3, 0.5) + rng.uniform(0.05, 0.12) * saw(t, DAY, rng.uniform()) + white(rng, len(t), 1e-3)
    return cut("runaway_on_prunes", t, share + since(t, at) * 24 / rng.uniform(12, 60), onset=at)


def hourly(rng: Rng) -> Case:
    """Steady growth with noise, sampled every hour, for a year."""
    t = days(300, HOUR)
    share = rng.uniform(0.2, 0.4) + rng.uniform(0.003, 0.006) * t / DAY + wander(rng, len(t), 0.005, 0.9)
    return cut("hourly", t, share)


def bursts_that_stop(rng: Rng) -> Case:
    """Jobs that write for some hours and end, each taking a tenth; cleared after days."""
    t = days(60)
    share = np.full(len(t), rng.uniform(0.3, 0.5)) + wander(rng, len(t), 0.002)
    for day in rng.uniform(3, 55, 6):
        size = rng.uniform(0.06, 0.12)
        share += size * (ramp(t, day * DAY, rng.uniform(3, 8) * HOUR) - ramp(t, (day + rng.uniform(1, 4)) * DAY, HOUR))
    return cut("bursts_that_stop", t, share)


def slow_runaway(rng: Rng) -> Case:
    """Something writes until the store is full, in some days, on top of wander."""
    t, at = days(60), rng.uniform(15, 40) * DAY
    start = rng.uniform(0.3, 0.6)
    share = start + (1 - start) * since(t, at) / rng.uniform(2, 8) + wander(rng, len(t), 0.005)
    return cut("slow_runaway", t, share, onset=at)


def gappy_weekly(rng: Rng) -> Case:
    """A weekly prune on top of growth, with gaps."""
    t = days(150)
    share = rng.uniform(0.3, 0.4) + rng.uniform(0.08, 0.15) * saw(t, WEEK, rng.uniform())
    whole = cut("gappy_weekly", t, share + rng.uniform(0.005, 0.009) * t / DAY + white(rng, len(t), 1e-3))
    keep = np.ones(len(whole.time), dtype=bool)
    for day in rng.uniform(3, 70, 5):
        keep &= ~((whole.time > day * DAY) & (whole.time < (day + rng.uniform(0.2, 2)) * DAY))
    return thin(whole, keep, "gappy_weekly")


FAMILIES: list[Family] = [
    doubling, halving, weekdays, weekly_backups, backups_kept, saturating, late_growth, human_cleanups,
    enlarged_twice, walk_high, quantised, spiky, large_files, memory, new_and_filling, runaway_on_prunes, hourly,
    bursts_that_stop, slow_runaway, gappy_weekly,
]  # fmt: skip
