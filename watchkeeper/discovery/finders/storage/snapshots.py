"""Proposes a probe for each set of snapshots, with the limit that its history shows. Not here: how they are listed.

The storage systems' finders (zfs.py, lvm.py, btrfs.py) and finders/files.py pass their origins in.
"""

from collections.abc import Iterator, Sequence
from datetime import datetime

from watchkeeper.discovery.cadence import Cadence, SnapshotSet, rounded_up_s, sets_of
from watchkeeper.discovery.proposal import Key, Proposal, Thing
from watchkeeper.discovery.toml import literal, writable
from watchkeeper.messages.wording import duration
from watchkeeper.model.units import format_duration, format_size
from watchkeeper.probes.storage.snapshot_sets import ORIGINS_KEY, Origin
from watchkeeper.probes.support.sanitize import printable

OLDEST_TIMES = 1.25
"""An offered limit on the oldest leaves a margin of a quarter above what is kept now."""

BY_HAND_OLDEST = "30d"
"""Offered for snapshots without a cadence: long enough to go back after an upgrade; after that they only take space."""

NO_NEXT = "3650d"
"""Ten years: snapshots taken by hand have no next one that is due."""

NAMED = 6
"""Number of origins named in a comment."""


def propose(kind: str, origins: Sequence[Origin], now: datetime) -> list[Proposal]:
    """A probe for each set with a cadence, and an offered one for all others."""
    sets = sets_of(origins)
    loose = [each for each in sets if each.cadence is None]
    return [
        *(_regular(kind, each, each.cadence, now) for each in sets if each.cadence is not None),
        *([_by_hand(kind, loose, now)] if loose else []),
    ]


def _regular(kind: str, found: SnapshotSet, cadence: Cadence, now: datetime) -> Proposal:
    kept_s = max((now - found.oldest_at).total_seconds(), 0.0)
    oldest_s = rounded_up_s(kept_s * OLDEST_TIMES + cadence.limit_s)
    keys = (
        Key("name", cadence.word),
        Key(ORIGINS_KEY[kind], _named(found.origins)),
        Key("name_pattern", found.called),
        Key("max_age", format_duration(cadence.limit_s), _why(cadence)),
        Key("oldest_limit", format_duration(oldest_s), _why_oldest(kept_s), offered=True),
    )
    return Proposal(kind, keys, tuple(_about(found, cadence, now)), things=_things(kind, found))


def _why(cadence: Cadence) -> str:
    counted, spare = format_duration(cadence.counted_s), format_duration(cadence.spare_s)
    if cadence.counted_s <= cadence.usual_s:
        return f"{cadence.gaps} intervals were examined, each at most {counted}; the margin is {spare}."
    usual = format_duration(cadence.usual_s)
    return (
        f"{cadence.gaps} intervals were examined: {usual} in the median, 90 % at most {counted}; the margin is {spare}."
    )


def _why_oldest(kept_s: float) -> str:
    return (
        f"The oldest is {duration(kept_s)} old. With this limit you are notified if old ones are not deleted: "
        "they hold data that was deleted since."
    )


def _about(found: SnapshotSet, cadence: Cadence, now: datetime) -> Iterator[str]:
    age_s = max((now - found.behind_at).total_seconds(), 0.0)
    yield f"Snapshots {_or(found.called)}: {found.count} of {_and(found.origins)}, taken {cadence.word} so far."
    if age_s > cadence.limit_s:
        yield (
            f"The newest of one of them is {duration(age_s)} old, so you will be notified at once. Find out why none "
            "followed, or remove from the list what is no longer taken."
        )
    else:
        yield f"The newest is {duration(age_s)} old."


def _by_hand(kind: str, sets: Sequence[SnapshotSet], now: datetime) -> Proposal:
    """Snapshots from before an upgrade, or too few to show a cadence: what matters is that they are deleted."""
    about = ["Snapshots without a regular interval: they were taken by hand, or there are too few of them:"]
    about += [f"- {_one(each, now)}" for each in sets[:20]]
    if len(sets) > len(about[1:]):
        about.append(f"- and {len(sets) - 20} more sets.")
    keys = (
        Key("name", f"{kind.removesuffix('-snapshots')} by hand"),
        Key(ORIGINS_KEY[kind], _named(sorted({name for each in sets for name in each.origins}))),
        Key("name_pattern", tuple(glob for each in sets for glob in each.called)),
        Key("max_age", NO_NEXT, "No new one is due: they are taken by hand."),
        Key("oldest_limit", BY_HAND_OLDEST, "An older one takes space, and a rollback to it is unlikely."),
    )
    return Proposal(kind, keys, tuple(about), offered=True)


def _one(found: SnapshotSet, now: datetime) -> str:
    age = duration(max((now - found.oldest_at).total_seconds(), 0.0))
    held = f", which hold {format_size(found.size_bytes)} alone" if found.size_bytes else ""
    one = found.count == 1
    held = held.replace("hold", "holds") if one else held
    return (
        f"{_or(found.called)} of {_and(found.origins)}: {'one' if one else found.count}, {'' if one else 'the oldest '}"
        f"{age} old{held}"
    )


def _things(kind: str, found: SnapshotSet) -> tuple[Thing, ...]:
    return tuple(Thing(f"snapshots of {kind.removesuffix('-snapshots')}", n, found.example) for n in found.origins)


def _named(names: Sequence[str]) -> tuple[str, ...]:
    """Names are written as they are and match literally; one that TOML cannot hold is written as a glob."""
    return tuple(name if writable(name) else literal(name) for name in names)


def _or(globs: Sequence[str]) -> str:
    return " or ".join(printable(glob) for glob in globs)


def _and(names: Sequence[str]) -> str:
    more = f" and {len(names) - NAMED} more" if len(names) > NAMED else ""
    return ", ".join(printable(name) for name in names[:NAMED]) + more
