"""Hours of the week in the operator's time zone: quiet hours, and times at which something is due.

All are local times of a zone and follow daylight-saving changes: a night from 22:00 to 07:00 then lasts eight or ten
hours. An hour that occurs twice belongs to the span both times; a time in a skipped hour counts as that hour's end.
What may live here: parsing them, and converting them to instants. Not here: what waits for them (routing.py).
"""

import re
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta, tzinfo

DAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
EVERY_DAY = frozenset(range(7))
DAY_MIN = 24 * 60

_WEEK = timedelta(days=7)
_DAY_WORDS = "([A-Za-z]{3}(?:[-,][A-Za-z]{3})*) +"
_SPAN = re.compile(rf"(?:{_DAY_WORDS})?(\d\d?:\d\d) *- *(\d\d?:\d\d)")
_TIME = re.compile(rf"(?:{_DAY_WORDS})?(\d\d?:\d\d)")


@dataclass(frozen=True, slots=True)
class Span:
    """A span of the day, on some days of the week.

    begin_min, end_min: minutes since midnight; a span that ends no later than it begins runs into the next day.
    days: those on which it begins, 0 for Monday.
    """

    begin_min: int
    end_min: int
    days: frozenset[int] = EVERY_DAY

    def __str__(self) -> str:
        return f"{_days_text(self.days)}{_clock_text(self.begin_min)}-{_clock_text(self.end_min)}"

    def on(self, day: date, zone: tzinfo) -> tuple[datetime, datetime]:
        """Begin and end of the span that begins on this day; both in UTC."""
        last = day if self.end_min > self.begin_min else day + timedelta(days=1)
        return _instant(day, self.begin_min, zone, fold=0), _instant(last, self.end_min, zone, fold=1)


@dataclass(frozen=True, slots=True)
class Due:
    """A time of day, on some days of the week: `07:30`, `Mon 07:30`."""

    at_min: int
    days: frozenset[int] = EVERY_DAY

    def __str__(self) -> str:
        return f"{_days_text(self.days)}{_clock_text(self.at_min)}"

    def last(self, now: datetime, zone: tzinfo) -> datetime:
        """The newest instant at which it was due that is not after `now`."""
        today = now.astimezone(zone).date()
        past = (today - timedelta(days=back) for back in range(9))
        return next(
            at for day in past if day.weekday() in self.days and (at := _instant(day, self.at_min, zone, fold=0)) <= now
        )

    def last_of_month(self, now: datetime, zone: tzinfo) -> datetime:
        """The newest instant not after `now` at which it was due on the first day of a month, on any weekday."""
        first = now.astimezone(zone).date().replace(day=1)
        before = (first - timedelta(days=1)).replace(day=1)
        at = _instant(first, self.at_min, zone, fold=0)
        return at if at <= now else _instant(before, self.at_min, zone, fold=0)


def parse_span(text: str) -> Span:
    """Parse `22:00-07:00`, `Fri-Sun 23:00-09:00`, `Sat,Sun 00:00-24:00`. Raises ValueError."""
    found = _SPAN.fullmatch(text.strip())
    if found is None:
        raise ValueError('not a span of hours; write one such as "22:00-07:00" or "Fri-Sun 23:00-09:00"')
    begin, end = _minutes(found[2]), _minutes(found[3])
    if begin in {DAY_MIN, end}:
        raise ValueError('has no length; write a whole day as "00:00-24:00"')
    return Span(begin, end, _days(found[1]))


def parse_due(text: str) -> Due:
    """Parse `07:30`, `Mon 07:30`. Raises ValueError."""
    found = _TIME.fullmatch(text.strip())
    if found is None or (at := _minutes(found[2])) == DAY_MIN:
        raise ValueError('not a time of day; write one such as "07:30", or "Mon 07:30" for once a week')
    return Due(at, _days(found[1]))


def quiet_until(spans: tuple[Span, ...], now: datetime, zone: tzinfo) -> datetime:
    """The first instant from `now` on that is in none of the spans; `now` itself if it is in none.

    A week ahead if there is no such instant: `leaves_time` detects such spans beforehand.
    """
    free_at, far = now, now + _WEEK
    while free_at < far:
        today = free_at.astimezone(zone).date()
        nights = (each.on(day, zone) for each in spans for day in _around(today) if day.weekday() in each.days)
        ends = [end for begin, end in nights if begin <= free_at < end]
        if not ends:
            return free_at
        free_at = max(ends)
    return far


def leaves_time(spans: tuple[Span, ...]) -> bool:
    """Is there a minute of the week outside all spans?"""
    quiet: set[int] = set()
    for each in spans:
        length = (each.end_min - each.begin_min - 1) % DAY_MIN + 1
        for day in each.days:
            begin = day * DAY_MIN + each.begin_min
            quiet.update(minute % (7 * DAY_MIN) for minute in range(begin, begin + length))
    return len(quiet) < 7 * DAY_MIN


def _around(day: date) -> tuple[date, ...]:
    # A span that begins at the end of the day before yesterday can reach into today if an hour occurs twice.
    return tuple(day + timedelta(days=each) for each in (-2, -1, 0))


def _instant(day: date, minute: int, zone: tzinfo, *, fold: int) -> datetime:
    """A local time as an instant. fold: which of the two if the hour occurs twice."""
    local = datetime.combine(day, time(), UTC) + timedelta(minutes=minute)
    local = local.replace(tzinfo=zone, fold=fold)
    at = local.astimezone(UTC)
    if at.astimezone(zone).replace(tzinfo=None) == local.replace(tzinfo=None):
        return at
    return _end_of_gap(local.replace(fold=1).astimezone(UTC), local.replace(fold=0).astimezone(UTC), zone)


def _end_of_gap(before: datetime, after: datetime, zone: tzinfo) -> datetime:
    """The instant between two at which the clocks changed: the end of the skipped hour."""
    was = before.astimezone(zone).utcoffset()
    while after - before > timedelta(seconds=1):
        middle = before + (after - before) / 2
        if middle.astimezone(zone).utcoffset() == was:
            before = middle
        else:
            after = middle
    return after.replace(microsecond=0)


def _minutes(text: str) -> int:
    hours, minutes = map(int, text.split(":"))
    if minutes > 59 or hours * 60 + minutes > DAY_MIN:
        raise ValueError(f'holds "{text}", which is no time of day; write 00:00 to 24:00')
    return hours * 60 + minutes


def _days(text: str | None) -> frozenset[int]:
    if text is None:
        return EVERY_DAY
    found: set[int] = set()
    for part in text.split(","):
        first, *more = (_day(each) for each in part.split("-"))
        if len(more) > 1:
            raise ValueError(f'holds "{part}", which is no range of days; write one such as Mon-Fri')
        found.update((first + each) % 7 for each in range((more[-1] - first) % 7 + 1 if more else 1))
    return frozenset(found)


def _day(text: str) -> int:
    try:
        return DAYS.index(text.capitalize())
    except ValueError:
        raise ValueError(f'holds "{text}", which is no day; write {", ".join(DAYS)}') from None


def _days_text(days: frozenset[int]) -> str:
    return "" if days == EVERY_DAY else f"{','.join(DAYS[each] for each in sorted(days))} "


def _clock_text(minute: int) -> str:
    return f"{minute // 60:02}:{minute % 60:02}"
