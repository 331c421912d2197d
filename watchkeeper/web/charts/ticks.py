"""Positions and labels of an axis' ticks: sizes in IEC units, counts, shares, durations, calendar times.

Pure. Every function returns (value, text) pairs in rising order, at most a few more than `count`, and at least one.
"""

import math
from collections.abc import Callable, Iterator, Sequence
from datetime import datetime, timedelta, tzinfo

from watchkeeper.model.units import DAY_S, HOUR_S, MINUTE_S, format_size

Tick = tuple[float, str]
Ticks = Callable[[float, float, int], list[Tick]]
"""(low, high, count) -> ticks."""


DURATION_STEPS_S = (
    *(s * 10.0**e for e in range(-6, 0) for s in (1, 2, 5)),
    *(1.0, 2.0, 5.0, 10.0, 30.0),
    *(m * MINUTE_S for m in (1, 2, 5, 10, 30)),
    *(h * HOUR_S for h in (1, 2, 6, 12)),
    *(d * DAY_S for d in (1, 2, 7, 14, 30, 60, 90, 180, 365)),
)

IEC = ("B", "KiB", "MiB", "GiB", "TiB", "PiB")

CLOCK_STEPS_S = (*(m * MINUTE_S for m in (1, 2, 5, 10, 15, 30)), *(h * HOUR_S for h in (1, 2, 3, 6, 12)))
DAY_STEPS = (1, 2, 3, 7, 14)
MONTH_STEPS = (1, 2, 3, 6, 12)


def nice(span: float, count: int) -> float:
    """The least of 1, 2, 5 times a power of ten that divides span into at most count parts."""
    raw = max(span / max(count, 1), 1e-300)
    power: float = 10.0 ** math.floor(math.log10(raw))
    return next(step * power for step in (1, 2, 5, 10, 20) if step * power >= raw * (1 - 1e-9))


def _multiples(low: float, high: float, step: float) -> Iterator[float]:
    i = math.ceil(low / step - 1e-9)
    while i * step <= high + step * 1e-9:
        yield i * step
        i += 1


def size_ticks(low: float, high: float, count: int) -> list[Tick]:
    """Bytes: round numbers of one IEC unit, which all labels have."""
    # The unit in which format_size writes the highest value: fewer than a thousand of it.
    power = next((i for i in range(5) if high < 1000 * 1024.0**i), 5)
    unit = 1024.0**power
    step = max(nice((high - low) / unit, count) * unit, 1.0)
    return [(v, f"{v / unit:.6g} {IEC[power]}" if v else "0") for v in _multiples(low, high, step)] or [
        (high, format_size(high))
    ]


def count_ticks(low: float, high: float, count: int) -> list[Tick]:
    """Counts: whole numbers, shortened with k, M, G."""
    step = max(nice(high - low, count), 1.0)
    return [(v, short(v)) for v in _multiples(low, high, step)] or [(high, short(high))]


def short(value: float) -> str:
    """A count in few characters: 262144 -> `262 k`."""
    for power, letter in ((1e15, "P"), (1e12, "T"), (1e9, "G"), (1e6, "M"), (1e3, "k")):
        if abs(value) >= power:
            return f"{value / power:.3g} {letter}"
    return f"{value:.3g}"


def share_ticks(low: float, high: float, count: int) -> list[Tick]:
    """Shares of one, as percent."""
    step = nice(high - low, count)
    return [(v, f"{v * 100:.3g} %") for v in _multiples(low, high, step)] or [(high, f"{high * 100:.3g} %")]


def duration_ticks(low: float, high: float, count: int) -> list[Tick]:
    """Seconds, as durations; below zero if something is late."""
    raw = (high - low) / max(count, 1)
    step = next((s for s in DURATION_STEPS_S if s >= raw), nice(high - low, count))
    return [(v, duration(v)) for v in _multiples(low, high, step)] or [(high, duration(high))]


def duration(seconds: float) -> str:
    """A tick's duration: `20 ms`, `5 s`, `6 h`, `14 d`."""
    size = abs(seconds)
    for unit_s, word in ((DAY_S, "d"), (HOUR_S, "h"), (MINUTE_S, "min"), (1.0, "s"), (1e-3, "ms"), (1e-6, "µs")):
        if size >= unit_s:
            return f"{seconds / unit_s:.3g} {word}".replace("-", "−")
    return "0"


def calendar_ticks(since_s: float, until_s: float, count: int, zone: tzinfo) -> list[Tick]:
    """Times (seconds since 1970) that are round on the clock or calendar of a zone."""
    raw = (until_s - since_s) / max(count, 1)
    start = datetime.fromtimestamp(since_s, zone)
    clock = next((s for s in CLOCK_STEPS_S if s >= raw), None)
    days = next((d for d in DAY_STEPS if d * DAY_S >= raw), None)
    if clock is not None:
        found = _clock(start, clock, until_s)
    elif days is not None:
        found = _days(start, days, until_s)
    else:
        months = next((m for m in MONTH_STEPS if m * 30.4 * DAY_S >= raw), 12 * math.ceil(raw / (365 * DAY_S)))
        found = _months(start, months, until_s)
    ticks = [(at.timestamp(), text) for at, text in found if since_s <= at.timestamp() <= until_s]
    return ticks or [(until_s, f"{datetime.fromtimestamp(until_s, zone):%H:%M}")]


def _clock(start: datetime, step_s: float, until_s: float) -> Iterator[tuple[datetime, str]]:
    """Round clock times. They are counted on the wall clock, so that they stay round when summer time changes."""
    at = start.replace(hour=0, minute=0, second=0, microsecond=0)
    step = timedelta(seconds=step_s)
    at += step * int((start.replace(tzinfo=None) - at.replace(tzinfo=None)) / step)
    while at.timestamp() <= until_s:
        midnight = at.hour == at.minute == 0
        yield at, f"{at.day} {at:%b}" if midnight else f"{at:%H:%M}"
        at += step


def _days(start: datetime, step: int, until_s: float) -> Iterator[tuple[datetime, str]]:
    at = start.replace(hour=0, minute=0, second=0, microsecond=0) + timedelta(days=1)
    at += timedelta(days=-at.toordinal() % step) if step < 7 else timedelta(days=-at.weekday() % 7)
    while at.timestamp() <= until_s:
        yield at, f"{at.day} {at:%b}"
        at += timedelta(days=step)


def _months(start: datetime, step: int, until_s: float) -> Iterator[tuple[datetime, str]]:
    month = start.year * 12 + start.month
    month += -month % step
    while True:
        at = datetime(month // 12, month % 12 + 1, 1, tzinfo=start.tzinfo)
        if at.timestamp() > until_s:
            return
        yield at, str(at.year) if at.month == 1 else f"{at:%b}"
        month += step


def labelled(ticks: Sequence[Tick], room: float, place: Callable[[float], float]) -> list[Tick]:
    """The ticks whose labels do not overlap, if each label takes `room` of the axis."""
    kept: list[Tick] = []
    for tick in ticks:
        if not kept or place(tick[0]) - place(kept[-1][0]) >= room:
            kept.append(tick)
    return kept
