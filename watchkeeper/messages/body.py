"""The headline and the body of a message, built from a transition, its finding and the newest observation.

The headline begins with the fact and fits a phone's notification. The body answers in this order: what, how long is
left and how sure, since when, how it grows, what was seen, what to do first. Plain text in paragraphs of 72 columns.
What may live here: sentences of a message. Not here: phrases that the page shares (wording.py), ids (build.py).
"""

import textwrap
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, tzinfo
from typing import assert_never

from watchkeeper.messages import changes, growth, wording
from watchkeeper.messages.deletions import Deletions
from watchkeeper.messages.runbook import FirstStep
from watchkeeper.model.alert import Concern, Event, NotificationKind, Transition
from watchkeeper.model.change import Change
from watchkeeper.model.finding import Finding
from watchkeeper.model.forecast import Forecast, NoEnd
from watchkeeper.model.observation import Deadline, Level, Observation
from watchkeeper.model.operator.simulation import is_simulated
from watchkeeper.model.units import DAY_S

COLUMNS = 72
"""Paragraph width: suits a terminal, and an upright phone once it wraps; usual in plain-text mail (RFC 3676 4.2)."""

LONGEST_HEADLINE = 100
"""A hard limit. Headlines are meant to fit in about 60 characters; a long name or reason may exceed that."""

SHORT_NAME, WHOLE_NAME = 44, 200
"""Maximum length of a subject's name in a headline, and in a body, where a whole path fits."""

SHORT_REASON, WHOLE_REASON = 80, 600
"""Maximum length of a reason in a headline, and in a body."""

_MOST_FACTS = 8
"""A body is read on a phone; further facts of a probe are on the page."""

_NO_BREAK = "\u00a0"
"""Replaces a space inside a command while its paragraph is wrapped, so that the command can be copied in one piece."""

_EASE = {
    NoEnd.TOO_FEW: "has no forecast now",
    NoEnd.STILL: "no longer filling",
    NoEnd.SHRINKING: "now shrinking",
    NoEnd.UNCERTAIN: "has no clear trend now",
    NoEnd.FAR: "now years from full",
    NoEnd.CLEARED: "now expected to drop before it is full",
}
"""How a level stopped being a concern."""


LASTS = "The alert ends if this lasts."
"""Instead of a first step, when an alert only waits for that."""

TOO_EARLY = "It is too early to say whether it grows again."
"""Instead of a rate: after a clearing a trend of some hours is mostly the rhythm of the day."""


@dataclass(frozen=True, slots=True)
class MessageContext:
    """What a message is made from.

    seen: the newest observation of the series; zone: the operator's; first_step: what the runbook says to look at
    first; dependents: the subjects that depend on this one; sent_before: those of them that were reported before this
    cause was known; changed: what changed before it began; deletions: the snapshots that hold most of the store.
    """

    move: Transition
    found: Finding
    seen: Observation | None
    host: str
    zone: tzinfo
    first_step: FirstStep
    dependents: tuple[str, ...] = ()
    sent_before: tuple[str, ...] = ()
    changed: tuple[Change, ...] = ()
    deletions: Deletions | None = None

    @property
    def now(self) -> datetime:
        """When the alert changed; every duration in the message is measured from it."""
        return self.move.at


def headline(case: MessageContext) -> str:
    """The subject, the fact, and what changed: in about 60 characters and never more than LONGEST_HEADLINE."""
    ended = case.move.notification is NotificationKind.ENDED
    text = _ending(case, note=" (alert ended)") if ended else _fact(case, note=_change(case))
    return wording.clean(text, LONGEST_HEADLINE)


def _change(case: MessageContext) -> str:
    """What is new about a fact that was notified before; empty for a first notification."""
    intermittent = ", intermittent" if case.move.after.chattering else ""
    if case.move.reaches:
        return intermittent
    match case.move.notification:
        case NotificationKind.WORSE:
            return f", now {wording.priority_words(case.move.after.priority)}"
        case NotificationKind.EASED:
            return f", now only {wording.priority_words(case.move.after.priority)}"
        case NotificationKind.REMINDED:
            return f"{intermittent}, not acknowledged"
        case _:
            return intermittent


def _fact(case: MessageContext, note: str = "", *, whole: bool = False) -> str:
    """The subject and what is found. whole: with its whole name and reason, for a body."""
    found = case.found
    what = wording.thing(found.key, WHOLE_NAME if whole else SHORT_NAME, case.seen)
    if case.move.notification is NotificationKind.EASED and _has_room(case):
        return f"{what} has room again{note}"
    fact = f"{what} {wording.time_left_phrase(found, case.now, case.zone, case.seen)}"
    match found.concern:
        case Concern.FULL | Concern.OVERDUE:
            return f"{fact}{_when(case)}{note}"
        case _ if is_simulated(found.key):
            return f"{fact}{note}"
        case Concern.NOT_REPORTING:
            return f"{fact}{note}"
        case _:
            return _because(f"{fact}{note}", found.reason, whole=whole)


def _because(text: str, reason: str, *, whole: bool) -> str:
    """A text with the reason, or as much of it as fits into a headline."""
    room = WHOLE_REASON if whole else min(SHORT_REASON, LONGEST_HEADLINE - len(text) - 2)
    said = (wording.clean if whole else wording.headed)(reason, max(room, 20))
    return f"{text}: {said}" if said else text


def _when(case: MessageContext) -> str:
    """The date of a time left, in brackets; empty if a level is full already."""
    at = case.found.ends_at
    if at is None or (case.found.concern is Concern.FULL and at <= case.now):
        return ""
    return f" ({'due ' if at <= case.now else ''}{wording.moment(at, case.zone, case.now)})"


def _ending(case: MessageContext, note: str = "", *, whole: bool = False) -> str:
    found, what = case.found, wording.thing(case.found.key, WHOLE_NAME if whole else SHORT_NAME, case.seen)
    if found.forecast is not None and found.used_limit is not None:
        used = wording.share(found.forecast.used / found.forecast.capacity)
        return f"{what} {used} used, below your limit of {wording.share(found.used_limit)}{note}"
    if found.forecast is not None:
        return f"{what} {_ease_of(case, found.forecast)}{note}"
    if found.reason and case.seen is None:
        return f"{what} {wording.clean(found.reason, WHOLE_REASON if whole else SHORT_REASON)}{note}"
    match found.concern:
        case Concern.FULL:
            return f"{what} no longer filling{note}"
        case Concern.OVERDUE:
            ending = "renewed" if found.key.quantity == "certificate" else "done again"
        case Concern.NOT_ANSWERING:
            ending = "answering again"
        case Concern.FAULTY:
            ending = wording.condition_words(found.key)[2]
        case Concern.NOT_REPORTING:
            ending = "reporting again"
        case _:
            assert_never(found.concern)
    return f"{what} {ending} after {_lasted(case)}{note}"


def _ease_of(case: MessageContext, forecast: Forecast) -> str:
    if _has_room(case):
        return "has room again"
    if forecast.stopped_s is not None:
        return wording.stopped_words(forecast, forecast.stopped_s, case.now, case.zone)
    if forecast.no_end is None:
        return f"now {wording.time_left_phrase(case.found, case.now, case.zone)}"
    return _EASE[forecast.no_end]


def _has_room(case: MessageContext) -> bool:
    """Was space freed? It is known where a level was full, and where it has been shrinking for less than a day."""
    forecast = case.found.forecast
    if forecast is None or forecast.no_end is None:
        return False
    return case.move.before.reached or (forecast.no_end is NoEnd.SHRINKING and _is_young(forecast))


def _is_young(forecast: Forecast) -> bool:
    """Is the trend shorter than a day? Then a daily rhythm hides whether there is any growth."""
    return forecast.since_s is not None and forecast.at_s - forecast.since_s < DAY_S


def _lasted(case: MessageContext) -> str:
    began_at, over_at = period(case)
    return wording.duration((over_at - began_at).total_seconds())


def period(case: MessageContext) -> tuple[datetime, datetime]:
    """From when until when it was so. An alert is raised later than that begins, and ends later, by its delays."""
    after, found = case.move.after, case.found
    raised_at, ended_at = after.raised_at or case.now, after.ended_at or case.now
    if found.began_at is None or found.over_at is None or not raised_at <= found.over_at <= ended_at:
        return raised_at, ended_at
    # An intermittent alert lasts from its first time to its last one.
    return (min(found.began_at, raised_at) if not after.raise_count else raised_at), found.over_at


def body(case: MessageContext) -> str:
    """Everything the operator needs to know on a phone, in paragraphs of plain text."""
    return paragraphs(*_paragraphs(case))


def paragraphs(*texts: str) -> str:
    """Paragraphs of plain text, wrapped; empty ones are left out."""
    return "\n\n".join(wrapped(each) for each in texts if each) + "\n"


def _paragraphs(case: MessageContext) -> Iterator[str]:
    yield _opening(case)
    if is_simulated(case.found.key):
        yield (
            "This is a test: `watchkeeper simulate` raised the alert, and nothing has happened. It went through the "
            "delays, the suppression and the routes of a real one, and ends by itself."
        )
        yield f"Times are {wording.zone_name(case.now, case.zone)}."
        return
    yield _how_sure(case)
    yield _level(case)
    yield _since(case)
    yield _comings(case)
    yield _sent_before(case)
    yield _dependents(case)
    yield from _facts(case)
    yield _changed(case)
    if case.move.notification is NotificationKind.EASED and case.found.priority is None:
        yield LASTS
    elif case.move.notification is not NotificationKind.ENDED:
        found = case.found
        yield f"What to do first: {case.first_step(found.concern, found.key, case.seen)}"
        yield from _space(case)
    yield f"Times are {wording.zone_name(case.now, case.zone)}."


def _space(case: MessageContext) -> Iterator[str]:
    """What a filling store needs, and which snapshots hold most."""
    if case.found.concern is not Concern.FULL or not isinstance(case.seen, Level):
        return
    yield growth.room_words(case.found.forecast, case.seen)
    if case.deletions is not None:
        lines = [f"  {wording.clean(each.size, 40)}: {wording.clean(each.what, 200)}" for each in case.deletions.sets]
        yield "\n".join(["Snapshots that hold most, and what deleting them would free:", *lines])
        yield f"`{case.deletions.command}` names those to delete for two more weeks."


def _opening(case: MessageContext) -> str:
    before, after, host = case.move.before.notified_priority, case.move.after.priority, wording.clean(case.host, 60)
    match case.move.notification:
        case NotificationKind.ENDED:
            return f"Alert ended on {host}: {_ending(case, whole=True)}."
        case NotificationKind.WORSE | NotificationKind.EASED as telling if not case.move.reaches:
            now = "Now" if telling is NotificationKind.WORSE else "Now only"
            change = f"{now} {wording.priority_words(after)} on {host} (was {wording.priority_words(before)})"
            return f"{change}: {_fact(case, whole=True)}."
        case _:
            word = after.word.capitalize() if after else "Alert"
            return f"{word} on {host}: {_fact(case, whole=True)}."


def _how_sure(case: MessageContext) -> str:
    found, now, zone = case.found, case.now, case.zone
    if found.earliest_at is None or found.ends_at is None or found.ends_at <= now:
        return ""
    if found.latest_at is None:
        return (
            f"This is an estimate: after {wording.moment(found.earliest_at, zone, now)} with 95 % probability. "
            "No latest date can be given, because the growth is too irregular."
        )
    first, last = (wording.moment(at, zone, now) for at in (found.earliest_at, found.latest_at))
    if first == last:
        return f"This is an estimate; 90 % range: {first}."
    return f"This is an estimate; 90 % range: {first} to {last}."


def _level(case: MessageContext) -> str:
    if not isinstance(case.seen, Level):
        return ""
    forecast, eased = case.found.forecast, case.move.notification in (NotificationKind.EASED, NotificationKind.ENDED)
    if forecast is not None and eased and forecast.no_end is not None and _is_young(forecast):
        return f"Now {wording.fill(case.seen)}. {TOO_EARLY}"
    grows = growth.describe(forecast, case.seen.unit, case.zone) if forecast else ""
    return f"Now {wording.fill(case.seen)}. {grows[:1].upper()}{grows[1:]}{'.' if grows else ''}".strip()


def _since(case: MessageContext) -> str:
    found, after, now, zone = case.found, case.move.after, case.now, case.zone
    raised_at = after.raised_at or now
    if case.move.notification is NotificationKind.ENDED:
        times = [wording.instant(at, zone, now) for at in (raised_at, after.ended_at or now)]
        priority = wording.priority_words(case.move.before.notified_priority)
        lasted = period(case)
        if lasted == (raised_at, after.ended_at or now):
            return f"Raised {times[0]}, ended {times[1]} ({_lasted(case)}). It was {priority}."
        began, over = (wording.exact_instant(at, zone, now) for at in lasted)
        return (
            f"It lasted from {began} to {over} ({_lasted(case)}). "
            f"The alert was raised {times[0]} and ended {times[1]}. It was {priority}."
        )
    parts = []
    if found.since is not None:
        word = _SINCE[found.concern] or f"{wording.condition_words(found.key)[1].capitalize()} since"
        parts.append(f"{word} {wording.instant(found.since, zone, now)}.")
    if case.move.event is Event.NOTIFY:
        parts.append(f"Raised {wording.instant(raised_at, zone, now)}; the message was held back until now.")
    elif case.move.notification is not NotificationKind.RAISED:
        parts.append(f"Raised {wording.instant(raised_at, zone, now)}.")
    if isinstance(case.seen, Deadline) and case.seen.last_at is not None:
        parts.append(f"Last done {wording.instant(case.seen.last_at, zone, now)}.")
    return " ".join(parts)


def _comings(case: MessageContext) -> str:
    """Say that an alert is intermittent, and how often it was raised."""
    times = case.move.after.raise_count
    if not times:
        return ""
    if case.move.notification is NotificationKind.ENDED:
        return (
            f"It was intermittent: raised {times} times. It has not come back for some hours, so the alert has ended."
        )
    return (
        f"This is intermittent: raised {times} times recently. Further changes send no message; the next one comes "
        "when it has stayed away for some hours."
    )


def _sent_before(case: MessageContext) -> str:
    """Which messages that came earlier belong to this event: the operator need not look at each."""
    if not case.sent_before:
        return ""
    return f"Already reported, and part of this event: {_names(case.sent_before)}."


def _dependents(case: MessageContext) -> str:
    """Which subjects depend on this one, so that the operator need not wonder about them."""
    if case.move.notification is not NotificationKind.RAISED:
        return ""
    others = [name for name in case.dependents if name not in case.sent_before]
    if not others:
        return ""
    return f"These depend on it: {_names(others)}. No separate messages about them while it lasts."


def _names(subjects: Sequence[str]) -> str:
    """The first names of a list, and how many more there are."""
    names = ", ".join(wording.clean(name, SHORT_NAME) for name in subjects[:_MOST_FACTS])
    more = len(subjects) - _MOST_FACTS
    return f"{names} and {more} more" if more > 0 else names


_SINCE = {
    Concern.FULL: "Full since",
    Concern.OVERDUE: "It was due",
    Concern.NOT_ANSWERING: "No valid answer since",
    Concern.FAULTY: "",  # in the condition's own words
    Concern.NOT_REPORTING: "Last reading",
}


def _facts(case: MessageContext) -> Iterator[str]:
    facts = case.seen.facts if case.seen is not None else ()
    shown = [
        tuple(wording.localized(each, case.zone, case.now) for each in (name, value))
        for name, value in facts[:_MOST_FACTS]
    ]
    lines = [f"  {wording.clean(name, 24)}: {wording.clean(value, COLUMNS)}" for name, value in shown]
    if lines:
        yield "\n".join(["Details:", *lines])


def _changed(case: MessageContext) -> str:
    """What changed before it began; said once, when it is new or worse."""
    if case.move.notification not in (NotificationKind.RAISED, NotificationKind.WORSE):
        return ""
    return changes.paragraph(case.changed, case.zone, case.now)


def wrapped(paragraph: str) -> str:
    """Wrap a paragraph at COLUMNS, never inside a command between backticks; existing line breaks stay."""
    pieces = paragraph.split("`")
    pieces[1::2] = [piece.replace(" ", _NO_BREAK) for piece in pieces[1::2]]
    lines = "`".join(pieces).split("\n")
    filled = (
        textwrap.fill(line, COLUMNS, break_long_words=False, break_on_hyphens=False, subsequent_indent=_indent(line))
        for line in lines
    )
    return "\n".join(filled).replace(_NO_BREAK, " ")


def _indent(line: str) -> str:
    return "    " if line.startswith("  ") else ""
