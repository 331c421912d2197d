"""The headline and the body of a message, built from a transition, its finding and the newest observation.

The headline begins with the fact and fits a phone's notification. The body answers in this order: what, how long is
left and how sure, since when, how it grows, what was seen, what to look at. Plain text in paragraphs of 72 columns.
What may live here: sentences of a message. Not here: phrases that the page shares (wording.py), ids (build.py).
"""

import textwrap
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime, tzinfo
from typing import assert_never

from watchkeeper.messages import growth, wording
from watchkeeper.model.alert import Concern, Event, NotificationKind, Transition
from watchkeeper.model.finding import Finding
from watchkeeper.model.forecast import Forecast, NoEnd
from watchkeeper.model.observation import Deadline, Level, Observation

COLUMNS = 72
"""Paragraph width: suits a terminal, and an upright phone once it wraps; usual in plain-text mail (RFC 3676 4.2)."""

LONGEST_HEADLINE = 100
"""A hard limit. Headlines are meant to fit in about 60 characters; a long name or reason may exceed that."""

SHORT_NAME, WHOLE_NAME = 44, 200
"""Maximum length of a subject's name in a headline, and in a body, where a whole path fits."""

_MOST_FACTS = 8
"""A body is read on a phone; further facts of a probe are on the page."""

_NO_BREAK = "\u00a0"
"""Replaces a space inside a command while its paragraph is wrapped, so that the command can be copied in one piece."""

_EASE = {
    NoEnd.TOO_FEW: "has no forecast now",
    NoEnd.STILL: "no longer filling",
    NoEnd.UNCERTAIN: "has no clear end now",
    NoEnd.FAR: "now years from full",
}
"""How a level stopped being a concern; for any other reason: no longer filling, and the reason."""


@dataclass(frozen=True, slots=True)
class MessageContext:
    """What a message is made from.

    seen: the newest observation of the series; zone: the operator's; resting: the subjects that depend on this one.
    """

    move: Transition
    found: Finding
    seen: Observation | None
    host: str
    zone: tzinfo
    resting: tuple[str, ...] = ()

    @property
    def now(self) -> datetime:
        """When the alert changed; every duration in the message is measured from it."""
        return self.move.at


def headline(case: MessageContext) -> str:
    """The fact, in about 60 characters and never more than LONGEST_HEADLINE."""
    match case.move.notification:
        case NotificationKind.ENDED:
            text = f"ended: {_ending(case)}"
        case NotificationKind.WORSE | NotificationKind.EASED as telling:
            text = f"{telling.value}: {_fact(case)}"
        case _ if case.move.after.chattering:
            text = f"comes and goes: {_fact(case)}"
        case _:
            text = _fact(case)
    return wording.clean(text, LONGEST_HEADLINE)


def _fact(case: MessageContext, name_limit: int = SHORT_NAME) -> str:
    found = case.found
    what, phrase = wording.thing(found.key, name_limit), wording.time_left_phrase(found, case.now, case.zone)
    match found.concern:
        case Concern.FULL | Concern.OVERDUE:
            return f"{what} {phrase}{_when(case)}"
        case Concern.NOT_REPORTING:
            return f"{phrase.replace('no sample', f'no sample of {what}')}"
        case _:
            reason = wording.clean(found.reason, 80)
            return f"{what} {phrase}: {reason}" if reason else f"{what} {phrase}"


def _when(case: MessageContext) -> str:
    """The date of a time left, in brackets; empty if a level is full already."""
    at = case.found.ends_at
    if at is None or (case.found.concern is Concern.FULL and at <= case.now):
        return ""
    return f" ({'due ' if at <= case.now else ''}{wording.moment(at, case.zone, case.now)})"


def _ending(case: MessageContext, name_limit: int = SHORT_NAME) -> str:
    found, what = case.found, wording.thing(case.found.key, name_limit)
    if found.forecast is not None:
        return f"{what} {_ease_of(case, found.forecast)}"
    if found.reason and case.seen is None:
        return f"{what} {wording.clean(found.reason, 80)}"
    match found.concern:
        case Concern.FULL:
            return f"{what} no longer filling"
        case Concern.OVERDUE:
            ending = "renewed" if found.key.quantity == "certificate" else "done again"
        case Concern.NOT_ANSWERING:
            ending = "answers again"
        case Concern.FAULTY:
            ending = wording.condition_words(found.key)[2]
        case Concern.NOT_REPORTING:
            ending = "brings samples again"
        case _:
            assert_never(found.concern)
    return f"{what} {ending}, after {_lasted(case)}"


def _ease_of(case: MessageContext, forecast: Forecast) -> str:
    if forecast.no_end is None:
        return f"now {wording.time_left_phrase(case.found, case.now, case.zone)}"
    return _EASE.get(forecast.no_end, f"no longer filling: {forecast.no_end.value}")


def _lasted(case: MessageContext) -> str:
    raised_at, ended_at = case.move.after.raised_at or case.now, case.move.after.ended_at or case.now
    return wording.duration((ended_at - raised_at).total_seconds())


def body(case: MessageContext) -> str:
    """Everything the operator needs to know on a phone, in paragraphs of plain text."""
    return paragraphs(*_paragraphs(case))


def paragraphs(*texts: str) -> str:
    """Paragraphs of plain text, wrapped; empty ones are left out."""
    return "\n\n".join(wrapped(each) for each in texts if each) + "\n"


def _paragraphs(case: MessageContext) -> Iterator[str]:
    yield _opening(case)
    yield _how_sure(case)
    yield _level(case)
    yield _since(case)
    yield _comings(case)
    yield _reason(case)
    yield _resting(case)
    yield from _facts(case)
    if case.move.notification is not NotificationKind.ENDED:
        found = case.found
        yield f"What to look at: {wording.what_to_look_at(found.concern, found.key, case.seen)}"
    yield f"Times are {wording.zone_name(case.now, case.zone)}."


def _opening(case: MessageContext) -> str:
    before, after, host = case.move.before.notified_priority, case.move.after.priority, wording.clean(case.host, 60)
    match case.move.notification:
        case NotificationKind.ENDED:
            return f"Ended on {host}: {_ending(case, WHOLE_NAME)}."
        case NotificationKind.WORSE | NotificationKind.EASED as telling:
            change = f"now {wording.priority_words(after)} (it was {wording.priority_words(before)})"
            return f"{telling.value.capitalize()} on {host}, {change}: {_fact(case, WHOLE_NAME)}."
        case _:
            word = after.word.capitalize() if after else "Alert"
            return f"{word} on {host}: {_fact(case, WHOLE_NAME)}."


def _how_sure(case: MessageContext) -> str:
    found, now, zone = case.found, case.now, case.zone
    if found.earliest_at is None or found.ends_at is None or found.ends_at <= now:
        return ""
    if found.latest_at is None:
        return (
            f"This is an estimate: not before {wording.moment(found.earliest_at, zone, now)}, 19 times in 20. "
            "It has no latest time, because the growth is too uneven for one."
        )
    first, last = (wording.moment(at, zone, now) for at in (found.earliest_at, found.latest_at))
    if first == last:
        return f"This is an estimate: on {first}, 9 times in 10."
    return f"This is an estimate: between {first} and {last}, 9 times in 10."


def _level(case: MessageContext) -> str:
    if not isinstance(case.seen, Level):
        return ""
    grows = growth.describe(case.found.forecast, case.seen.unit, case.zone) if case.found.forecast else ""
    return f"Now {wording.fill(case.seen)}. {grows[:1].upper()}{grows[1:]}{'.' if grows else ''}".strip()


def _since(case: MessageContext) -> str:
    found, after, now, zone = case.found, case.move.after, case.now, case.zone
    raised_at = after.raised_at or now
    if case.move.notification is NotificationKind.ENDED:
        times = [wording.instant(at, zone, now) for at in (raised_at, after.ended_at or now)]
        stood = wording.priority_words(case.move.before.notified_priority)
        return f"It lasted {_lasted(case)}: raised {times[0]}, ended {times[1]}. It stood at {stood}."
    parts = []
    if found.since is not None:
        word = _SINCE[found.concern] or f"{wording.condition_words(found.key)[1].capitalize()} since"
        parts.append(f"{word} {wording.instant(found.since, zone, now)}.")
    if case.move.event is Event.NOTIFY:
        parts.append(f"It began {wording.instant(raised_at, zone, now)} and was kept back until now.")
    elif case.move.notification is not NotificationKind.RAISED:
        parts.append(f"First told {wording.instant(raised_at, zone, now)}.")
    if isinstance(case.seen, Deadline) and case.seen.last_at is not None:
        parts.append(f"Last done {wording.instant(case.seen.last_at, zone, now)}.")
    return " ".join(parts)


def _comings(case: MessageContext) -> str:
    """Say that an alert comes and goes, and how often."""
    times = case.move.after.raise_count
    if not times:
        return ""
    if case.move.notification is NotificationKind.ENDED:
        return f"In that time it came and went {times} times; it counts as over because it stayed away."
    return (
        f"It comes and goes: {times} times lately. It is not told each time: the end is told once it has stayed away "
        "for some hours."
    )


def _resting(case: MessageContext) -> str:
    """Which subjects depend on this one, so that the operator need not wonder about them."""
    if not case.resting or case.move.notification is not NotificationKind.RAISED:
        return ""
    names = ", ".join(wording.clean(name, SHORT_NAME) for name in case.resting[:_MOST_FACTS])
    more = len(case.resting) - _MOST_FACTS
    return f"On it rest {names}{f' and {more} more' if more > 0 else ''}: nothing is told of them while it is down."


_SINCE = {
    Concern.FULL: "Since",
    Concern.OVERDUE: "It was due",
    Concern.NOT_ANSWERING: "No right answer since",
    Concern.FAULTY: "",  # in the condition's own words
    Concern.NOT_REPORTING: "The last sample came",
}


def _reason(case: MessageContext) -> str:
    """The whole reason, if the headline had to shorten it."""
    reason = wording.clean(case.found.reason, 600)
    short = len(reason) <= 80 or case.found.concern not in {Concern.NOT_ANSWERING, Concern.FAULTY}
    return "" if short else f"The whole reason: {reason}"


def _facts(case: MessageContext) -> Iterator[str]:
    facts = case.seen.facts if case.seen is not None else ()
    lines = [f"  {wording.clean(name, 24)}: {wording.clean(value, COLUMNS)}" for name, value in facts[:_MOST_FACTS]]
    if lines:
        yield "\n".join(["Seen with it:", *lines])


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
