"""Sentences that only the page says: its verdict, its headings. Everything shared comes from core.wording. Pure."""

import math
from collections.abc import Sequence
from datetime import tzinfo

from watchkeeper.core.alerts import Alert, Concern, Priority
from watchkeeper.core.observation import Answer, Condition, Deadline, Level, Observation
from watchkeeper.core.rules import Finding
from watchkeeper.core.wording import about, duration, fill, instant, moment, thing, time_left_phrase
from watchkeeper.web.board import Board, Place, Standing, Well

_NUMBERS = (
    "No", "One", "Two", "Three", "Four", "Five", "Six", "Seven", "Eight", "Nine", "Ten", "Eleven", "Twelve",
)  # fmt: skip


def counted(count: int, one: str, many: str) -> str:
    """`One thing`, `Three things`, `40 things`."""
    return f"{_NUMBERS[count] if count < len(_NUMBERS) else count} {one if count == 1 else many}"


def verdict(board: Board) -> str:
    """Does anything need the keeper? The page's first sentence."""
    if board.newest_at is None and not board.needing:
        return "The watch has just begun"
    if not board.needing:
        return "Nothing new needs you" if board.known or board.aside else "Nothing needs you"
    told = counted(len(board.needing), "thing needs you", "things need you")
    return f"{told} at once" if board.needing[0].alert.priority is Priority.ALARM else told


def by_when(board: Board, zone: tzinfo) -> str:
    """The second sentence: by when, or what comes next."""
    if board.newest_at is None and not board.needing:
        return "No sample has come yet. The first ones come within a minute or so; this page then shows what they say."
    ends = [
        s.finding.ends_at for s in board.needing if s.finding and s.alert.concern in {Concern.FULL, Concern.OVERDUE}
    ]
    ahead = sorted(at for at in ends if at is not None and at > board.at)
    if ahead and len(ahead) == len(board.needing):
        return f"The {'time' if len(ahead) == 1 else 'first time'} is up {moment(ahead[0], zone, board.at)}."
    if board.needing and ahead:
        return f"Of the rest, the first time is up {moment(ahead[0], zone, board.at)}."
    if board.needing:
        return ""
    return _next(board)


def _next(board: Board) -> str:
    """What comes first on the staff: an end that is estimated goes before an appointment, which is kept as a rule."""
    estimated = [p for p in board.places if p.forecast]
    if estimated:
        first = estimated[0]
        return f"The nearest end: {thing(first.finding.key)}, {left(first)}."
    return "No level has an end in sight within a year." if board.quiet or board.places else ""


def left(place: Place) -> str:
    """A place's time left on the staff, short: `about 3 days`, `20 h`; an appointment that has passed is `now`."""
    if place.left_s <= 0:
        return "now"
    return about(place.left_s) if place.forecast else duration(place.left_s)


def between(earliest_s: float | None, latest_s: float | None) -> str:
    """The 90 % interval in words; empty where there is none."""
    if earliest_s is None:
        return ""
    if latest_s is None:
        return f"{duration(earliest_s)} at the earliest"
    if duration(earliest_s) == duration(latest_s):
        return ""
    return f"{_rough(earliest_s)} to {_rough(latest_s)}"


def _rough(seconds: float) -> str:
    return about(seconds).removeprefix("about ")


def interval_of(finding: Finding) -> str:
    """A finding's 90 % interval as instants' distance from when it was found; empty where it has none."""
    if finding.concern is not Concern.FULL or finding.earliest_at is None or finding.ends_at is None:
        return ""
    if finding.ends_at <= finding.at:
        return ""
    latest_s = (finding.latest_at - finding.at).total_seconds() if finding.latest_at else None
    return between((finding.earliest_at - finding.at).total_seconds(), latest_s)


def fact(standing: Standing, board: Board, zone: tzinfo) -> str:
    """What is the matter with it, in a few words without the subject."""
    alert, finding = standing.alert, standing.finding
    if not alert.standing:
        return "over"
    return time_left_phrase(finding, board.at, zone) if finding else alert.concern.value


def why(finding: Finding | None) -> str:
    """What the thing itself says, where it says something that the fact does not."""
    if finding is None or finding.concern not in {Concern.SILENT, Concern.UNSOUND}:
        return ""
    return finding.reason


def since(alert: Alert, board: Board, zone: tzinfo) -> str:
    """Since when an alert stands, or when it ended."""
    if not alert.standing and alert.ended_at:
        return f"ended {instant(alert.ended_at, zone, board.at)}, by itself"
    if alert.raised_at is None:
        return ""
    lasted_s = (board.at - alert.raised_at).total_seconds()
    return f"told since {instant(alert.raised_at, zone, board.at)}, {duration(lasted_s)} ago"


def summary(seen: Observation | None) -> str:
    """The newest observation in a few words."""
    match seen:
        case None:
            return "nothing seen yet"
        case Level():
            return fill(seen) if math.isfinite(seen.used) and seen.capacity > 0 else "no figures"
        case Answer():
            return f"answered in {seconds(seen.took_s)}" if seen.answered else seen.reason or "no answer"
        case Condition():
            return "sound" if seen.sound else seen.reason or "unsound"
        case Deadline():
            return "kept so far" if seen.last_at else "has never happened"


def seconds(took_s: float | None) -> str:
    """A time taken: `38 ms`, `1.2 s`."""
    if took_s is None:
        return "unknown time"
    return f"{took_s * 1000:.0f} ms" if took_s < 1 else f"{took_s:.1f} s"


def well_line(groups: Sequence[tuple[Well, int]]) -> str:
    """What is well, counted: `14 answering, 9 sound`."""
    return ", ".join(f"{count} {why.value}" for why, count in groups)
