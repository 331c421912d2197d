"""What deleting snapshots would free, in sentences, for terminal and page alike. Not here: markup and layout."""

from collections.abc import Iterable
from datetime import datetime

from watchkeeper.messages.wording import about, clean, duration, no_end_phrase
from watchkeeper.model.forecast import Forecast
from watchkeeper.model.units import format_size
from watchkeeper.planning.reclaim.snapshots import (
    Bounds,
    Candidate,
    Freed,
    Gain,
    Left,
    Missing,
    ReclaimAnswer,
    SetHeld,
    StoreFreed,
)

NOTHING_DELETED = "Nothing was deleted: watchkeeper changes nothing on this host."

NONE = "There are no matching snapshots here."

LATER = "After a deletion, a store may take some minutes to free the space."

BASES = "watchkeeper cannot tell whether an incremental backup elsewhere needs one of them."
"""An incremental `zfs send` or `btrfs send` needs the last common snapshot on both sides."""


def size_words(bounds: Bounds) -> str:
    """`3.2 GiB`, `1 GiB to 3 GiB`, `at most 2 GiB`, `at least 1 GiB`, `an unknown amount`."""
    least, most = bounds.least, bounds.most
    if most is None:
        return f"at least {format_size(least)}" if least else "an unknown amount"
    if bounds.exact:
        return format_size(least)
    if format_size(least) == format_size(most):
        return f"about {format_size(least)}"
    return f"{format_size(least)} to {format_size(most)}" if least else f"at most {format_size(most)}"


def freed_words(freed: Freed) -> str:
    """What is freed, as a clause: `3.2 GiB, exactly`, or `1 GiB to 3 GiB` with the reasons why it is not exact."""
    size = size_words(freed.bounds) + (", exactly" if freed.bounds.exact else "")
    return f"{size} ({'; '.join(freed.why)})" if freed.why else size


def together_lines(found: StoreFreed) -> list[str]:
    """What the chosen snapshots of one store free together, why that is not the sum, and what it gains."""
    if not found.chosen:
        return []
    one = len(found.chosen) == 1
    lines = [f"{'It frees' if one else f'All {len(found.chosen)} together free'} {freed_words(found.together)}."]
    lines += [line for line in (_shared(found), _set_aside(found.together), _stays_behind(found)) if line]
    if found.before is not None and found.after is not None:
        lines.append(moved_words(found.before, found.after, found.together))
    return lines


def _shared(found: StoreFreed) -> str:
    """Why together is more than the sum of each alone."""
    if not (found.together.bounds.exact and found.alone.exact and found.together.set_aside.exact):
        return ""
    shared = found.together.bounds.least - found.together.set_aside.least - found.alone.least
    if shared <= 0 or len(found.chosen) < 2:
        return ""
    return (
        f"Each deleted alone, they would free {format_size(found.alone.least)} in sum. The other {format_size(shared)} "
        "are in blocks that two or more of them share; such a block is freed only with the last of them."
    )


def _set_aside(freed: Freed) -> str:
    if not freed.set_aside.most:
        return ""
    size = size_words(freed.set_aside)
    return f"{size} of it is reserved space: a volume with a reservation needs it only while it has snapshots."


def _stays_behind(found: StoreFreed) -> str:
    """A remark if they free next to nothing, which is surprising."""
    if found.together.bounds.most != 0:
        return ""
    return "Their blocks are also used by the volume itself, or by snapshots that stay."


def stuck_line(each: Candidate, why: str) -> str:
    """A snapshot that cannot be deleted, or is not proposed, and why."""
    return f"{clean(each.name)}: {clean(why)}"


def moved_words(before: Forecast, after: Forecast, least: Freed) -> str:
    """How the time to full moves, with the minimum of what may be freed."""
    now_s = before.at_s
    likely = _from_to(before, before.likely_s, after, after.likely_s, now_s)
    sure = "" if least.bounds.exact else " (if only the minimum is freed)"
    if before.earliest_s is None or after.earliest_s is None:
        return f"Time to full{sure}: {likely}."
    earliest = _from_to(before, before.earliest_s, after, after.earliest_s, now_s)
    return f"Time to full{sure}: likely {likely}; at the earliest {earliest}."


def _from_to(before: Forecast, before_s: float | None, after: Forecast, after_s: float | None, now_s: float) -> str:
    one, other = _left(before_s, before, now_s), _left(after_s, after, now_s)
    return f"{one}, unchanged" if one == other else f"{other} instead of {one}"


def _left(at_s: float | None, found: Forecast, now_s: float) -> str:
    if found.full:
        return "now"
    if at_s is None:
        return no_end_phrase(found.no_end) if found.no_end else "no forecast"
    return f"in {about(at_s - now_s)}"


def gain_lines(gain: Gain) -> list[str]:
    """Whether it can be gained, with how many, and what the times to full become."""
    asked = duration(gain.asked_s)
    subject = clean(gain.store.subject)
    if gain.need_bytes is None:
        return [f"Cannot tell how to gain {asked} on {subject}: {gain.hindrance}."]
    need = format_size(gain.need_bytes)
    if not gain.enough:
        return _short(gain, asked, subject, need)
    many = len(gain.drop)
    which = "this snapshot" if many == 1 else f"these {many} snapshots"
    lines = [f"To gain {asked} on {subject}, {need} must be freed. Deleting {which} frees {freed_words(gain.freed)}."]
    return lines + _moves(gain, gain.freed)


def _short(gain: Gain, asked: str, subject: str, need: str) -> list[str]:
    """Say that it cannot be gained, or not for certain."""
    first = f"Deleting snapshots cannot gain {asked} on {subject}: {need} must be freed"
    if not gain.droppable:
        return [f"{first}, and there is no snapshot that may be deleted."]
    every = (
        f"all {gain.droppable} that may be deleted free"
        if gain.droppable > 1
        else "the only one that may be deleted frees"
    )
    most = gain.all_of_them.bounds.most
    if most is None or (gain.need_bytes is not None and most >= gain.need_bytes):
        first = f"It is not certain that {asked} can be gained on {subject}: {need} must be freed"
    return [f"{first}, and {every} {freed_words(gain.all_of_them)}.", *_moves(gain, gain.all_of_them)]


def _moves(gain: Gain, freed: Freed) -> list[str]:
    return [] if gain.before is None or gain.after is None else [moved_words(gain.before, gain.after, freed)]


def left_words(left: Left, now: datetime) -> str:
    """What is left of one thing's snapshots: `5 of 12 stay, the oldest 5 days old`."""
    age = "" if left.oldest_at is None else f", the oldest {duration((now - left.oldest_at).total_seconds())} old"
    return f"{clean(left.of)}: {left.after} of {left.before} stay{age}"


def set_words(held: SetHeld) -> str:
    """One set: what of, how many, how old, and what it holds."""
    count = "1 snapshot" if held.count == 1 else f"{held.count} snapshots"
    stuck = f", {held.stuck} of them cannot be deleted" if held.stuck else ""
    return f"{clean(held.of)}, {clean(held.called)}: {count}{stuck}"


def by_size(stores: Iterable[StoreFreed]) -> list[StoreFreed]:
    """The stores, the one whose snapshots hold the most first."""
    return sorted(stores, key=lambda each: -each.together.bounds.least)


def held_words(found: StoreFreed) -> str:
    """What all snapshots of a store hold: `pool skerry: 3.2 GiB in snapshots`."""
    return f"{clean(found.store.subject)}: {size_words(found.together.bounds)} in snapshots"


def why_words(held: Iterable[SetHeld]) -> str:
    """Why what sets hold is not known exactly; empty if it is."""
    reasons = {reason: None for each in held for reason in each.together.why}
    return f"Not exact: {'; '.join(reasons)}." if reasons else ""


def missing_words(missing: Missing, answer: ReclaimAnswer) -> str:
    """Say that nothing has this name, and which names are similar."""
    near = ", ".join(f'"{clean(each)}"' for each in missing.near)
    if not missing.asked:
        return f"--gain needs one store: name it with --store. {f'Known: {near}' if near else 'There is none here'}."
    unseen = f" Could not be read: {'; '.join(clean(each, 300) for each in answer.unseen)}." if answer.unseen else ""
    like = f" Similar: {near}." if near else " `watchkeeper reclaim` lists what there is."
    return f'nothing here matches "{clean(missing.asked)}".{like}{unseen}'
