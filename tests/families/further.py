"""Families written before the law was changed, to see whether a change generalises; with other seeds than reported.

What fills again at another pace, is trimmed, rotated and cleared in part, or grows with heavy tails; and what does not
fill, although it rises, is imported into, or falls.
"""

import numpy as np

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


def again_at_half_the_pace(rng: Rng) -> Case:
    """A fill of two to four days, room made, a rest, and a second fill at half the pace."""
    base, fill, first = rng.uniform(0.25, 0.45), rng.uniform(2, 4), rng.uniform(8, 14) * DAY
    cleared = first + fill * DAY + rng.uniform(2, 8) * HOUR
    second = cleared + rng.uniform(2, 12) * DAY
    t, rise = days((second + 2 * fill * DAY) / DAY + 2), (1 - base) / fill
    share = np.minimum(base + rise * since(t, first), 1.0)
    share = np.where(t >= cleared, base + rise / 2 * since(t, second), share)
    share = np.minimum(share + np.where(share < 1, white(rng, len(t), 1e-3), 0.0), 1.0)
    hit = int(np.nonzero((share >= 1) & (t > second))[0][0])
    return Case(
        "again_at_half_the_pace", t[: hit + 1], share[: hit + 1] * CAPACITY, np.full(hit + 1, CAPACITY),
        float(t[hit]), second,
    )  # fmt: skip


def trimmed_weekly(rng: Rng) -> Case:
    """Thin data: guests write and delete, a weekly trim gives a varying part back, and what stays grows."""
    t = days(200)
    share, level, kept = np.empty(len(t)), 0.0, rng.uniform(0.25, 0.35)
    pace, part = rng.uniform(0.014, 0.022), 0.0
    for i in range(len(t)):
        part += pace * STEP / DAY * rng.lognormal(-0.08, 0.4)
        if i and t[i] % WEEK < STEP:
            level, part = level + part * rng.uniform(0.25, 0.45), 0.0
        share[i] = kept + level + part
    return cut("trimmed_weekly", t, share + white(rng, len(t), 5e-4))


def rotated_monthly(rng: Rng) -> Case:
    """Backups of a month are dropped together when the next month's are complete; the data below them grows."""
    t = days(300)
    share = rng.uniform(0.3, 0.4) + rng.uniform(0.003, 0.005) * t / DAY
    share += rng.uniform(0.08, 0.16) * np.floor(saw(t, 30.4 * DAY, rng.uniform()) * 30) / 30
    return cut("rotated_monthly", t, share + white(rng, len(t), 5e-4))


def uneven_weekdays(rng: Rng) -> Case:
    """Uploads from Monday to Friday, of a different amount each day; none on some days."""
    t = days(200)
    share = np.full(len(t), rng.uniform(0.2, 0.35))
    size = rng.uniform(0.008, 0.013)
    for day in range(200):
        if day % 7 < 5 and rng.uniform() < 0.8:
            begin = day + rng.uniform(8, 11) / 24
            share += size * rng.lognormal(-0.3, 0.8) * ramp(t, begin * DAY, rng.uniform(2, 7) * HOUR)
    return cut("uneven_weekdays", t, share + white(rng, len(t), 3e-4))


def coarse_runaway(rng: Rng) -> Case:
    """Levels in whole percent, quiet for weeks; then a fill of one to four days."""
    t, at = days(50), rng.uniform(15, 40) * DAY
    start = rng.uniform(0.3, 0.6)
    share = start + (1 - start) * since(t, at) / rng.uniform(1, 4) + wander(rng, len(t), 0.002)
    return cut("coarse_runaway", t, np.floor(share * 100 + 1e-9) / 100, onset=at)


def rarely_on(rng: Rng) -> Case:
    """A machine that is on for some hours, then off for one to four days; it grows while it is on and off."""
    t = days(170)
    share = rng.uniform(0.2, 0.35) + rng.uniform(0.006, 0.01) * t / DAY + wander(rng, len(t), 0.003)
    whole = cut("rarely_on", t, share)
    keep, at = np.zeros(len(whole.time), dtype=bool), 0.0
    while at < whole.time[-1]:
        on = rng.uniform(3, 12) * HOUR
        keep |= (whole.time >= at) & (whole.time < at + on)
        at += on + rng.uniform(1, 4) * DAY
    return thin(whole, keep, "rarely_on")


def heavy_tailed_days(rng: Rng) -> Case:
    """Each day gains something, a few days ten times as much as the rest."""
    t = days(220)
    gains = np.minimum(rng.pareto(1.7, 220), 12) * rng.uniform(0.003, 0.005)
    gained = np.interp(t, np.arange(221) * DAY, np.concatenate(([0.0], np.cumsum(gains))))
    return cut("heavy_tailed_days", t, rng.uniform(0.2, 0.35) + gained + white(rng, len(t), 5e-4))


def cleared_in_part(rng: Rng) -> Case:
    """At about four fifths a third of the room is made, and the growth goes on at the same pace."""
    t, pace, base = days(200), rng.uniform(0.008, 0.014), rng.uniform(0.3, 0.4)
    at = (rng.uniform(0.75, 0.88) - base) / pace * DAY
    share = base + pace * t / DAY - np.where(t >= at, rng.uniform(0.2, 0.35), 0.0)
    return cut("cleared_in_part", t, share + wander(rng, len(t), 0.002), onset=at)


def cleared_late_and_goes_on(rng: Rng) -> Case:
    """At about 95 % room is made by deleting old files; the growth goes on at the same pace within hours."""
    t, pace, base = days(200), rng.uniform(0.015, 0.04), rng.uniform(0.3, 0.4)
    at = (rng.uniform(0.93, 0.98) - base) / pace * DAY
    share = base + pace * t / DAY - np.where(t >= at, rng.uniform(0.3, 0.5), 0.0)
    return cut("cleared_late_and_goes_on", t, share + white(rng, len(t), 1e-3), onset=at)


def two_weeks_of_learning(rng: Rng) -> Case:
    """The record begins two weeks before the end; a nightly cycle on top of growth."""
    t, base = days(40), rng.uniform(0.5, 0.65)
    share = base + rng.uniform(0.02, 0.03) * t / DAY + rng.uniform(0.02, 0.05) * saw(t, DAY, rng.uniform())
    return cut("two_weeks_of_learning", t, share + wander(rng, len(t), 0.003))


def queue_under_load(rng: Rng) -> Case:
    """A queue that wanders far, with a drift upward over months."""
    t = days(200)
    share = rng.uniform(0.2, 0.3) + rng.uniform(0.004, 0.007) * t / DAY + wander(rng, len(t), 0.04, 0.995)
    return cut("queue_under_load", t, share)


def growth_by_guests(rng: Rng) -> Case:
    """Several guests, each of which grows for some weeks and then stops."""
    t = days(220)
    share = np.full(len(t), rng.uniform(0.15, 0.25))
    for _ in range(26):
        begin, lasts = rng.uniform(-15, 220) * DAY, rng.uniform(10, 40) * DAY
        share += rng.uniform(0.002, 0.005) * (since(t, begin) - since(t, begin + lasts))
    return cut("growth_by_guests", t, share + white(rng, len(t), 1e-3))


def falls_then_flat(rng: Rng) -> Case:
    """It shrinks for some weeks, then stays; it does not fill."""
    t, at = days(70), rng.uniform(15, 35) * DAY
    share = rng.uniform(0.75, 0.9) - rng.uniform(0.004, 0.012) * np.minimum(t, at) / DAY
    return cut("falls_then_flat", t, share + wander(rng, len(t), 0.001))


def cleared_now_and_then(rng: Rng) -> Case:
    """Scratch space that grows by jobs and is cleared in part at random levels; it does not fill."""
    t = days(90)
    share, level, top = np.empty(len(t)), rng.uniform(0.3, 0.4), rng.uniform(0.6, 0.85)
    pace, base = rng.uniform(0.03, 0.07), level
    for i in range(len(t)):
        busy = (t[i] // (6 * HOUR) * 7919) % 5 < 3
        level += pace * STEP / DAY * (1.6 if busy else 0.1)
        if level > top:
            level, top = level - rng.uniform(0.6, 1) * (level - base), rng.uniform(0.6, 0.85)
        share[i] = level
    return cut("cleared_now_and_then", t, share + white(rng, len(t), 1e-3))


def migrated_in_and_done(rng: Rng) -> Case:
    """Data is migrated in for two to five days at a fast pace, up to three quarters; then nothing more."""
    t, at, lasts = days(70), rng.uniform(10, 40) * DAY, rng.uniform(2, 5) * DAY
    share = rng.uniform(0.2, 0.35) + (rng.uniform(0.3, 0.4)) * ramp(t, at, lasts)
    return cut("migrated_in_and_done", t, share + wander(rng, len(t), 0.002))


def enlarged_early(rng: Rng) -> Case:
    """Enlarged to twice the size at four fifths; the growth goes on much more slowly, and does not fill."""
    t, pace, base = days(110), rng.uniform(0.012, 0.018), rng.uniform(0.3, 0.4)
    at = (rng.uniform(0.75, 0.85) - base) / pace * DAY
    share = base + pace * (t / DAY - 0.85 * since(t, at)) + wander(rng, len(t), 0.003)
    return cut("enlarged_early", t, share, capacity=np.where(t < at, CAPACITY, 2 * CAPACITY))


FAMILIES: list[Family] = [
    again_at_half_the_pace, trimmed_weekly, rotated_monthly, uneven_weekdays, coarse_runaway, rarely_on,
    heavy_tailed_days, cleared_in_part, cleared_late_and_goes_on, two_weeks_of_learning, queue_under_load,
    growth_by_guests, falls_then_flat, cleared_now_and_then, migrated_in_and_done, enlarged_early,
]  # fmt: skip
