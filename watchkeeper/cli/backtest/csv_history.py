"""Reads a recorded history: a CSV of time, used and capacity. Errors name line, column, value and remedy.

Not here: how the record is evaluated (alerting/backtest.py) and how the result is shown (backtest.py).
"""

import csv
import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from watchkeeper.errors import InputError, InputMissing

COLUMNS = ("time", "used", "capacity")


@dataclass(frozen=True, slots=True)
class Record:
    """A level's samples in time order. at_s: seconds since 1970."""

    at_s: Sequence[float]
    used: Sequence[float]
    capacity: Sequence[float]

    def __len__(self) -> int:
        return len(self.at_s)


def read_csv(path: Path) -> Record:
    """Read a record. Raises InputError; InputMissing where the file cannot be read."""
    try:
        with path.open(encoding="utf-8-sig", newline="") as file:
            return _read(file, path.name)
    except OSError as error:
        raise InputMissing(f"{path}: cannot be read: {error.strerror}; name a CSV file with {_header()}") from None
    except UnicodeDecodeError as error:
        raise InputError(f"{path}: is not UTF-8 text ({error.reason}); name a CSV file with {_header()}") from None


def _header() -> str:
    return f"the columns {', '.join(COLUMNS)}"


def _read(file: Iterable[str], name: str) -> Record:
    lines = csv.reader(file)
    try:
        places = _places(next(lines, []), name)
        table = list(_rows(lines, places, name))
    except csv.Error as error:
        raise InputError(f"{name}, line {lines.line_num}: is not CSV: {error}") from None
    if not table:
        raise InputError(f"{name}: has no samples below its header; at least one is needed")
    at_s, used, capacity = zip(*table, strict=True)
    return Record(at_s, used, capacity)


def _places(header: Sequence[str], name: str) -> tuple[int, ...]:
    found = [each.strip().lower() for each in header]
    missing = [each for each in COLUMNS if each not in found]
    if missing:
        first = ", ".join(header)[:80]
        raise InputError(f'{name}, line 1: no column {" and no ".join(missing)} in "{first}"; begin with {_header()}')
    return tuple(found.index(each) for each in COLUMNS)


def _rows(lines: "Iterator[list[str]]", places: Sequence[int], name: str) -> Iterator[tuple[float, float, float]]:
    before = -math.inf
    for number, line in enumerate(lines, start=2):
        if not line:
            continue
        where = f"{name}, line {number}"
        if len(line) <= max(places):
            raise InputError(f"{where}: holds {len(line)} values; write {', '.join(COLUMNS)} on every line")
        time, used, capacity = (line[place].strip() for place in places)
        at_s = _time(time, where)
        if at_s < before:
            raise InputError(f'{where}, column time: "{time}" is earlier than the line before; sort the lines by time')
        before = at_s
        yield at_s, _number(used, "used", where, least=0), _capacity(capacity, where)


def _time(text: str, where: str) -> float:
    try:
        at = datetime.fromisoformat(text)
    except ValueError:
        remedy = "write it as 2026-11-27T14:05:00Z (RFC 3339)"
        raise InputError(f'{where}, column time: "{text[:40]}" is not an instant; {remedy}') from None
    if at.tzinfo is None:
        raise InputError(f'{where}, column time: "{text[:40]}" has no zone; add Z for UTC, or an offset such as +01:00')
    return at.timestamp()


def _number(text: str, column: str, where: str, least: float) -> float:
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not (math.isfinite(value) and value >= least):
        raise InputError(f'{where}, column {column}: "{text[:40]}" is not a plain number of at least {least:.0f}')
    return value


def _capacity(text: str, where: str) -> float:
    value = _number(text, "capacity", where, least=0)
    if value == 0:
        raise InputError(f"{where}, column capacity: a capacity of 0 holds nothing; leave out samples that had none")
    return value
