"""Reads what can still be read of a damaged database, and writes it into a new one.

A broken page makes SQLite fail where it is met, so that a table is read from place to place: after a failure, the
reading goes on at the first key behind the broken stretch. What comes out is checked like any input, because bytes that
were overwritten need not fail. It reads the newest form of the tables: what a new migration adds is added here too. Not
here: which file is damaged, and what becomes of it (mending.py).
"""

import json
import math
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import suppress
from itertools import chain
from typing import Any

from watchkeeper.core.observation import Kind, Unit
from watchkeeper.core.records import Entry, Parceled
from watchkeeper.errors import StoreError
from watchkeeper.store import parcels
from watchkeeper.store.codec import ALERT, FINDING, LINE, MESSAGE, OBSERVATION, key_column, key_of, text_column
from watchkeeper.store.instants import from_us

Row = tuple[Any, ...]

LARGEST_ID = 2**40
"""Keys are looked for up to here: more rows than fit on any disk."""
LATEST_MS = 2**47
"""Samples are looked for up to the year 6429; SQLite keeps such instants in 6 bytes."""
GRAIN_MS = 60_000
"""How near the end of a broken stretch of samples is found: a broken page holds an hour of them at least."""

UNREADABLE = (sqlite3.Error, MemoryError, OverflowError, UnicodeDecodeError)
"""What a broken page may end in: bad lengths ask for more memory than there is, SQLite's words quote what is broken."""
UNFIT = (StoreError, ValueError, TypeError, KeyError, AttributeError, ArithmeticError)
"""What a broken row may end in when it is checked."""


def salvage(damaged: sqlite3.Connection, new: sqlite3.Connection) -> dict[str, int]:
    """Copy into a new database, inside the caller's transaction, what can be read. Returns rows by table."""
    counts = {"series": _copy(new, "series", chain(_read(damaged, "series", "id", _series), _from_latest(damaged)))}
    numbers = [number for (number,) in new.execute("SELECT id FROM series")]
    for table, key, grain in (("samples", "at_ms", GRAIN_MS), ("hours", "stretch", 1), ("days", "stretch", 1)):
        rows = (row for number in numbers for row in _of_series(damaged, table, key, number, grain))
        counts[table] = _copy(new, table, rows)
    known = set(numbers)
    counts["latest"] = _copy(new, "latest", (r for r in _read(damaged, "latest", "series", _latest) if r[0] in known))
    for table, check in (("findings", _finding), ("alerts", _alert), ("journal", _line), ("outbox", _parcel)):
        counts[table] = _copy(new, table, _read(damaged, table, "id", check))
    counts["notes"] = _copy(new, "notes", _few(damaged, "notes", _note))
    counts["check_ins"] = _copy(new, "check_ins", _few(damaged, "check_ins", _check_in))
    _copy(new, "life", _read(damaged, "life", "id", _life))
    _set_right(damaged, new)
    return counts


def _copy(new: sqlite3.Connection, table: str, rows: Iterator[Row]) -> int:
    """Insert rows, but for those that do not fit and those that a broken tree gave twice; how many there are then."""
    columns = len(new.execute(f"SELECT * FROM {table} LIMIT 0").description)  # noqa: S608  fixed texts
    insert = f"INSERT OR IGNORE INTO {table} VALUES ({', '.join('?' * columns)})"  # noqa: S608  fixed texts
    fitting = (row for row in rows if len(row) == columns)
    left = True
    while left:
        # A row that the new table refuses is used up, and the rest of them go on.
        with suppress(sqlite3.IntegrityError):
            new.executemany(insert, fitting)
            left = False
    (count,) = new.execute(f"SELECT count(*) FROM {table}").fetchone()  # noqa: S608  fixed texts
    return int(count)


# From place to place --------------------------------------------------------------------------------------------------


def _read(damaged: sqlite3.Connection, table: str, key: str, fits: Callable[[Row], object]) -> Iterator[Row]:
    """A table's readable rows that fit, by its number."""
    sql = f"SELECT * FROM {table} WHERE {key} BETWEEN ? AND ? ORDER BY {key}"  # noqa: S608  fixed texts
    return (row for row in _reach(damaged, sql, (), 0, LARGEST_ID, 1) if _holds(fits, row))


def _of_series(damaged: sqlite3.Connection, table: str, key: str, series: int, grain: int) -> Iterator[Row]:
    """A series' readable samples, hours or days."""
    sql = f"SELECT * FROM {table} WHERE series = ? AND {key} BETWEEN ? AND ? ORDER BY {key}"  # noqa: S608  fixed texts
    found = _reach(damaged, sql, (series,), 0, LATEST_MS, grain, place=1)
    return (row for row in found if row[0] == series and all(map(_number, row)))


def _few(damaged: sqlite3.Connection, table: str, fits: Callable[[Row], object]) -> Iterator[Row]:
    """The rows of a small table up to the first that is broken, from either end."""
    for order in ("ASC", "DESC"):
        try:
            for row in damaged.execute(f"SELECT * FROM {table} ORDER BY 1 {order}"):  # noqa: S608  fixed texts
                if _holds(fits, row):
                    yield row
        except UNREADABLE:
            continue
        return


def _reach(
    damaged: sqlite3.Connection, sql: str, given: Row, low: int, high: int, grain: int, place: int = 0
) -> Iterator[Row]:
    """Rows with a key from low to high, in its order, but for those in broken stretches. place: the key's column."""
    while low <= high:
        try:
            for row in damaged.execute(sql, (*given, low, high)):
                # In a tree with a broken page a key may be anything.
                if isinstance(row[place], int) and low <= row[place] <= high:
                    yield row
                    low = row[place] + 1
        except UNREADABLE:
            low = _behind(damaged, sql, given, low, high, grain)
        else:
            return


def _behind(damaged: sqlite3.Connection, sql: str, given: Row, low: int, high: int, grain: int) -> int:
    """The first key from which reading goes on: found in strides that double, then halved back."""
    bad, stride = low, grain
    while bad + stride <= high and not _reads(damaged, sql, (*given, bad + stride, high)):
        bad, stride = bad + stride, 2 * stride
    good = bad + stride
    while good - bad > grain:
        middle = (bad + good) // 2
        if _reads(damaged, sql, (*given, middle, high)):
            good = middle
        else:
            bad = middle
    return good


def _reads(damaged: sqlite3.Connection, sql: str, values: Row) -> bool:
    try:
        damaged.execute(sql, values).fetchone()
    except UNREADABLE:
        return False
    return True


# What fits ------------------------------------------------------------------------------------------------------------


def _holds(fits: Callable[[Row], object], row: Row) -> bool:
    try:
        fits(row)
    except UNFIT:
        return False
    return True


def _number(value: object) -> bool:
    return value is None or (isinstance(value, int | float) and math.isfinite(value))


def _series(row: Row) -> object:
    _, key, kind, unit, probe, interval_s, _ = row
    return key_column(key_of(key)), Kind(kind), unit and Unit(unit), text_column(json.loads(probe)), 1 / interval_s


def _latest(row: Row) -> object:
    return OBSERVATION.loads(row[2])


def _finding(row: Row) -> object:
    return FINDING.loads(row[3])


def _alert(row: Row) -> object:
    return ALERT.loads(row[3])


def _line(row: Row) -> object:
    return Entry(row[2]), LINE.loads(row[4])


def _parcel(row: Row) -> object:
    return Parceled(row[3]), MESSAGE.loads(row[10]), text_column(json.loads(row[9])), json.loads(row[1])


def _note(row: Row) -> object:
    return [json.loads(text) for text in row]


def _check_in(row: Row) -> object:
    return json.loads(row[0]), from_us(row[2]), json.loads(row[3])


def _life(row: Row) -> object:
    return from_us(row[1])


# What is put together again -------------------------------------------------------------------------------------------


def _from_latest(damaged: sqlite3.Connection) -> Iterator[Row]:
    """Series whose own row is lost, made from their newest observation; the next look of their probe says the rest."""
    for number, at_us, text in _read(damaged, "latest", "series", _latest):
        seen = OBSERVATION.loads(text)
        unit = getattr(seen, "unit", None)
        yield number, key_column(seen.key), seen.kind.value, unit and unit.value, text_column(""), 60.0, at_us


def _set_right(damaged: sqlite3.Connection, new: sqlite3.Connection) -> None:
    """What must be true of the rows together."""
    new.execute("INSERT OR IGNORE INTO life (id, alive_at_us) SELECT 1, max(at_us) FROM latest HAVING max(at_us) > 0")
    for notifier, thread in new.execute("SELECT DISTINCT notifier, thread FROM outbox").fetchall():
        parcels.crown(new, notifier, thread)
    # No id of a journal line or a parcel is used twice, though the newest of them may be lost.
    for name, newest in _few(damaged, "sqlite_sequence", lambda row: 1 / row[1]):
        new.execute("UPDATE sqlite_sequence SET seq = max(seq, ?) WHERE name = ?", (newest, name))
