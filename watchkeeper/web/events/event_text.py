"""One event in words: what has happened, and what stopped with it. Pure."""

import re
from collections import Counter
from collections.abc import Iterable, Sequence
from datetime import datetime, tzinfo

from watchkeeper.messages.wording import (
    clean,
    clock_time,
    concern_words,
    condition_words,
    full_word,
    instant,
    joined,
    stopped_words,
    thing,
    time_left_phrase,
)
from watchkeeper.model.alert import Alert, Concern
from watchkeeper.model.finding import Finding
from watchkeeper.model.forecast import NoEnd
from watchkeeper.model.observation import Observation, SeriesKey
from watchkeeper.web.dashboard.active_alert import ActiveAlert

KINDS = {
    "pool": "pools",
    "file system": "file systems",
    "guest": "guests",
    "service": "services",
    "host": "hosts",
    "container": "containers",
    "unit": "units",
    "snapshots of": "sets of snapshots",
    "backups of": "sets of backups",
}
"""What the first words of a subject say that it is, and the plural of that."""

PLURAL = ("snapshots of", "backups of")
"""Subjects that are many."""

VERBS = frozenset({"cannot", "can", "does", "has", "keeps", "reports", "sees", "serves"})
"""First words of a condition that are verbs: no "is" goes before them."""

PERFECT = {
    "not answering": "not answered",
    "answering wrongly": "answered wrongly",
    "not reporting": "not reported",
}
"""With a length of time a sentence says "has not answered for 3 min"."""

GENERAL = "faulty"
"""The word for a condition that has none of its own."""

OWN_WORD = re.compile(r"(?!failed)[a-z]+ed: ")
"""How a reason begins that has a word for the state: `suspended: no space left`, `paused: I/O error`."""

EXPIRES = ("expires", "expired")


def sentence_name(key: SeriesKey, seen: Observation | None = None) -> str:
    """A series as the subject of a sentence: `Pool skerry`, `The certificate of service hide-hub`.

    seen: its newest observation, which may have the operator's own name of it.
    """
    name, subject = thing(key, seen=seen), clean(key.subject, 44)
    if name == subject or not name.startswith(f"{subject}: "):
        return name[:1].upper() + name[1:]
    return f"The {name.removeprefix(f'{subject}: ')} of {subject}"


def statement(event: ActiveAlert, zone: tzinfo) -> str:
    """What has happened, as a clause without a full stop: `Pool skerry will be full in about 3 days`."""
    name, finding = sentence_name(event.alert.key, event.observation), event.finding
    many = event.alert.key.subject.startswith(PLURAL)
    be, has = ("are", "have") if many else ("is", "has")
    if finding is None:
        return f"{name}: {concern_words(event.alert.concern)}"
    match event.alert.concern:
        case Concern.FULL:
            return f"{name} {_full(event, zone)}"
        case Concern.OVERDUE:
            phrase = time_left_phrase(finding, event.at, zone)
            if finding.reason:
                return f"{name} {has} {phrase}"
            return f"{name} {phrase}" if phrase.startswith(EXPIRES) else f"{name} {be} {phrase}"
        case Concern.FAULTY:
            return f"{name} {_faulty(event, be)}"
        case _:
            phrase = time_left_phrase(finding, event.at, zone, event.observation)
            lasting = next(
                (f"{has} {PERFECT[each]}{phrase[len(each) :]}" for each in PERFECT if f"{each} for " in phrase), ""
            )
            return f"{name} {lasting or f'{be} {phrase}'}"


def easing(alert: Alert, finding: Finding, now: datetime, zone: tzinfo) -> str:
    """A level without a date while its alert waits for that to last: `room again since 15:30`; else empty.

    "No end in sight" beside an alarm would be read as good news or as a fault of the page. That it no longer grows is
    not stated: for hours after space was freed there are too few samples to tell.
    """
    if not is_easing(alert, finding):
        return ""
    forecast = finding.forecast
    room = alert.reached or (forecast is not None and forecast.no_end in {NoEnd.SHRINKING, NoEnd.CLEARED})
    if forecast is not None and forecast.stopped_s is not None and not alert.reached:
        return stopped_words(forecast, forecast.stopped_s, now, zone)
    said = "room again" if room and forecast is not None and not forecast.full else "no longer forecast to fill"
    # An alert that was lowered on the way began to wait again: since when there is room is not known from it.
    if alert.pending_since is None or alert.pending_since == alert.changed_at:
        return said
    return f"{said} since {since_when(alert.pending_since, now, zone)}"


def is_easing(alert: Alert, finding: Finding | None) -> bool:
    """Return whether a level has no date any more, and its alert waits for that to last."""
    if finding is None or alert.concern is not Concern.FULL or not alert.standing:
        return False
    return finding.priority is None and alert.pending_since is not None


def since_when(at: datetime, now: datetime, zone: tzinfo) -> str:
    """An instant: its time if it is of the same day, else with the day."""
    same_day = at.astimezone(zone).date() == now.astimezone(zone).date()
    return clock_time(at, zone) if same_day else instant(at, zone, now)


def _full(event: ActiveAlert, zone: tzinfo) -> str:
    if event.finding is not None and (eased := easing(event.alert, event.finding, event.at, zone)):
        verb = "has " if eased.startswith("room") else "" if eased.startswith("stopped") else "is "
        return f"{verb}{eased}"
    phrase = time_left_phrase(event.finding, event.at, zone) if event.finding else ""
    word = full_word(event.alert.key)
    if phrase == word:
        return f"is {word}"
    if phrase.startswith(f"{word} in "):
        return f"will be {phrase}"
    return phrase if phrase.startswith("has ") else f"may be {phrase}" if phrase.startswith(word) else f"is {phrase}"


def _faulty(event: ActiveAlert, be: str) -> str:
    _, faulty, _ = condition_words(event.alert.key)
    have = "have" if be == "are" else "has"
    said = faulty if faulty.partition(" ")[0] in VERBS else f"{have if faulty == 'failed' else be} {faulty}"
    reason = clean(event.finding.reason, 120) if event.finding else ""
    if faulty == GENERAL and OWN_WORD.match(reason):
        return f"{be} {reason}"
    return f"{said}: {reason}" if reason else said


def outcome(event: ActiveAlert) -> str:
    """What stopped with it: `4 guests and 4 services stopped with it.`; empty if nothing did."""
    found = event_subjects(event)
    if not found:
        return ""
    stopped = all(each.alert.concern is not Concern.NOT_REPORTING for each in _beneath(event))
    said = "stopped with it" if stopped else ("follows" if len(found) == 1 else "follow") + " from it"
    return f"{kinds_of(found)} {said}."


def _beneath(event: ActiveAlert) -> Iterable[ActiveAlert]:
    return (each for each in event.whole if each.alert.key.subject != event.alert.key.subject)


def event_subjects(event: ActiveAlert) -> list[str]:
    """The other subjects of an event, each once, in the order in which they are shown."""
    return list(dict.fromkeys(each.alert.key.subject for each in _beneath(event)))


def kinds_of(subjects: Sequence[str]) -> str:
    """Subjects counted by what they are: `4 guests and 1 service`."""
    counts = Counter(_kind(each) for each in subjects)
    parts = [f"{n} {one if n == 1 else KINDS.get(one, 'things')}" for one, n in counts.items()]
    return joined(parts)


def _kind(subject: str) -> str:
    return next((kind for kind in KINDS if subject.startswith(f"{kind} ")), "thing")


def began_at(event: ActiveAlert) -> datetime | None:
    """When it began, as far as that is known."""
    return (event.finding.since if event.finding else None) or event.alert.raised_at


def since_clause(event: ActiveAlert, zone: tzinfo) -> str:
    """When it began, in a few words for the row of a consequence: `21:21`; empty if that is not known."""
    began = began_at(event)
    return since_when(began, event.at, zone) if began else ""
