"""More families, the half that was held out: looked at now and then, never tuned on."""

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


def monthly_growing(rng: Rng) -> Case:
    """A ramp that is pruned every 30 days, on top of growth."""
    t = days(240)
    share = rng.uniform(0.2, 0.3) + rng.uniform(0.08, 0.15) * saw(t, 30 * DAY, rng.uniform())
    return cut("monthly_growing", t, share + rng.uniform(0.003, 0.005) * t / DAY + white(rng, len(t), 1e-3))


def monthly_still(rng: Rng) -> Case:
    """A ramp that is pruned every 30 days; nothing grows."""
    t = days(180)
    share = rng.uniform(0.4, 0.55) + rng.uniform(0.1, 0.3) * saw(t, 30 * DAY, rng.uniform())
    return cut("monthly_still", t, share + white(rng, len(t), 1e-3))


def widening(rng: Rng) -> Case:
    """A daily cycle whose swing grows until its top touches."""
    t = days(120)
    swing = 0.02 + rng.uniform(0.004, 0.008) * t / DAY
    share = rng.uniform(0.3, 0.5) + swing * (1 + np.sin(2 * np.pi * t / DAY)) / 2 + 0.003 * t / DAY
    return cut("widening", t, share + white(rng, len(t), 1e-3))


def nightly_backups(rng: Rng) -> Case:
    """Growth made only of steps, one every night."""
    t = days(120)
    count = np.floor(t / DAY + rng.uniform())
    return cut(
        "nightly_backups", t, rng.uniform(0.2, 0.4) + rng.uniform(0.008, 0.016) * count + white(rng, len(t), 5e-4)
    )


def step_then_growth(rng: Rng) -> Case:
    """A quiet store into which something large moves, that grows from then on."""
    t, at = days(150), rng.uniform(15, 40) * DAY
    share = rng.uniform(0.2, 0.3) + ramp(t, at, 3 * HOUR) * rng.uniform(0.1, 0.25)
    share += rng.uniform(0.008, 0.02) * since(t, at)
    return cut("step_then_growth", t, share + white(rng, len(t), 1e-3), onset=at)


def shrunk(rng: Rng) -> Case:
    """The store itself is made smaller while it fills."""
    t = days(150)
    capacity = np.where(t < 25 * DAY, CAPACITY, 0.8 * CAPACITY)
    share = rng.uniform(0.2, 0.3) + rng.uniform(0.007, 0.014) * t / DAY + wander(rng, len(t), 0.003)
    return cut("shrunk", t, share, capacity=capacity)


def drifting_walk(rng: Rng) -> Case:
    """A random walk with drift."""
    t = days(150)
    return cut("drifting_walk", t, rng.uniform(0.2, 0.4) + rng.uniform(0.01, 0.016) * t / DAY + walk(rng, t, 0.01))


def by_the_minute(rng: Rng) -> Case:
    """A runaway, sampled every minute."""
    t, at = days(10, MINUTE), rng.uniform(4, 8) * DAY
    start = rng.uniform(0.3, 0.6)
    share = start + (1 - start) * since(t, at) * 24 / rng.uniform(4, 20)
    return cut("by_the_minute", t, share + wander(rng, len(t), 0.002), onset=at)


def mixed_sampling(rng: Rng) -> Case:
    """Growth sampled every minute, then hourly, then every ten minutes, with jitter."""
    t = np.concatenate(
        [np.arange(0, 5 * DAY, MINUTE), np.arange(5 * DAY, 30 * DAY, HOUR), np.arange(30 * DAY, 120 * DAY, 600)]
    )
    t = t + rng.uniform(0, 30, len(t))
    share = rng.uniform(0.2, 0.4) + rng.uniform(0.008, 0.015) * t / DAY + white(rng, len(t), 2e-3)
    return cut("mixed_sampling", t, share)


def swap(rng: Rng) -> Case:
    """Swap of a small machine: jumps up and down, no trend."""
    t = days(60)
    share, level = np.empty(len(t)), 0.3
    for i in range(len(t)):
        if rng.uniform() < 1 / 100:
            level = float(np.clip(level + rng.normal(0, 0.12), 0.02, 0.8))
        share[i] = level
    return cut("swap", t, share)


def exponential(rng: Rng) -> Case:
    """Growth that doubles every few weeks."""
    t = days(200)
    share = rng.uniform(0.1, 0.2) * np.exp(np.log(2) * t / (rng.uniform(20, 40) * DAY))
    return cut("exponential", t, share + white(rng, len(t), 1e-3))


def long_gaps(rng: Rng) -> Case:
    """Growth with noise, seen only a few days at a time."""
    t = days(150)
    whole = cut(
        "long_gaps", t, rng.uniform(0.2, 0.3) + rng.uniform(0.007, 0.012) * t / DAY + wander(rng, len(t), 0.004)
    )
    return thin(whole, (whole.time / DAY) % 11 < rng.uniform(4, 7), "long_gaps")


def flat(rng: Rng) -> Case:
    """Exactly the same for weeks."""
    t = days(40)
    return cut("flat", t, np.full(len(t), rng.uniform(0.5, 0.98)))


def neglected(rng: Rng) -> Case:
    """A leak that was cleared some times, and then nobody does."""
    t = days(150)
    share, level, base, clears = np.empty(len(t)), 0.35, 0.35, 4
    rate, top = rng.uniform(0.02, 0.035), rng.uniform(0.55, 0.65)
    onset = 0.0
    for i in range(len(t)):
        level += rate / 144
        if level > top and clears:
            level, clears, top, onset = base, clears - 1, rng.uniform(0.55, 0.65), float(t[i])
        share[i] = level
    return cut("neglected", t, share + white(rng, len(t), 1e-3), onset=onset)


def many_imports(rng: Rng) -> Case:
    """Growth made of imports at random times, on average one every four days."""
    t = days(200)
    share = np.full(len(t), rng.uniform(0.2, 0.3))
    day = 0.0
    while day < 200:
        day += rng.exponential(4)
        share += rng.uniform(0.02, 0.06) * ramp(t, day * DAY, 2 * HOUR)
    return cut("many_imports", t, share + white(rng, len(t), 5e-4))


def slowing(rng: Rng) -> Case:
    """Growth that slows like a root, and fills all the same."""
    t, end = days(150), rng.uniform(60, 100) * DAY
    start = rng.uniform(0.2, 0.3)
    return cut("slowing", t, start + (1 - start) * np.sqrt(t / end) + white(rng, len(t), 1e-3))


def paused(rng: Rng) -> Case:
    """Growth that pauses for some days and goes on."""
    t, at = days(150), rng.uniform(20, 30) * DAY
    pause = rng.uniform(3, 8) * DAY
    busy = np.minimum(t, at) + np.clip(t - at - pause, 0, None)
    share = rng.uniform(0.2, 0.3) + rng.uniform(0.01, 0.015) * busy / DAY
    return cut("paused", t, share + white(rng, len(t), 1e-3), onset=at + pause)


def big_job(rng: Rng) -> Case:
    """One job writes for some hours at the rate of a runaway, and ends well below the top."""
    t = days(40)
    share = rng.uniform(0.25, 0.4) + rng.uniform(0.15, 0.25) * ramp(
        t, rng.uniform(5, 30) * DAY, rng.uniform(3, 8) * HOUR
    )
    return cut("big_job", t, share + white(rng, len(t), 1e-3))


def heavy_tailed(rng: Rng) -> Case:
    """Growth under noise with rare large excursions."""
    t = days(120)
    shocks = rng.standard_t(3, len(t)) * 0.0015
    noise, x = np.empty(len(t)), 0.0
    for i, e in enumerate(shocks):
        noise[i] = x = 0.95 * x + e
    return cut("heavy_tailed", t, rng.uniform(0.2, 0.4) + rng.uniform(0.008, 0.014) * t / DAY + noise)


def day_and_week(rng: Rng) -> Case:
    """A nightly and a weekly prune on top of growth."""
    t = days(150)
    share = (
        rng.uniform(0.2, 0.3) + 0.05 * saw(t, DAY, rng.uniform()) + rng.uniform(0.06, 0.1) * saw(t, WEEK, rng.uniform())
    )
    return cut("day_and_week", t, share + rng.uniform(0.005, 0.009) * t / DAY + white(rng, len(t), 1e-3))


def late_prunes(rng: Rng) -> Case:
    """A daily ramp, pruned at about the same hour but never exactly; nothing grows."""
    t = days(60)
    share, level, rate = np.empty(len(t)), 0.0, rng.uniform(0.06, 0.15)
    base, due = rng.uniform(0.4, 0.65), DAY
    for i in range(len(t)):
        level += rate / 144
        if t[i] >= due:
            level, due = 0.0, (np.floor(t[i] / DAY + 0.5) + 1) * DAY + rng.normal(0, 1.5) * HOUR
        share[i] = level
    return cut("late_prunes", t, base + share + white(rng, len(t), 1e-3))


def other_periods(rng: Rng) -> Case:
    """A ramp that is pruned every two, three, four or ten days, on top of growth."""
    t, period = days(150), float(rng.choice([0.5, 2, 3, 4, 10]))
    share = rng.uniform(0.2, 0.4) + rng.uniform(0.06, 0.12) * saw(t, period * DAY, rng.uniform())
    return cut("other_periods", t, share + rng.uniform(0.006, 0.01) * t / DAY + white(rng, len(t), 1e-3))


FAMILIES: list[Family] = [
    monthly_growing, monthly_still, widening, nightly_backups, step_then_growth, shrunk, drifting_walk, by_the_minute,
    mixed_sampling, swap, exponential, long_gaps, flat, neglected, many_imports, slowing, paused, big_job,
    heavy_tailed, day_and_week, late_prunes, other_periods,
]  # fmt: skip
