"""Sentences of the page alone: its headline, its headings. Shared wording comes from messages/wording.py.

Pure.
"""

import math
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta, tzinfo
from typing import assert_never

from watchkeeper.messages.growth import describe
from watchkeeper.messages.wording import (
    about,
    concern_words,
    condition_said,
    duration,
    fill,
    instant,
    joined,
    moment,
    thing,
    time_left_phrase,
)
from watchkeeper.model.alert import Alert, Concern
from watchkeeper.model.finding import Finding
from watchkeeper.model.observation import Answer, Condition, Deadline, Level, Observation
from watchkeeper.model.operator.maintenance import MAINTENANCE
from watchkeeper.web.dashboard.active_alert import ActiveAlert
from watchkeeper.web.dashboard.dashboard import ENDING, Dashboard, OkSeries, Place, QuietSeries, unusual
from watchkeeper.web.events.event_text import easing, is_easing, statement

_NUMBERS = (
    "No", "One", "Two", "Three", "Four", "Five", "Six", "Seven", "Eight", "Nine", "Ten", "Eleven", "Twelve",
)  # fmt: skip


WAS = {
    Concern.FULL: "was filling up",
    Concern.OVERDUE: "was overdue",
    Concern.NOT_ANSWERING: "did not answer",
    Concern.FAULTY: "was faulty",
    Concern.NOT_REPORTING: "did not report",
}
"""What an alert that is over was about."""


LIST_UNSEEN = "watchkeeper probe --unseen"

NAMED_UNSEEN = 3
"""So many things that could not be checked are named in one sentence; the list below has all."""

FEW = 3
"""How many names a sentence lists at most."""


TELLS_SINCE = frozenset({Concern.NOT_ANSWERING, Concern.FAULTY, Concern.NOT_REPORTING})
"""Concerns whose own phrase already says since when."""


def counted(count: int, one: str, many: str) -> str:
    """`One thing`, `Three things`, `40 things`."""
    return f"{_NUMBERS[count] if count < len(_NUMBERS) else count} {one if count == 1 else many}"


def verdict(board: Dashboard, *, troubled: bool = False, mute: bool = False, zone: tzinfo = UTC) -> str:
    """Whether anything needs the operator: the page's first sentence, without a full stop.

    troubled: monitoring itself has a problem. mute: no message would reach anyone.
    """
    if board.needing:
        return statement(board.needing[0], zone)
    if troubled:
        return "Monitoring itself needs you"
    if board.newest_at is None:
        return "Monitoring has just started"
    said = "Nothing new needs you" if board.known or board.aside else "Nothing needs you"
    limits = ["nobody would be notified"] if mute else []
    limits += [_unchecked(len(board.unseen))] if board.unseen else []
    return f"{said}, but {' and '.join(limits)}" if limits else said


def _unchecked(count: int) -> str:
    return "1 thing is not checked" if count == 1 else f"{count} things are not checked"


def aside_title(board: Dashboard) -> str:
    """The heading of what the operator put aside."""
    maintained = any(each.alert.held_by == MAINTENANCE for each in board.aside)
    shelved = any(each.alert.shelved(board.at) for each in board.aside)
    return " and ".join(["Shelved"] * (shelved or not maintained) + ["In maintenance"] * maintained)


def by_when(board: Dashboard, zone: tzinfo) -> str:
    """The second sentence: what else needs the operator and by when, or what comes next."""
    if board.newest_at is None and not board.needing:
        return "No readings yet. The first ones arrive within about a minute, the first forecasts after about 10 min."
    if not board.needing:
        return " ".join(filter(None, (_known(board, zone), _failing(board), _next(board, zone))))
    return " ".join(filter(None, (_likely(board.needing[0], zone), _more(board, zone), _known(board, zone))))


def _known(board: Dashboard, zone: tzinfo) -> str:
    """What is acknowledged and still so: the headline is about something else."""
    facts = [f"{thing(e.alert.key)} {fact(e, board, zone)}" for e in board.known]
    return f"Acknowledged: {_some(facts)}." if facts else ""


def _failing(board: Dashboard) -> str:
    """What fails, but not for long enough, or not gravely enough, for an alert."""
    failing = [thing(q.key, seen=q.observation) for q in board.quiet if q.why is OkSeries.FAILING]
    return f"Failing, within {'its' if len(failing) == 1 else 'their'} limits: {_some(failing)}." if failing else ""


def _likely(first: ActiveAlert, zone: tzinfo) -> str:
    """The time that the headline rounds."""
    at = first.finding.ends_at if first.finding and first.alert.concern is Concern.FULL else None
    return f"Likely {moment(at, zone, first.at)}." if at is not None and at > first.at else ""


def _more(board: Dashboard, zone: tzinfo) -> str:
    """What else needs the operator, and by when."""
    room = " ".join(f"{title}: {_some(some)}." for title, some in _eased(board, zone).items())
    more = [e for e in board.needing[1:] if not is_easing(e.alert, e.finding)]
    if not more:
        return room
    return " ".join(filter(None, (_others(more, board, zone), room)))


def _eased(board: Dashboard, zone: tzinfo) -> dict[str, list[str]]:
    """What needs nothing more than to last, by what is known of it: only what was emptied has room again."""
    found = dict[str, list[str]]()
    for each in board.needing[1:]:
        if each.finding is not None and is_easing(each.alert, each.finding):
            room = easing(each.alert, each.finding, board.at, zone).startswith("room again")
            title = "Room again" if room else "No longer filling"
            found.setdefault(title, []).append(thing(each.alert.key, seen=each.observation))
    return found


def _others(more: Sequence[ActiveAlert], board: Dashboard, zone: tzinfo) -> str:
    """How many more things need the operator, and which is next."""
    told = counted(len(more), "more thing needs you", "more things need you")
    ahead = [(s.finding.ends_at, s) for s in more if s.finding and s.alert.concern in ENDING]
    soonest = min(((at, s) for at, s in ahead if at is not None and at > board.at), key=lambda p: p[0], default=None)
    if soonest is None:
        return f"{told}: {_some([thing(s.alert.key, seen=s.observation) for s in more])}."
    at, first = soonest
    said = time_left_phrase(first.finding, board.at, zone) if first.finding else concern_words(first.alert.concern)
    return f"{told}. Next: {thing(first.alert.key, seen=first.observation)}, {said} ({moment(at, zone, board.at)})."


def unseen(board: Dashboard) -> str:
    """What "OK" does not cover, as a sentence; empty if every probe could look at everything."""
    if not board.unseen:
        return ""
    named = ", ".join(dict.fromkeys(each.what or f"probe {each.probe}" for each in board.unseen[:NAMED_UNSEEN]))
    more = len(board.unseen) - NAMED_UNSEEN
    return f"Not checked: {named}{f' and {more} more; `{LIST_UNSEEN}` lists them' if more > 0 else ''}."


def _next(board: Dashboard, zone: tzinfo) -> str:
    """What comes first on the time-left chart: an estimated end before a due date, which is normally met."""
    fast = [thing(q.key, seen=q.observation) for q in board.quiet if q.why is OkSeries.UNUSUAL]
    if fast:
        return f"Growing unusually fast, too early for a date: {_some(fast)}."
    estimated = [p for p in board.places if p.forecast]
    if estimated:
        first = estimated[0]
        at = board.at + timedelta(seconds=first.left_s)
        name = thing(first.finding.key, seen=first.observation)
        return f"Next to fill up: {name}, in {about(first.left_s)} ({moment(at, zone, board.at)})."
    if unknown := _without_forecast(board):
        return unknown
    return "Nothing is expected to fill up within a year." if board.quiet or board.places else ""


def _without_forecast(board: Dashboard) -> str:
    """Which levels have no forecast, and why; empty if there are none."""
    learning = [thing(q.key, seen=q.observation) for q in board.quiet if q.why is OkSeries.LEARNING]
    if learning:
        return f"No forecast yet for {_some(learning)}. The first forecasts come after about 10 min of readings."
    early = [thing(q.key, seen=q.observation) for q in board.quiet if q.why is OkSeries.EARLY]
    if early:
        return f"Growing, too early for a date: {_some(early)}."
    irregular = [thing(q.key, seen=q.observation) for q in board.quiet if q.why is OkSeries.UNCERTAIN]
    if irregular:
        whose = "its" if len(irregular) == 1 else "their"
        return f"No forecast for {_some(irregular)}: {whose} changes are too irregular."
    return ""


def _some(names: Sequence[str]) -> str:
    """The first names of a list: `pool skerry, pool jetty and 3 more`."""
    named = list(dict.fromkeys(names))
    if len(named) <= FEW:
        return joined(named)
    return f"{', '.join(named[: FEW - 1])} and {len(named) - FEW + 1} more"


def left(place: Place) -> str:
    """A place's time left, short: `3 days`, `20 h`; a time that has passed is `now`."""
    if place.left_s <= 0:
        return "now"
    return _rough(place.left_s) if place.forecast else duration(place.left_s)


def between(earliest_s: float | None, latest_s: float | None) -> str:
    """The 90 % interval as text, `2 to 5 days`; empty if there is none, or if its ends read the same."""
    if earliest_s is None:
        return ""
    first = _rough(earliest_s)
    if latest_s is None:
        return f"{first} at the earliest"
    last = _rough(latest_s)
    if first == last:
        return ""
    count, _, unit = first.partition(" ")
    return f"{count if unit == last.partition(' ')[2] else first} to {last}"


def _rough(seconds: float) -> str:
    return about(seconds).removeprefix("about ")


def interval_of(finding: Finding) -> str:
    """A finding's 90 % interval, counted from the time of the finding; empty if it has none."""
    if finding.concern is not Concern.FULL or finding.earliest_at is None or finding.ends_at is None:
        return ""
    if too_early(finding):
        return ""
    if finding.ends_at <= finding.at:
        return ""
    latest_s = (finding.latest_at - finding.at).total_seconds() if finding.latest_at else None
    return between((finding.earliest_at - finding.at).total_seconds(), latest_s)


def too_early(finding: Finding) -> bool:
    """Return whether the fact is that a level grows unusually fast, or since so short a time that it has no date."""
    return finding.early or (finding.priority is None and unusual(finding))


def fact(standing: ActiveAlert, board: Dashboard, zone: tzinfo) -> str:
    """What the problem is, in a few words without the subject."""
    alert, finding = standing.alert, standing.finding
    if not alert.standing:
        return WAS[alert.concern]
    if finding is None:
        return concern_words(alert.concern)
    return easing(alert, finding, board.at, zone) or time_left_phrase(finding, board.at, zone, standing.observation)


def why(finding: Finding | None, seen: Observation | None, zone: tzinfo, alert: Alert | None = None) -> str:
    """The reason: what the subject itself reports, or how a level grows; empty if neither adds to the fact.

    alert: the alert about it, if there is one. While it waits for an end to last, too little was seen for a growth.
    """
    if finding is None or (alert is not None and is_easing(alert, finding)):
        return ""
    if finding.concern in {Concern.NOT_ANSWERING, Concern.FAULTY}:
        return finding.reason
    if too_early(finding):
        return ""
    if finding.concern is Concern.FULL and finding.forecast and isinstance(seen, Level):
        return describe(finding.forecast, seen.unit, zone)
    return ""


def since(alert: Alert, board: Dashboard, zone: tzinfo, finding: Finding | None = None) -> str:
    """Since when an alert is active, or when it ended; for a level, since when it is full, and when that was warned."""
    if not alert.standing and alert.ended_at:
        return f"ended {instant(alert.ended_at, zone, board.at)}"
    if alert.raised_at is None:
        return ""
    if alert.concern is Concern.OVERDUE and finding is not None and finding.ends_at is not None:
        return f"due {instant(finding.ends_at, zone, board.at)}"
    raised = f"{instant(alert.raised_at, zone, board.at)} ({_ago(alert.raised_at, board)})"
    if alert.concern is Concern.FULL and finding is not None and finding.since is not None:
        if finding.since > alert.raised_at:
            return (
                f"full since {instant(finding.since, zone, board.at)} ({_ago(finding.since, board)}); warned {raised}"
            )
        return f"full since {instant(finding.since, zone, board.at)} ({_ago(finding.since, board)})"
    return f"alert since {raised}"


def _ago(at: datetime, board: Dashboard) -> str:
    return duration((board.at - at).total_seconds())


def summary(seen: Observation | None) -> str:
    """The newest observation in a few words."""
    match seen:
        case None:
            return "no reading yet"
        case Level():
            return fill(seen) if math.isfinite(seen.used) and seen.capacity > 0 else "no figures"
        case Answer():
            return f"answered in {seconds(seen.took_s)}" if seen.answered else seen.reason or "not answering"
        case Condition():
            return condition_said(seen)
        case Deadline():
            return "on time" if seen.last_at else "none found"
        case _:
            assert_never(seen)


def growth_words(quiet: QuietSeries, now: datetime, zone: tzinfo) -> str:
    """How a level without a date grows, and how full it is."""
    said = time_left_phrase(quiet.finding, now, zone, quiet.observation) if quiet.finding else quiet.why.value
    return f"{said.removeprefix(f'{OkSeries.UNUSUAL.value} ')}; {summary(quiet.observation)}"


def seconds(took_s: float | None) -> str:
    """A time taken: `38 ms`, `1.2 s`."""
    if took_s is None:
        return "unknown time"
    return f"{took_s * 1000:.0f} ms" if took_s < 1 else f"{took_s:.1f} s"


def well_line(groups: Sequence[tuple[OkSeries, int]]) -> str:
    """What is OK, counted: `14 answering, 9 healthy`."""
    return ", ".join(f"{count} {why.value}" for why, count in groups)
