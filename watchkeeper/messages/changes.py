"""What changed before something began: which changes are shown with it, and how.

The changes are listed because they were made before, nearest first. Nothing here says that one of them is the cause.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, tzinfo

from watchkeeper.messages import wording
from watchkeeper.model.change import Change, ChangeKind
from watchkeeper.model.finding import Finding

WITHIN = timedelta(hours=24)
"""How long before an alert began a change is shown with it."""

TOGETHER = timedelta(minutes=10)
"""Changes of one sort that follow each other within this are one line: an upgrade changes many packages."""

NAMED = 3
"""Names in such a line."""

SHOWN = 5
"""Lines in a message; the rest is counted."""

EXACT = timedelta(minutes=5)
"""A change whose moment is known to within this is shown with one time."""

_NOUNS = {
    ChangeKind.PACKAGE: ("package", "packages"),
    ChangeKind.MODULE: ("kernel module", "kernel modules"),
    ChangeKind.GUEST: ("guest", "guests"),
    ChangeKind.MOUNT: ("mount", "mounts"),
    ChangeKind.UNIT: ("unit file", "unit files"),
    ChangeKind.SCHEDULE: ("schedule", "schedules"),
    ChangeKind.DEVICE: ("device", "devices"),
}
"""What is put before a name, for one and for several. The other kinds name the thing itself."""


@dataclass(frozen=True, slots=True)
class ChangeGroup:
    """Changes that are shown as one: the newest first, all of one kind and action."""

    changes: tuple[Change, ...]

    @property
    def newest(self) -> Change:
        """The newest of them."""
        return self.changes[0]


def began_at(found: Finding, raised_at: datetime) -> datetime:
    """When that began which an alert is about, as far as it is known."""
    forecast = found.forecast
    if forecast is not None and forecast.unusual is not None:
        return min(datetime.fromtimestamp(forecast.unusual.since_s, UTC), raised_at)
    return raised_at if found.since is None else min(found.since, raised_at)


def before(changes: Iterable[Change], began: datetime) -> tuple[Change, ...]:
    """The changes that were made, or may have been made, in the time WITHIN before something began; nearest first."""
    known = [each for each in changes if (each.after or each.at) <= began and each.at >= began - WITHIN]
    return tuple(sorted(known, key=lambda each: each.at, reverse=True))


def grouped(changes: Sequence[Change]) -> list[ChangeGroup]:
    """Changes, newest first, with those of one sort together."""
    groups: list[list[Change]] = []
    for each in changes:
        last = groups[-1][-1] if groups else None
        if last is not None and _belong(last, each):
            groups[-1].append(each)
        else:
            groups.append([each])
    return [ChangeGroup(tuple(each)) for each in groups]


def _belong(newer: Change, older: Change) -> bool:
    same = (newer.kind, newer.action) == (older.kind, older.action)
    return same and newer.kind in _NOUNS and newer.at - older.at <= TOGETHER


def text_of(group: ChangeGroup) -> str:
    """A group in words: `package openssl upgraded from 3.0.9 to 3.0.11`; `12 packages upgraded: openssl, ...`."""
    first, count = group.newest, len(group.changes)
    one, many = _NOUNS.get(first.kind, ("", ""))
    if count == 1:
        return wording.clean(" ".join(each for each in (one, first.what, first.action, first.detail) if each), 300)
    names = list(dict.fromkeys(wording.clean(each.what, 60) for each in group.changes))
    more = f" and {len(names) - NAMED} more" if len(names) > NAMED else ""
    noun = f"{len(names)} {one if len(names) == 1 else many}"
    return f"{noun} {first.action.removesuffix(':')}: {', '.join(names[:NAMED])}{more}"


def time_of(group: ChangeGroup, zone: tzinfo, now: datetime) -> str:
    """When: the moment, or between which two times it was."""
    change = group.newest
    if change.after is None or change.at - change.after <= EXACT:
        return wording.instant(change.at, zone, now)
    return f"{wording.instant(change.after, zone, now)} to {wording.instant(change.at, zone, now)}"


def paragraph(changes: Sequence[Change], zone: tzinfo, now: datetime) -> str:
    """The part of a message that lists what changed before; empty if nothing is known to have changed."""
    groups = grouped(changes)
    if not groups:
        return ""
    lines = [f"  {time_of(each, zone, now)}: {text_of(each)}" for each in groups[:SHOWN]]
    if len(groups) > SHOWN:
        lines.append(f"  and {len(groups) - SHOWN} more: `watchkeeper changes --since 2d`")
    return "\n".join(["Changed in the 24 hours before it began (not necessarily the cause):", *lines])
