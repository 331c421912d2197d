"""Is it safe to change this now? Point by point, go or no-go, each with its reason. Pure.

A point that is not known is not a go: silence must mean that all is well. Not here: reading the host
(inventory/preflight/preflight.py), and the result of the change afterwards (compare.py).
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum

from watchkeeper.forecast.laws.first_passage import Z90
from watchkeeper.messages.wording import clean, concern_words, duration, thing
from watchkeeper.model.alert import Alert, Concern
from watchkeeper.model.forecast import Forecast, NoEnd
from watchkeeper.model.observation import SeriesKey
from watchkeeper.model.units import DAY_S, format_size
from watchkeeper.planning.host_state import GuestNow
from watchkeeper.planning.preflight.matter import Matter


class Verdict(StrEnum):
    """The result of a point, and of all of them together."""

    GO = "go"
    NO_GO = "no-go"
    UNKNOWN = "not known"


@dataclass(frozen=True, slots=True)
class Point:
    """One point. about: the thing, in words. passes: it may resolve without action within minutes."""

    matter: Matter
    verdict: Verdict
    about: str
    reason: str
    passes: bool = False


@dataclass(frozen=True, slots=True)
class PreflightAnswer:
    """The answer. since: when comparing after a change, the time of the change. unseen: what could not be seen."""

    subject: str
    at: datetime
    points: tuple[Point, ...]
    unseen: tuple[str, ...] = ()
    since: datetime | None = None

    @property
    def go(self) -> bool:
        """Is every point a go?"""
        return all(each.verdict is Verdict.GO for each in self.points)

    @property
    def hindrances(self) -> tuple[Point, ...]:
        """The points that are not."""
        return tuple(each for each in self.points if each.verdict is not Verdict.GO)

    @property
    def worth_waiting(self) -> bool:
        """May everything that prevents it resolve without action?"""
        return not self.go and all(each.passes for each in self.hindrances)


def guest_point(guest: GuestNow) -> Point:
    """Does it run?"""
    about = f"guest {clean(guest.name)}"
    if guest.running is None:
        return Point(
            Matter.GUEST, Verdict.UNKNOWN, about, "cannot tell whether it runs: its monitor does not say", passes=True
        )
    if not guest.running:
        return Point(Matter.GUEST, Verdict.NO_GO, about, "it is not running, so it cannot be checked")
    return Point(Matter.GUEST, Verdict.GO, about, "it runs")


@dataclass(frozen=True, slots=True)
class DiskSnapshots:
    """A disk of a guest with the newest snapshot of what holds it.

    where: the volume or file; empty if it was not found. limit_s: how old the newest may be. listed: its store's
    snapshots could be seen.
    """

    disk: str
    where: str
    limit_s: float
    newest: str = ""
    newest_at: datetime | None = None
    listed: bool = True


def snapshot_point(found: DiskSnapshots, now: datetime) -> Point:
    """Can this disk be rolled back?"""
    about = f"disk {clean(found.where or found.disk, 80)}"
    if not found.where:
        why = "the store that it is on is not visible, nor are its snapshots"
        return Point(Matter.SNAPSHOT, Verdict.UNKNOWN, about, why)
    if found.newest_at is None:
        if not found.listed:
            return Point(Matter.SNAPSHOT, Verdict.UNKNOWN, about, "the snapshots of its store cannot be listed")
        return Point(Matter.SNAPSHOT, Verdict.NO_GO, about, "there is no snapshot of it", passes=True)
    age_s = max((now - found.newest_at).total_seconds(), 0.0)
    age = f"{clean(found.newest, 80)} is {duration(age_s)} old"
    if age_s > found.limit_s:
        why = f"the newest, {age}; the limit is {duration(found.limit_s)}"
        return Point(Matter.SNAPSHOT, Verdict.NO_GO, about, why, passes=True)
    return Point(Matter.SNAPSHOT, Verdict.GO, about, age)


@dataclass(frozen=True, slots=True)
class Copy:
    """A backup, as a probe sees it. last_at: when it was last made; due_at: when the next one is due.

    shares: the store that it shares with a disk; empty if it is elsewhere, or if that is not known.
    trouble: what the job itself reports as wrong.
    """

    name: str
    last_at: datetime | None
    due_at: datetime | None
    shares: str = ""
    trouble: str = ""


NO_BACKUP = (
    "no backup of it is known; set backup_of in the probe of its backup. A snapshot on the same store is not a backup: "
    "it is lost together with the store"
)


def backup_points(copies: Sequence[Copy], about: str, now: datetime) -> Iterator[Point]:
    """Is there a recent enough copy elsewhere? One is enough; if there is none, each says why it does not count."""
    if not copies:
        yield Point(Matter.BACKUP, Verdict.NO_GO, about, NO_BACKUP)
        return
    points = [backup_point(each, now) for each in copies]
    good = [each for each in points if each.verdict is Verdict.GO]
    yield from good or points


def backup_point(copy: Copy, now: datetime) -> Point:
    """Whether one copy counts: made, elsewhere, not overdue and without a fault."""

    def no(why: str) -> Point:
        return Point(Matter.BACKUP, Verdict.NO_GO, clean(copy.name), why, passes=not copy.shares)

    if copy.shares:
        return no(f"it is on {clean(copy.shares)}, and so is a disk of the guest: both are lost together")
    if copy.last_at is None:
        return no(clean(copy.trouble) or "it has never been made")
    age = duration(max((now - copy.last_at).total_seconds(), 0.0))
    if copy.trouble:
        return no(f"{clean(copy.trouble)}; the last good one is {age} old")
    if copy.due_at is not None and now > copy.due_at:
        return no(f"the newest is {age} old, and was due {duration((now - copy.due_at).total_seconds())} ago")
    return Point(Matter.BACKUP, Verdict.GO, clean(copy.name), f"the newest is {age} old")


@dataclass(frozen=True, slots=True)
class Rewrites:
    """What a change may rewrite on one store while its snapshot is kept.

    per_day_bytes: what its guests write there a day; None if that is not recorded. most_bytes: all of their disks
    there, which is the most that can be rewritten; None if a size is not known. at_once_bytes: what a snapshot of
    reserved volumes needs at the moment that it is taken: a ZFS volume with a reservation stays fully writable, so the
    pool must have free space for all of its data once more.
    """

    store: SeriesKey
    free_bytes: float
    per_day_bytes: float | None
    most_bytes: float | None
    at_once_bytes: float = 0.0

    def held_bytes(self, keep_s: float) -> float | None:
        """What the snapshot may come to hold in that time; None if neither rate nor size is known."""
        by_rate = None if self.per_day_bytes is None else self.per_day_bytes * keep_s / DAY_S
        known = [each for each in (by_rate, self.most_bytes) if each is not None]
        return max(min(known), self.at_once_bytes) if known else None


def room_point(found: Rewrites, keep_s: float) -> Point:
    """Has the store enough space for what the snapshot will hold?"""
    about, held = thing(found.store), found.held_bytes(keep_s)
    free, kept = format_size(found.free_bytes), duration(keep_s)
    if held is None:
        why = "its write rate is not known yet; that needs an hour of monitoring"
        return Point(Matter.SPACE, Verdict.UNKNOWN, about, why)
    if held > found.free_bytes:
        if found.at_once_bytes > found.free_bytes:
            why = f"a snapshot of its reserved volumes needs {format_size(held)} at once, and only {free} are free"
        elif found.per_day_bytes is None:
            why = (
                f"up to {format_size(held)} may be rewritten, and only {free} are free; its write rate is not known yet"
            )
            return Point(Matter.SPACE, Verdict.UNKNOWN, about, why)
        else:
            why = f"a snapshot may hold {format_size(held)} after {kept}, and only {free} are free"
        return Point(Matter.SPACE, Verdict.NO_GO, about, why)
    return Point(
        Matter.SPACE, Verdict.GO, about, f"a snapshot holds at most {format_size(held)} after {kept}; {free} are free"
    )


STEADY = frozenset({NoEnd.STILL, NoEnd.SHRINKING, NoEnd.FAR})
"""Reasons for no time to full that are good news."""


def time_point(store: SeriesKey, found: Forecast | None, keep_s: float, held_bytes: float) -> Point:
    """Is the store full before the snapshot is deleted? found: its forecast, including what the snapshot holds."""
    about, kept = thing(store), duration(keep_s)
    if found is None or found.no_end is NoEnd.TOO_FEW:
        why = "its growth is not known yet; that needs some hours of monitoring"
        return Point(Matter.TIME_TO_FULL, Verdict.UNKNOWN, about, why)
    with_it = f" with a snapshot of {format_size(held_bytes)}" if held_bytes else ""
    if found.earliest_s is not None:
        left_s = found.earliest_s - found.at_s
        if left_s <= keep_s:
            when = f"in {duration(left_s)}" if left_s >= 1 else "now"
            why = f"it may be full {when}{with_it}; the snapshot is kept for {kept}"
            return Point(Matter.TIME_TO_FULL, Verdict.NO_GO, about, why)
        return Point(Matter.TIME_TO_FULL, Verdict.GO, about, f"full in {duration(left_s)} at the earliest{with_it}")
    if found.no_end in STEADY or _steep(found, keep_s) <= found.capacity:
        return Point(Matter.TIME_TO_FULL, Verdict.GO, about, f"not full within {kept}{with_it}")
    why = f"its growth is too uncertain: it may be full within {kept}{with_it}"
    return Point(Matter.TIME_TO_FULL, Verdict.NO_GO, about, why)


def _steep(found: Forecast, keep_s: float) -> float:
    """The level after that time, with the steepest growth of the 90 % interval."""
    if found.line is None:
        return found.capacity + 1.0
    return found.used + (found.line.slope + Z90 * found.line.slope_error) * keep_s + found.spread


def beneath_points(standing: Iterable[Alert], looked_at: Sequence[str], now: datetime) -> Iterator[Point]:
    """Is an alert active on it, or on what it depends on? An alert that the operator has shelved counts too."""
    found = list(standing)
    for alert in found:
        shelved = ", shelved by you" if alert.shelved(now) else ""
        word = alert.priority.word if alert.priority else "alert"
        yield Point(
            Matter.STORAGE_BELOW,
            Verdict.NO_GO,
            thing(alert.key),
            f"{word}: {concern_words(alert.concern)}{shelved}",
            passes=alert.concern is not Concern.FULL,
        )
    if not found:
        names = ", ".join(clean(each, 40) for each in looked_at[:6])
        more = f" and {len(looked_at) - 6} more" if len(looked_at) > 6 else ""
        yield Point(Matter.STORAGE_BELOW, Verdict.GO, f"{names}{more}", "no active alert")


def silent_points(last_seen: Mapping[str, datetime], now: datetime) -> Iterator[Point]:
    """What has not been seen for too long: whether anything is wrong there is not known."""
    for subject, seen_at in last_seen.items():
        why = f"cannot tell: no reading for {duration((now - seen_at).total_seconds())}"
        yield Point(Matter.STORAGE_BELOW, Verdict.UNKNOWN, clean(subject), why, passes=True)


@dataclass(frozen=True, slots=True)
class Answered:
    """A service that was just queried. reason: why it gave no answer, or why it could not be queried."""

    key: SeriesKey
    answered: bool | None
    reason: str = ""
    took_s: float | None = None


def answer_points(asked: Sequence[Answered], about: str) -> Iterator[Point]:
    """Do its services answer now?"""
    for each in asked:
        name = thing(each.key)
        if each.answered is None:
            yield Point(Matter.ANSWERS, Verdict.UNKNOWN, name, f"cannot tell: {clean(each.reason)}", passes=True)
        elif not each.answered:
            yield Point(Matter.ANSWERS, Verdict.NO_GO, name, f"not answering: {clean(each.reason)}", passes=True)
        else:
            took = "" if each.took_s is None else f" in {each.took_s * 1000:.0f} ms"
            yield Point(Matter.ANSWERS, Verdict.GO, name, f"answers{took}")
    if not asked:
        why = "no service of it is monitored; give a probe the same name, or set depends_on in a probe"
        yield Point(Matter.ANSWERS, Verdict.UNKNOWN, about, why)


def watch_point(newest_at: datetime | None, limit_s: float, now: datetime) -> Point:
    """Is watchkeeper itself running? If it is not, the absence of alerts means nothing."""
    about = "watchkeeper"
    if newest_at is None:
        return Point(Matter.MONITORING, Verdict.NO_GO, about, "it has recorded nothing yet; start it", passes=True)
    age_s = max((now - newest_at).total_seconds(), 0.0)
    if age_s > limit_s:
        why = f"it has recorded nothing for {duration(age_s)}; check whether it runs"
        return Point(Matter.MONITORING, Verdict.NO_GO, about, why, passes=True)
    return Point(Matter.MONITORING, Verdict.GO, about, f"its newest reading is {duration(age_s)} old")
