"""Availability in words, for the page, the command and the monthly report. Pure."""

from collections.abc import Mapping, Sequence
from datetime import UTC, date, datetime, tzinfo
from typing import assert_never

from watchkeeper.messages.wording import clean, duration, exact_instant
from watchkeeper.model.history.availability import Availability, Outage, Period

_MONTHS = (
    "January", "February", "March", "April", "May", "June", "July", "August", "September", "October", "November",
    "December",
)  # fmt: skip
_DAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")

LEAST_NAMED_S = 60.0
"""A shorter time in which nothing was measured, such as a restart, is not mentioned."""

LEAST_APART = 0.01
"""Nor is less than this share of an outage: the newest sample may be an interval old."""

LONGEST_REASON = 100
"""Characters of a reason in a list."""


def period_name(kind: Period, first: date) -> str:
    """`Fri 27 Nov 2026`, `week 48 of 2026`, `November 2026`, `2026`."""
    month = _MONTHS[first.month - 1]
    match kind:
        case Period.DAY:
            return f"{_DAYS[first.weekday()]} {first.day} {month[:3]} {first.year}"
        case Period.WEEK:
            year, week, _ = first.isocalendar()
            return f"week {week} of {year}"
        case Period.MONTH:
            return f"{month} {first.year}"
        case Period.YEAR:
            return str(first.year)
        case _:
            assert_never(kind)


def share(part: float) -> str:
    """`99.98 %`; rounded down, so that 100 % means that every answer came."""
    return f"{int(part * 10_000) / 100:.2f} %" if part < 1 else "100 %"


def no_answer(found: Availability) -> str:
    """`no answer for 68 s, 1 outage`."""
    if found.measured_s <= 0:
        return "nothing was measured"
    if found.down_s <= 0:
        return "always answered"
    count = "1 outage" if found.outages == 1 else f"{found.outages} outages"
    return f"no answer for {duration(found.down_s)}, {'at least ' if found.at_least else ''}{count}"


def sentence(found: Availability) -> str:
    """All of it: `no answer for 68 s, 1 outage; answered 99.98 %; not measured for 3 h`."""
    parts = [no_answer(found)]
    if found.share is not None and found.down_s > 0:
        parts.append(f"answered {share(found.share)}")
    if found.measured_s > 0 and found.not_measured_s >= LEAST_NAMED_S:
        parts.append(f"not measured for {duration(found.not_measured_s)}")
    return "; ".join(parts)


def outage_words(outage: Outage, zone: tzinfo, now: datetime) -> str:
    """`Mon 30 Nov 10:33:03 to Mon 30 Nov 10:34:11, 68 s: connection refused`."""
    begin = exact_instant(datetime.fromtimestamp(outage.begin_s, UTC), zone, now)
    length_s = (now.timestamp() if outage.end_s is None else outage.end_s) - outage.begin_s
    if outage.end_s is None:
        said = f"since {begin}, {duration(length_s)} so far"
    else:
        said = f"{begin} to {exact_instant(datetime.fromtimestamp(outage.end_s, UTC), zone, now)}, {duration(length_s)}"
    apart_s = length_s - outage.down_s
    apart = (
        f", not measured for {duration(apart_s)} of it" if apart_s >= max(LEAST_NAMED_S, LEAST_APART * length_s) else ""
    )
    return f"{said}{apart}" + (f": {clean(outage.reason, LONGEST_REASON)}" if outage.reason else "")


def report(found: Mapping[str, Availability]) -> Sequence[str]:
    """One line for each service, the longest without an answer first."""
    worst = sorted(found.items(), key=lambda each: (-each[1].down_s, each[0]))
    return [f"{clean(subject, 60)}: {sentence(each)}" for subject, each in worst]
