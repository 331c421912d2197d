"""A point in time as an option of a command, for `--since` and `--until`: the same words everywhere.

Not here: how long something lasts (amounts.py), and the API, whose times have an offset (web/http/parameters.py).
"""

import contextlib
import re
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta, tzinfo

import click

from watchkeeper.clock import Clock
from watchkeeper.model.units import parse_duration

HELP = "Such as 2d (ago), yesterday, Tue, 14:05, 2026-11, 2026-11-27 or '2026-11-27 14:05'."
"""What may be written, for the help of an option."""

_WEEKDAYS = ("monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday")
_MONTH = re.compile(r"(\d{4})-(\d{2})")
_CLOCK = re.compile(r"\d{1,2}:\d{2}(:\d{2})?")
_UNIT = re.compile(r"\s*\b(?:(s)econds?|(m)inutes?|(h)ours?|(d)ays?|(w)eeks?)\b")


@dataclass(frozen=True, slots=True)
class Moment:
    """A point in time that was written, and can be read."""

    text: str

    def at(self, zone: tzinfo) -> datetime | None:
        """The time that it means now, in a zone if it names none; None if it is before the calendar begins."""
        return _read(self.text, Clock().now().astimezone(zone))


class When(click.ParamType[Moment]):
    """A point in time: see HELP. A day is its beginning, a weekday the last one, a time of day the last such time."""

    name = "when"

    def convert(self, value: object, param: click.Parameter | None, ctx: click.Context | None) -> Moment:
        """Check that it can be read."""
        found = value if isinstance(value, Moment) else Moment(str(value).strip())
        try:
            _read(found.text, Clock().now().astimezone())
        except ValueError:
            self.fail(
                f'"{found.text}" is not a time; write how long ago (2d), a day (yesterday, Tue, 2026-11-27), '
                "a month (2026-11), or a time (14:05, 2026-11-27 14:05)",
                param,
                ctx,
            )
        return found


def _read(text: str, now: datetime) -> datetime | None:
    """The time that a text means. Raises ValueError if it means none."""
    with contextlib.suppress(ValueError):
        return _ago(text, now)
    day, _, clock = text.strip().partition(" ")
    if _CLOCK.fullmatch(day) and not clock:
        at = datetime.combine(now, _clock(day), now.tzinfo)
        return at if at <= now else datetime.combine(now - timedelta(days=1), _clock(day), now.tzinfo)
    if (found := _day(day.casefold(), now)) is not None:
        return datetime.combine(found, _clock(clock.strip()) if clock else time(), now.tzinfo)
    at = datetime.fromisoformat(text)
    return at if at.tzinfo is not None else at.replace(tzinfo=now.tzinfo)


def _ago(text: str, now: datetime) -> datetime | None:
    """How long ago, as a duration with or without "ago". Raises ValueError if it is none."""
    short = _UNIT.sub(lambda unit: next(filter(None, unit.groups())), text.casefold().strip())
    seconds = parse_duration(short.removesuffix("ago"))
    try:
        return now - timedelta(seconds=seconds)
    except OverflowError:
        return None


def _day(word: str, now: datetime) -> date | None:
    """The day that a word means: today, yesterday, the last such weekday, or the first of a month."""
    if word in {"today", "yesterday"}:
        return now.date() - timedelta(days=word == "yesterday")
    for number, name in enumerate(_WEEKDAYS):
        if len(word) >= len("mon") and name.startswith(word):
            return now.date() - timedelta(days=(now.weekday() - number) % len(_WEEKDAYS))
    month = _MONTH.fullmatch(word)
    return date(int(month[1]), int(month[2]), 1) if month else None


def _clock(text: str) -> time:
    return time.fromisoformat(text.zfill(5) if text.count(":") == 1 else text.zfill(8))
