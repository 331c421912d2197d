"""The result of a change: the same services, as fast, with as much memory left, and no new fault? Pure.

The hour before the change is compared with what came after it. Speeds are compared by rank (Mann and Whitney 1947,
Annals of Mathematical Statistics 18:50, with its normal approximation and the correction for ties), because response
times are skewed and one slow answer means nothing; and the difference must be large enough to be noticed.
"""

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime

import numpy as np

from watchkeeper.messages.wording import concern_words, duration, thing
from watchkeeper.model.alert import Alert, Concern
from watchkeeper.model.line import Floats
from watchkeeper.model.observation import SeriesKey
from watchkeeper.model.units import format_size
from watchkeeper.planning.preflight.decide import Point, Verdict
from watchkeeper.planning.preflight.matter import Matter

LEAST = 8
"""Fewer samples on either side say nothing by rank: with 8 and 8 the normal approximation holds to about 1 %."""
SURE_Z = 2.326
"""Of changes that change nothing, one in a hundred would be called slower (one-sided)."""
NOTICED = 1.25
"""Less than a quarter slower is not noticed."""
LEAST_MS = 0.002
"""Nor is a difference below two milliseconds."""
MEMORY_SHARE = 0.05
"""A loss of this share of the host's memory counts: restarts change it by a few hundredths."""


@dataclass(frozen=True, slots=True)
class Speeds:
    """A service's recorded answers before and after: seconds, None for no answer."""

    key: SeriesKey
    before: Sequence[float | None]
    after: Sequence[float | None]


def speed_point(found: Speeds) -> Point:
    """Does it answer again, as fast as before?"""
    about = thing(found.key)
    before = [each for each in found.before if each is not None]
    after = [each for each in found.after if each is not None]

    def said(verdict: Verdict, why: str, *, passes: bool = False) -> Point:
        return Point(Matter.ANSWERS, verdict, about, why, passes=passes)

    if not found.after:
        return said(Verdict.UNKNOWN, "it has not been checked since", passes=True)
    if found.after[-1] is None:
        return said(Verdict.NO_GO, "it does not answer", passes=True)
    if len(after) < LEAST:
        return said(
            Verdict.UNKNOWN, f"it answers; comparing its speed needs {LEAST} answers, {len(after)} so far", passes=True
        )
    fresh = found.after[-LEAST:]
    if _lost_share(fresh) > _lost_share(found.before):
        lost = sum(each is None for each in fresh)
        return said(Verdict.NO_GO, f"{lost} of the last {len(fresh)} answers failed", passes=True)
    if len(before) < LEAST:
        return said(Verdict.GO, f"it answers in {_ms(after)}; its speed before is not recorded")
    if slower(before, after):
        return said(Verdict.NO_GO, f"slower: {_ms(after)}, before {_ms(before)}")
    return said(Verdict.GO, f"it answers in {_ms(after)}, before {_ms(before)}")


def _lost_share(answers: Sequence[float | None]) -> float:
    return sum(each is None for each in answers) / len(answers) if answers else 0.0


def _ms(answers: Sequence[float]) -> str:
    middle, late = np.percentile(answers, [50, 95])
    return f"{middle * 1000:.0f} ms (95 % within {late * 1000:.0f})"


def slower(before: Sequence[float], after: Sequence[float]) -> bool:
    """Are the later ones slower, beyond chance and by enough to be noticed?"""
    old, new = float(np.median(before)), float(np.median(after))
    if new < NOTICED * old or new - old < LEAST_MS:
        return False
    return rank_z(before, after) > SURE_Z


def rank_z(before: Sequence[float], after: Sequence[float]) -> float:
    """How many standard errors the later ones rank above what chance would give; 0 if all are equal."""
    m, n = len(before), len(after)
    values = np.asarray([*before, *after], dtype=np.float64)
    _, places, counts = np.unique(values, return_inverse=True, return_counts=True)
    ends: Floats = np.cumsum(counts).astype(np.float64)
    ranks = (ends - (counts - 1) / 2)[places]
    u = float(ranks[m:].sum()) - n * (n + 1) / 2
    total = m + n
    ties = float(((counts.astype(np.float64) ** 3) - counts).sum())
    variance = m * n / 12 * (total + 1 - ties / (total * (total - 1)))
    return 0.0 if variance <= 0 else (u - m * n / 2) / math.sqrt(variance)


@dataclass(frozen=True, slots=True)
class MemoryLeft:
    """Memory that was left, in bytes, at each sample before and after; total_bytes: of the host."""

    before: Sequence[float]
    after: Sequence[float]
    total_bytes: float


def memory_point(found: MemoryLeft | None) -> Point:
    """Is as much memory left as before?"""
    about = "memory"
    if found is None or not found.before or not found.after:
        why = "free memory before or after the change is not recorded"
        return Point(Matter.MEMORY, Verdict.UNKNOWN, about, why, passes=True)
    before, after = float(np.median(found.before)), float(np.median(found.after))
    figures = f"{format_size(after)} free, before {format_size(before)}"
    less = before - after > MEMORY_SHARE * found.total_bytes
    return Point(Matter.MEMORY, Verdict.NO_GO if less else Verdict.GO, about, f"less: {figures}" if less else figures)


def since_points(alerts: Iterable[Alert], since: datetime, now: datetime) -> Iterator[Point]:
    """The alerts that were raised since the change and are still active."""
    new = [each for each in alerts if each.standing and each.raised_at is not None and each.raised_at >= since]
    for alert in new:
        ago = duration((now - alert.raised_at).total_seconds()) if alert.raised_at else ""
        word = alert.priority.word if alert.priority else "alert"
        why = f"{word} since the change: {concern_words(alert.concern)}, {ago} ago"
        yield Point(
            Matter.STORAGE_BELOW, Verdict.NO_GO, thing(alert.key), why, passes=alert.concern is not Concern.FULL
        )
    if not new:
        yield Point(Matter.STORAGE_BELOW, Verdict.GO, "alerts", "no new alert since the change")
