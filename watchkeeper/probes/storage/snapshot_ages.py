"""Turns a list of snapshots, of any storage, into observations: is the newest recent enough, is the oldest too old?

A probe for another storage system lists its snapshots as `Snapshot` and passes them to `observe_ages`. Not here:
reading anything.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from watchkeeper.model.observation import Condition, Deadline, Facts, Observation, SeriesKey
from watchkeeper.model.units import format_age, format_duration, format_size


@dataclass(frozen=True, slots=True)
class Snapshot:
    """One snapshot. made_at: never in the future (the probe ensures that). size_bytes: None if not known."""

    name: str
    made_at: datetime
    size_bytes: int | None = None


@dataclass(frozen=True, slots=True)
class AgeLimits:
    """max_age_s: a new one is due this long after the last. oldest_limit_s: the maximum age; None for no limit."""

    max_age_s: float
    oldest_limit_s: float | None = None


def observe_ages(
    name: str, snapshots: Sequence[Snapshot], now: datetime, limits: AgeLimits, facts: Facts = ()
) -> list[Observation]:
    """The deadline for the newest and, if there is a limit, the condition of the oldest.

    facts: what else the operator should know about them.
    """
    subject = f"snapshots of {name}"
    ordered = sorted(snapshots, key=lambda snapshot: snapshot.made_at)
    facts = _facts(ordered, now) + facts
    newest_at = ordered[-1].made_at if ordered else None
    due_at = newest_at + timedelta(seconds=limits.max_age_s) if newest_at else None
    seen: list[Observation] = [Deadline(SeriesKey(subject, "newest"), due_at, newest_at, limits.max_age_s, facts)]
    if limits.oldest_limit_s is not None:
        reason = _too_old(ordered[0], now, limits.oldest_limit_s) if ordered else ""
        seen.append(Condition(SeriesKey(subject, "oldest"), not reason, reason, facts=facts))
    return seen


def _too_old(oldest: Snapshot, now: datetime, limit_s: float) -> str:
    age_s = (now - oldest.made_at).total_seconds()
    if age_s <= limit_s:
        return ""
    return f"{_described(oldest)} is {format_age(age_s)} old, limit {format_duration(limit_s)}"


def _facts(ordered: Sequence[Snapshot], now: datetime) -> Facts:
    if not ordered:
        return (("count", "0"),)
    sizes = [snapshot.size_bytes for snapshot in ordered if snapshot.size_bytes is not None]
    facts: Facts = (
        ("newest", _described(ordered[-1])),
        ("oldest", f"{_described(ordered[0])}, {format_age((now - ordered[0].made_at).total_seconds())} old"),
        ("count", str(len(ordered))),
    )
    return (*facts, ("together", format_size(sum(sizes)))) if sizes else facts


def _described(snapshot: Snapshot) -> str:
    return snapshot.name if snapshot.size_bytes is None else f"{snapshot.name} ({format_size(snapshot.size_bytes)})"
