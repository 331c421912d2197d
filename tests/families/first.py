"""The first families: shapes that a host with guests, snapshots, backups and logs really shows."""

import numpy as np

from tests.families.shapes import (
    CAPACITY,
    DAY,
    HOUR,
    WEEK,
    Case,
    Family,
    Rng,
    cut,
    days,
    ramp,
    saw,
    thin,
    wander,
    white,
)


def steady(rng: Rng) -> Case:
    """Straight growth with a little noise."""
    t = days(90)
    return cut("steady", t, rng.uniform(0.2, 0.4) + rng.uniform(0.008, 0.02) * t / DAY + white(rng, len(t), 5e-4))


def steady_slow(rng: Rng) -> Case:
    """Growth so slow that it does not fill in four months."""
    t = days(120)
    share = rng.uniform(0.5, 0.7) + rng.uniform(2e-4, 6e-4) * t / DAY + white(rng, len(t), 1e-3)
    return cut("steady_slow", t, share)


def churny(rng: Rng) -> Case:
    """Straight growth under files that come and go."""
    t = days(90)
    share = rng.uniform(0.2, 0.4) + rng.uniform(0.008, 0.02) * t / DAY + wander(rng, len(t), 0.01)
    return cut("churny", t, share)


def nightly_prune(rng: Rng) -> Case:
    """A daily ramp, pruned; nothing grows."""
    t = days(60)
    share = rng.uniform(0.4, 0.7) + rng.uniform(0.05, 0.15) * saw(t, DAY, rng.uniform()) + white(rng, len(t), 1e-3)
    return cut("nightly_prune", t, share)


def nightly_prune_growing(rng: Rng) -> Case:
    """A daily ramp, pruned, on top of growth."""
    t = days(120)
    share = rng.uniform(0.3, 0.4) + rng.uniform(0.05, 0.12) * saw(t, DAY, rng.uniform())
    return cut("nightly_prune_growing", t, share + rng.uniform(0.006, 0.012) * t / DAY + white(rng, len(t), 1e-3))


def weekly_prune(rng: Rng) -> Case:
    """A weekly ramp, pruned; nothing grows."""
    t = days(90)
    share = rng.uniform(0.4, 0.6) + rng.uniform(0.1, 0.25) * saw(t, WEEK, rng.uniform()) + white(rng, len(t), 1e-3)
    return cut("weekly_prune", t, share)


def weekly_prune_growing(rng: Rng) -> Case:
    """A weekly ramp, pruned, on top of growth."""
    t = days(150)
    share = rng.uniform(0.3, 0.4) + rng.uniform(0.08, 0.15) * saw(t, WEEK, rng.uniform())
    return cut("weekly_prune_growing", t, share + rng.uniform(0.004, 0.008) * t / DAY + white(rng, len(t), 1e-3))


def imports_only(rng: Rng) -> Case:
    """Three disk images are copied in; nothing else grows."""
    t = days(60)
    share = np.full(len(t), rng.uniform(0.3, 0.5))
    for day in rng.uniform(5, 50, 3):
        share += ramp(t, day * DAY, 2 * HOUR) * rng.uniform(0.05, 0.12)
    return cut("imports_only", t, share + white(rng, len(t), 5e-4))


def imports_and_growth(rng: Rng) -> Case:
    """Two disk images are copied in while the store grows."""
    t = days(120)
    share = rng.uniform(0.2, 0.3) + rng.uniform(0.006, 0.012) * t / DAY
    for day in rng.uniform(5, 40, 2):
        share += ramp(t, day * DAY, 2 * HOUR) * rng.uniform(0.05, 0.1)
    return cut("imports_and_growth", t, share + white(rng, len(t), 5e-4))


def cleaned_then_growing(rng: Rng) -> Case:
    """One clean-up, and the growth goes on."""
    t = days(150)
    at = rng.uniform(15, 25) * DAY
    share = rng.uniform(0.2, 0.3) + rng.uniform(0.012, 0.02) * t / DAY - np.where(t > at, rng.uniform(0.15, 0.25), 0)
    return cut("cleaned_then_growing", t, share + white(rng, len(t), 5e-4), onset=at)


def runaway(rng: Rng) -> Case:
    """Something starts to write without end: full within hours."""
    t = days(40)
    start, at = rng.uniform(0.3, 0.6), rng.uniform(20, 35) * DAY
    share = start + np.clip(t - at, 0, None) / HOUR * (1 - start) / rng.uniform(6, 30)
    return cut("runaway", t, share + white(rng, len(t), 5e-4), onset=at)


def accelerating(rng: Rng) -> Case:
    """Growth that quickens all the time."""
    t = days(150)
    start, end = rng.uniform(0.2, 0.3), rng.uniform(80, 110) * DAY
    return cut("accelerating", t, start + (1 - start) * (t / end) ** 2 + white(rng, len(t), 5e-4), onset=end / 2)


def plateau(rng: Rng) -> Case:
    """Growth that stops for good."""
    t = days(90)
    stop = rng.uniform(25, 35) * DAY
    share = rng.uniform(0.2, 0.3) + rng.uniform(0.01, 0.015) * np.minimum(t, stop) / DAY
    return cut("plateau", t, share + white(rng, len(t), 5e-4))


def high_but_still(rng: Rng) -> Case:
    """Near the top, wandering, going nowhere."""
    t = days(60)
    return cut("high_but_still", t, rng.uniform(0.88, 0.95) + wander(rng, len(t), 0.004))


def shrinking(rng: Rng) -> Case:
    """Slowly emptied."""
    t = days(60)
    share = rng.uniform(0.7, 0.9) - rng.uniform(0.002, 0.006) * t / DAY + wander(rng, len(t), 0.004)
    return cut("shrinking", t, share)


def extended(rng: Rng) -> Case:
    """The store is made larger before it fills."""
    t = days(120)
    capacity = np.where(t < 35 * DAY, CAPACITY, 1.6 * CAPACITY)
    share = rng.uniform(0.2, 0.3) + rng.uniform(0.012, 0.018) * t / DAY + white(rng, len(t), 5e-4)
    return cut("extended", t, share, capacity=capacity)


def gaps(rng: Rng) -> Case:
    """Steady growth, with days missing while the daemon was stopped."""
    whole = steady(rng)
    keep = np.ones(len(whole.time), dtype=bool)
    for day in rng.uniform(3, 40, 4):
        keep &= ~((whole.time > day * DAY) & (whole.time < (day + rng.uniform(0.5, 4)) * DAY))
    return thin(whole, keep, "gaps")


FAMILIES: list[Family] = [
    steady, steady_slow, churny, nightly_prune, nightly_prune_growing, weekly_prune, weekly_prune_growing,
    imports_only, imports_and_growth, cleaned_then_growing, runaway, accelerating, plateau, high_but_still,
    shrinking, extended, gaps,
]  # fmt: skip
