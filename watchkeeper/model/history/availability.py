"""How long a service did not answer, and how often: by day, week, month and year. Pure.

Time in which nothing was measured (the daemon did not run, the host was off) is counted apart, never as an answer nor
as a missing one. Not here: where the measurements come from (store/history/answer_history.py).
"""

from bisect import bisect_left
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta, tzinfo
from enum import StrEnum
from typing import assert_never

GAP_INTERVALS = 3.0
"""A longer pause between two samples, in intervals, was not measured; the rule for `not_reporting` uses this number."""


class Period(StrEnum):
    """The calendar periods of a report, in the operator's time zone. A week begins on Monday (ISO 8601)."""

    DAY = "day"
    WEEK = "week"
    MONTH = "month"
    YEAR = "year"


@dataclass(frozen=True, slots=True)
class Piece:
    """A stretch of time and what was measured in it; pieces follow each other in time and do not overlap.

    begin_s, end_s: seconds since 1970. measured_s: how much of it was measured; down_s: how much of that it did not
    answer. ends_down: its last answer was missing. exact: all of it answered, or none of it; else it is a roll-up, in
    which several outages count as one.
    """

    begin_s: float
    end_s: float
    measured_s: float
    down_s: float
    ends_down: bool
    exact: bool = True


@dataclass(frozen=True, slots=True)
class Outage:
    """One outage. end_s: the first answer after it; None if it lasts.

    down_s: how much of it was measured, in seconds: in the rest the daemon did not run. reason: why it did not count as
    an answer, as was seen first; empty if that is not known.
    """

    begin_s: float
    end_s: float | None
    down_s: float
    reason: str = ""

    def overlaps(self, begin_s: float, end_s: float) -> bool:
        """Is a part of it in this time?"""
        return self.begin_s < end_s and (self.end_s is None or self.end_s > begin_s)


@dataclass(frozen=True, slots=True)
class AnswerHistory:
    """What is known of a service in a time. outages: oldest first, with their true times, also outside of that time.

    unlisted: for roll-ups with missing answers of which no outage is listed: their begin, and whether one begins there.
    """

    pieces: Sequence[Piece] = ()
    outages: Sequence[Outage] = ()
    unlisted: Sequence[tuple[float, bool]] = ()


@dataclass(frozen=True, slots=True)
class Availability:
    """What was measured in a period. outages: those that began in it; at_least: there may have been more of them."""

    begin_s: float
    end_s: float
    measured_s: float
    down_s: float
    outages: int
    at_least: bool

    @property
    def not_measured_s(self) -> float:
        """How long nothing was measured."""
        return max(0.0, self.end_s - self.begin_s - self.measured_s)

    @property
    def share(self) -> float | None:
        """The answered part of what was measured, 0 to 1; None if nothing was."""
        return None if self.measured_s <= 0 else 1 - self.down_s / self.measured_s


RESOLUTION_S = 0.001
"""Samples are stored by the millisecond: the first one of a series may be that much before the series' own begin."""


def history_of(pieces: Sequence[Piece], listed: Sequence[Outage]) -> AnswerHistory:
    """The history of a service from what was measured, and the outages that are known; both oldest first."""
    unlisted, was_down = [], False
    begins = [each.begin_s for each in listed]
    for each in pieces:
        if each.down_s > 0 and not each.exact:
            before = listed[: bisect_left(begins, each.end_s)][-1:]
            if not any(outage.overlaps(each.begin_s, each.end_s) for outage in before):
                unlisted.append((each.begin_s, not was_down))
        was_down = each.ends_down
    return AnswerHistory(pieces, listed, unlisted)


def availability(history: AnswerHistory, begin_s: float, end_s: float) -> Availability:
    """The sums over a period. A roll-up across its border counts with its share."""
    measured_s = down_s = 0.0
    for each in history.pieces:
        part = _inside(each, begin_s, end_s)
        measured_s += each.measured_s * part
        down_s += each.down_s * part
    first_s, last_s = begin_s - RESOLUTION_S, end_s - RESOLUTION_S
    listed = sum(first_s <= each.begin_s < last_s for each in history.outages)
    others = [begins for at_s, begins in history.unlisted if first_s <= at_s < last_s]
    return Availability(begin_s, end_s, measured_s, down_s, listed + sum(others), bool(others))


def _inside(piece: Piece, begin_s: float, end_s: float) -> float:
    """Which share of a piece lies within a period."""
    length_s = piece.end_s - piece.begin_s
    if length_s <= 0:
        return float(begin_s <= piece.begin_s < end_s)
    return max(0.0, min(piece.end_s, end_s) - max(piece.begin_s, begin_s)) / length_s


def outages(pieces: Iterable[Piece], lasting: Outage | None = None) -> list[Outage]:
    """The outages whose times are known exactly, oldest first: not those of roll-ups.

    lasting: an outage from before the pieces that had not ended; it is continued, or ends with the first answer.
    """
    found = [] if lasting is None else [lasting]
    for each in pieces:
        if not each.exact:
            continue
        last = found[-1] if found and found[-1].end_s is None else None
        if each.down_s > 0 and last is None:
            found.append(Outage(each.begin_s, None, each.down_s))
        elif each.down_s > 0 and last is not None:
            found[-1] = replace(last, down_s=last.down_s + each.down_s)
        elif last is not None:
            found[-1] = replace(last, end_s=each.begin_s)
    return found


def with_reasons(found: Iterable[Outage], reasons: Sequence[tuple[float, str]]) -> Iterator[Outage]:
    """The outages, each with the first reason that was noted during it. reasons: times in seconds, oldest first."""
    times = [at_s for at_s, _ in reasons]
    for each in found:
        noted = reasons[bisect_left(times, each.begin_s - RESOLUTION_S) :][:1]
        if each.reason or not noted or not each.overlaps(noted[0][0], noted[0][0] + RESOLUTION_S):
            yield each
        else:
            yield replace(each, reason=noted[0][1])


def periods(kind: Period, since: datetime, until: datetime, zone: tzinfo) -> Iterator[tuple[date, datetime, datetime]]:
    """Every calendar period between two times, oldest first: its first day, its begin and its end, cut to the times."""
    first = _first_day(kind, since.astimezone(zone).date())
    while (begin := _midnight(first, zone)) < until:
        following = _next(kind, first)
        yield first, max(begin, since), min(_midnight(following, zone), until)
        first = following


def period_of(kind: Period, day: date, zone: tzinfo) -> tuple[datetime, datetime]:
    """Begin and end of the period that a day is in."""
    first = _first_day(kind, day)
    return _midnight(first, zone), _midnight(_next(kind, first), zone)


def begin_of(kind: Period, now: datetime, zone: tzinfo) -> datetime:
    """When the present period began."""
    return _midnight(_first_day(kind, now.astimezone(zone).date()), zone)


def _first_day(kind: Period, day: date) -> date:
    match kind:
        case Period.DAY:
            return day
        case Period.WEEK:
            return day - timedelta(days=day.weekday())
        case Period.MONTH:
            return day.replace(day=1)
        case Period.YEAR:
            return day.replace(month=1, day=1)
        case _:
            assert_never(kind)


def _next(kind: Period, first: date) -> date:
    match kind:
        case Period.DAY:
            return first + timedelta(days=1)
        case Period.WEEK:
            return first + timedelta(days=7)
        case Period.MONTH:
            return (first + timedelta(days=31)).replace(day=1)
        case Period.YEAR:
            return first.replace(year=first.year + 1)
        case _:
            assert_never(kind)


def _midnight(day: date, zone: tzinfo) -> datetime:
    return datetime(day.year, day.month, day.day, tzinfo=zone)
