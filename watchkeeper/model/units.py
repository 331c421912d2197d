"""Durations and sizes as people write and read them: `15m`, `1d12h`, `32 GiB` (IEC 80000-13), and back."""

import re
from fractions import Fraction

MINUTE_S, HOUR_S, DAY_S, WEEK_S = 60.0, 3_600.0, 86_400.0, 604_800.0
"""Seconds in each unit."""

SECONDS = {"s": 1, "m": 60, "h": 3_600, "d": 86_400, "w": 604_800}
"""The units of a duration."""

BYTES = {
    "B": 1,
    "KiB": 2**10, "MiB": 2**20, "GiB": 2**30, "TiB": 2**40, "PiB": 2**50,
    "kB": 10**3, "MB": 10**6, "GB": 10**9, "TB": 10**12, "PB": 10**15,
}  # fmt: skip
"""The units of a size: IEC 80000-13, and the SI units in which disks are sold."""

_DURATION = re.compile(r"(\d+(?:\.\d+)?)\s*([smhdw])")
_SIZE = re.compile(r"(\d+(?:\.\d+)?)\s*([A-Za-z]+)?")
_BY_CASE = {unit.lower(): unit for unit in BYTES}


def parse_duration(text: str) -> float:
    """Seconds in a duration such as `90s`, `15m`, `1h30m` or `2d`. Raises ValueError with what is allowed."""
    squeezed = text.strip().lower()
    parts = _DURATION.findall(squeezed)
    if not parts or _DURATION.sub("", squeezed).strip():
        raise ValueError(f"{text!r} is not a duration; write a number and a unit (s, m, h, d, w), such as 15m or 1h30m")
    return float(sum(Fraction(number) * SECONDS[unit] for number, unit in parts))


def parse_size(text: str) -> int:
    """Bytes in a size such as `32 GiB`, `1.5 TB` or `4096`. Raises ValueError with what is allowed."""
    found = _SIZE.fullmatch(text.strip())
    unit = _BY_CASE.get((found.group(2) or "B").lower()) if found else None
    if found is None or unit is None:
        raise ValueError(f"{text!r} is not a size; write a number and a unit ({', '.join(BYTES)}), such as 32 GiB")
    return round(Fraction(found.group(1)) * BYTES[unit])


PACE_DAYS = {"hour": 1 / 24, "day": 1.0, "week": 7.0}
"""The time units of a growth rate, in days."""


def parse_pace(text: str) -> float:
    """Bytes per day in a growth rate such as `1GiB/day`. Raises ValueError with what is allowed."""
    size, slash, time = text.partition("/")
    days = PACE_DAYS.get(time.strip().lower())
    if not slash or days is None:
        raise ValueError(f"{text!r} is not a growth; write a size and /hour, /day or /week, such as 1GiB/day")
    return parse_size(size) / days


def format_duration(seconds: float) -> str:
    """A duration as it is written in the configuration: 5400 -> `1h30m`. Exact for whole seconds.

    In days and not in weeks, as limits are usually given: `30d` and not `4w2d`.
    """
    rest, out = round(seconds), ""
    for unit in ("d", "h", "m", "s"):
        count, rest = divmod(rest, SECONDS[unit])
        out += f"{count}{unit}" if count else ""
    return out or "0s"


def format_age(seconds: float) -> str:
    """How long something has lasted, without small units: from a day on in hours, from ten minutes on in minutes."""
    step_s = HOUR_S if seconds >= DAY_S else MINUTE_S if seconds >= 10 * MINUTE_S else 1.0
    return format_duration(max(seconds // step_s * step_s, 0.0))


def format_size(size_bytes: float) -> str:
    """A size for people, in IEC units with three digits: 34359738368 -> `32 GiB`."""
    size, unit = abs(size_bytes), "B"
    for bigger in ("KiB", "MiB", "GiB", "TiB", "PiB"):
        if size < 1000:
            break
        size, unit = size / 1024, bigger
    digits = 0 if unit == "B" or size >= 100 else 1 if size >= 10 else 2
    number = f"{size:.{digits}f}"
    if "." in number:
        number = number.rstrip("0").rstrip(".")
    return f"{'-' if size_bytes < 0 else ''}{number} {unit}"
