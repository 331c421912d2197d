"""Reads what can still be read of a damaged database, and writes it into a new one.

A broken page makes SQLite fail at that page, so a table is read in sections: after a failure, reading continues at the
first key behind the broken section. The result is checked like any input, because overwritten bytes need not cause an
error. Nothing relies on the order of keys: one of them may be what is damaged. It reads the newest format of the
tables, and formats without checksums: what a new migration adds is added here too. Not here: which file is damaged, and
what happens to it (repair.py).
"""

import math
import sqlite3
from collections.abc import Callable, Collection, Iterable, Iterator
from contextlib import closing, suppress
from datetime import datetime
from operator import itemgetter
from pathlib import Path
from typing import Any

from watchkeeper.store import statements
from watchkeeper.store.history.rollup import LATEST_MS
from watchkeeper.store.migrations import names
from watchkeeper.store.recovery import inspection, quarantine, raw_pages, replacement
from watchkeeper.store.rows import checked_rows, outbox_rows
from watchkeeper.store.rows.checked_rows import UNFIT, Form, RowDamaged, SeriesRow
from watchkeeper.store.rows.codec import key_column

Row = tuple[Any, ...]

LARGEST_ID = 2**40
"""More rows than fit on any disk."""
HIGHEST = LATEST_MS
"""Keys are searched up to here."""
GRAIN_MS = 60_000
"""How precisely the end of a broken section of samples is found: a broken page holds at least an hour of them."""
COLUMNS = {"samples": 4, "hours": 10, "days": 10}
"""The columns of the tables that consist of numbers."""
HOUR_MS = 3_600_000
FIRST_HOUR = 100_000
"""Hours since 1970 are more than this from 1981 on, and days are until 2243."""
HELD = 1_000
"""Rows held back because their key jumps; more come from a tree without any order, and are taken as they come."""

UNREADABLE = (sqlite3.Error, MemoryError, OverflowError, UnicodeError)
"""Errors that a broken page may cause: bad lengths ask for too much memory, SQLite's messages quote what is broken."""


def salvage(damaged: sqlite3.Connection, new: sqlite3.Connection, at: datetime) -> dict[str, int]:
    """Copy into a new database, inside the caller's transaction, what can be read. Returns rows by table.

    Rows that can be reached but not decoded go to the new database's quarantine.
    """
    damaged.text_factory = checked_rows.text_of
    source = _Source(damaged, new, at)
    counts = {"series": source.copy(checked_rows.SERIES_FORM)}
    _series_from_latest(source)
    counts["series"] = _count(new, "series")
    numbers = [number for (number,) in new.execute("SELECT id FROM series")]
    broken = list[str]()
    for table, key, grain in (("samples", "at_ms", GRAIN_MS), ("hours", "stretch", 1), ("days", "stretch", 1)):
        whole = list[bool]()
        counts[table] = _copy(new, table, _of_every_series(damaged, table, key, numbers, grain, whole))
        if not whole:
            broken.append(table)
    if broken:
        counts |= _from_pages(damaged, new, broken, frozenset(numbers))
    counts["latest"] = source.copy(checked_rows.LATEST_FORM, frozenset(numbers))
    for form in (
        checked_rows.FINDING_FORM,
        checked_rows.ALERT_FORM,
        checked_rows.EVENT_FORM,
        checked_rows.OUTBOX_FORM,
        checked_rows.FORECAST_FORM,
        checked_rows.DECISION_FORM,
        checked_rows.CHANGE_FORM,
        checked_rows.OUTAGE_FORM,
    ):
        counts[form.table] = source.copy(form)
    counts["probe_states"] = source.copy(checked_rows.PROBE_STATE_FORM)
    counts["job_reports"] = source.copy(checked_rows.JOB_REPORT_FORM)
    source.copy(checked_rows.STORE_STATE_FORM)
    with suppress(*UNREADABLE):  # an older format has none
        _copy(new, "quarantine", iter(damaged.execute("SELECT * FROM quarantine ORDER BY id LIMIT 1000").fetchall()))
        new.execute(statements.QUARANTINE_SOURCES)
    source.tell_refused()
    _set_right(damaged, new, at)
    return counts


class _Source:
    """The tables with checksums of a damaged database, to be copied into a new one."""

    def __init__(self, damaged: sqlite3.Connection, new: sqlite3.Connection, at: datetime) -> None:
        self.damaged, self.new, self.at = damaged, new, at
        self._refused: list[tuple[Form[Any], Row, str]] = []

    def copy(self, form: Form[Any], known: Collection[int] | None = None) -> int:
        """Copy the good rows of a table; returns the resulting count. known: numbers that a row's place may have."""
        for row, after in self.good(form):
            if known is None or row[0] in known:
                self._insert(form, row, after)
        return _count(self.new, form.table)

    def good(self, form: Form[Any]) -> Iterator[tuple[Row, int | None]]:
        """Rows that can be read; those whose number jumps come last, with the number of the row before."""
        found = (row for row in self._rows_of(form) if not inspection.numbered(form) or isinstance(row[0], int))
        for row, after in in_order(found) if inspection.numbered(form) else ((row, None) for row in found):
            try:
                yield _checked(form, row), after
            except RowDamaged as error:
                if len(self._refused) < quarantine.KEPT:
                    self._refused.append((form, row, str(error)))

    def _rows_of(self, form: Form[Any]) -> Iterator[Row]:
        """A table's rows as its form selects them, however they can be reached."""
        selected = self._selected(form)
        if inspection.numbered(form):
            return _reach(self.damaged, selected, form.place[0], (), 1, key_at=0)
        return _few(self.damaged, selected)

    def _selected(self, form: Form[Any]) -> str:
        """The query of a table, by the names of its version. Versions 1 and 2 have no checksums."""
        renamed = names.BY_NAME.get(form.table)
        old = form.selected if renamed is None else renamed.old.selected
        for sql in (form.selected, old):
            with suppress(*UNREADABLE):
                self.damaged.execute(f"{sql} LIMIT 0")
                return sql
        return old.replace(", crc FROM", ", NULL FROM")

    def _insert(self, form: Form[Any], row: Row, after: int | None) -> None:
        named = dict(zip((*form.place, *form.columns), row, strict=True)) | _derived(form)
        named["crc"] = checked_rows.checksum(*row[len(form.place) :])
        columns = ", ".join(named)
        sql = f"INSERT OR IGNORE INTO {form.table} ({columns}) VALUES ({', '.join(f':{n}' for n in named)})"  # noqa: S608  fixed texts
        with suppress(sqlite3.IntegrityError, *UNREADABLE):
            if self.new.execute(sql, named).rowcount or after is None or form.place[0] in form.columns:
                return
            # Its number belongs to another row, so the number is what changed: it gets the one after the row before it,
            # if that is free.
            self.new.execute(sql, {**named, form.place[0]: after + 1})

    def tell_refused(self) -> None:
        """Keep the rows that could be reached but not decoded."""
        for form, row, why in self._refused:
            place = str(row[0])
            about, content = quarantine.about(form, form.values_of(row)), quarantine.content_of(form, row)
            with suppress(*UNFIT):
                quarantine.keep(self.new, form.table, place, why, about, content, self.at)


def _checked(form: Form[Any], row: Row) -> Row:
    """The row without its checksum, in today's names. Raises RowDamaged. Rows of version 1 or 2 have no checksum."""
    if row[-1] is not None:
        form.verify(row)
    values = form.values_of(row)
    if form.table in names.BY_NAME:
        values = names.BY_NAME[form.table].rewritten(values)
    form.understood(values)
    return *row[: len(form.place)], *values


def _derived(form: Form[Any]) -> dict[str, Any]:
    """Columns that the checksum does not cover and that are corrected afterwards."""
    derived = {checked_rows.OUTBOX_FORM.table: {"head": 0}, checked_rows.STORE_STATE_FORM.table: {"id": 1}}
    return derived.get(form.table, {})


def _series_from_latest(source: _Source) -> None:
    """Make series whose own row is lost from their newest observation; the next run of their probe adds the rest."""
    with closing(source.new.execute("SELECT id, key FROM series")) as found:
        known = {value for row in found for value in row}
    for row, _ in source.good(checked_rows.LATEST_FORM):
        seen = checked_rows.LATEST_FORM.understood(row[1:])
        if row[0] in known or key_column(seen.key) in known:
            continue
        unit = getattr(seen, "unit", None)
        replacement.write_series(source.new, SeriesRow(row[0], seen.key, seen.kind, unit, "", 60.0, row[2]))
        known |= {row[0], key_column(seen.key)}


def _count(new: sqlite3.Connection, table: str) -> int:
    (count,) = new.execute(f"SELECT count(*) FROM {table}").fetchone()  # noqa: S608  fixed texts
    return int(count)


def _copy(new: sqlite3.Connection, table: str, found: Iterator[Row]) -> int:
    """Insert rows as `_put` does; returns the count of the table."""
    _put(new, table, found)
    return _count(new, table)


def _put(new: sqlite3.Connection, table: str, found: Iterator[Row]) -> None:
    """Insert rows, except those that do not fit and those that a broken tree returned twice."""
    columns = len(new.execute(f"SELECT * FROM {table} LIMIT 0").description)  # noqa: S608  fixed texts
    insert = f"INSERT OR IGNORE INTO {table} VALUES ({', '.join('?' * columns)})"  # noqa: S608  fixed texts
    fitting = (row for row in found if len(row) == columns)
    left = True
    while left:
        # A row that the new table refuses is skipped, and the rest continue.
        with suppress(sqlite3.IntegrityError):
            new.executemany(insert, fitting)
            left = False


# Reading in sections --------------------------------------------------------------------------------------------------


def in_order(found: Iterable[Row], key: Callable[[Row], Any] = itemgetter(0)) -> Iterator[tuple[Row, Any]]:
    """Rows as they come, each with None; but a row whose key exceeds the next one's comes last, with the key before.

    A tree returns its rows in the order of their keys. A key that one flipped bit has made larger would otherwise take
    the place of the row that really has it, and hide all rows up to there.
    """
    held: list[tuple[Row, Any]] = []
    waiting: Row | None = None
    before = None
    for row in found:
        if waiting is not None:
            if key(waiting) < key(row) or len(held) >= HELD:
                yield waiting, None
                before = key(waiting)
            else:
                held.append((waiting, before))
        waiting = row
    if waiting is not None:
        yield waiting, None
    yield from held


def _of_every_series(
    damaged: sqlite3.Connection, table: str, key: str, numbers: list[int], grain: int, whole: list[bool]
) -> Iterator[Row]:
    """The readable samples, hours or days: all that a plain scan returns, then, if that failed, series by series.

    whole: is no longer empty if the plain scan returned all of them.
    """
    known = frozenset(numbers)
    scan = (row for row in _plain_scan(damaged, f"SELECT * FROM {table}", whole) if _fits(row, known))  # noqa: S608  fixed texts
    yield from (row for row, _ in in_order(scan, itemgetter(slice(0, 2))))
    if whole:
        return
    for number in numbers:
        sql = f"SELECT * FROM {table} WHERE series = ?"  # noqa: S608  fixed texts
        found = (row for row in _reach(damaged, sql, key, (number,), grain, key_at=1) if _fits(row, known))
        yield from (row for row, _ in in_order(found, itemgetter(1)) if row[0] == number)
        # A broken page may end the series without an error: a row that seems to belong to another one is enough. What
        # lies behind such a page is reached from the other end; rows that were read before are ignored.
        backwards = (
            row for row in _plain_scan(damaged, f"{sql} ORDER BY {key} DESC", [], (number,)) if _fits(row, known)
        )
        yield from (row for row, _ in in_order(backwards, _descending) if row[0] == number)


def _from_pages(
    damaged: sqlite3.Connection, new: sqlite3.Connection, tables: Collection[str], known: Collection[int]
) -> dict[str, int]:
    """Add what the trees of these tables no longer lead to, page by page. Returns rows by table.

    A page whose first and last row are there already was reached by its tree. A sample from before the newest roll-up
    was deleted: its page is free, and the list of free pages is damaged too.
    """
    path = Path(damaged.execute("PRAGMA database_list").fetchone()[2])
    with suppress(OSError):
        for page in raw_pages.pages(path):
            of_numbers = {count: raw_pages.rows(page, count) for count in {COLUMNS[table] for table in tables}}
            for table in tables:
                found = [row for row in of_numbers[COLUMNS[table]] if _fits(row, known) and _is_of(table, row)]
                if found and not (_has(new, table, found[0]) and _has(new, table, found[-1])):
                    _put(new, table, (row for row in found if table != "samples" or not _rolled_up(new, row)))
    return {table: _count(new, table) for table in tables}


def _is_of(table: str, row: Row) -> bool:
    """Hours and days have the same columns; what they count since 1970 differs."""
    return table == "samples" or (row[1] >= FIRST_HOUR) == (table == "hours")


def _has(new: sqlite3.Connection, table: str, row: Row) -> bool:
    key = "at_ms" if table == "samples" else "stretch"
    sql = f"SELECT 1 FROM {table} WHERE series = ? AND {key} = ?"  # noqa: S608  fixed texts
    return new.execute(sql, row[:2]).fetchone() is not None


def _rolled_up(new: sqlite3.Connection, row: Row) -> bool:
    (newest,) = new.execute("SELECT max(stretch) FROM hours WHERE series = ?", row[:1]).fetchone()
    return newest is not None and row[1] // HOUR_MS <= newest


def _plain_scan(damaged: sqlite3.Connection, sql: str, whole: list[bool], given: Row = ()) -> Iterator[Row]:
    """Rows up to the first that cannot be read. whole: is no longer empty if that was the end."""
    try:
        yield from damaged.execute(sql, given)
        whole.append(True)
    except UNREADABLE:
        return


def _descending(row: Row) -> int:
    return -int(row[1])


def _fits(row: Row, known: Collection[int]) -> bool:
    return row[0] in known and isinstance(row[1], int) and 0 <= row[1] <= LATEST_MS and all(map(_number, row))


def _few(damaged: sqlite3.Connection, sql: str) -> Iterator[Row]:
    """The rows of a small table up to the first that is broken, from either end."""
    for order in ("ASC", "DESC"):
        try:
            yield from damaged.execute(f"{sql} ORDER BY 1 {order}")
        except UNREADABLE:
            continue
        return


def _reach(damaged: sqlite3.Connection, selected: str, key: str, given: Row, grain: int, key_at: int) -> Iterator[Row]:
    """Rows in the order of their tree, except those in broken sections. key: the column, at `key_at` of each row.

    There is no upper bound in the query: SQLite ends at the first key beyond it, and one may be anything. Reading
    continues after the last key that the next row has confirmed.
    """
    sql = f"{selected} {'AND' if given else 'WHERE'} {key} >= ? ORDER BY {key}"
    low = 0
    while low <= HIGHEST:
        confirmed, last = low, low
        try:
            for row in damaged.execute(sql, (*given, low)):
                if not isinstance(row[key_at], int):
                    continue
                yield row
                confirmed, last = (last + 1 if low <= last < row[key_at] <= HIGHEST else confirmed), row[key_at]
        except UNREADABLE:
            low = _behind(damaged, sql, given, max(confirmed, low), grain)
        else:
            return


def _behind(damaged: sqlite3.Connection, sql: str, given: Row, low: int, grain: int) -> int:
    """The first key from which reading continues: found in steps that double, then by bisection."""
    bad, stride = low, grain
    while bad + stride <= HIGHEST and not _reads(damaged, sql, (*given, bad + stride)):
        bad, stride = bad + stride, 2 * stride
    good = bad + stride
    while good - bad > grain:
        middle = (bad + good) // 2
        if _reads(damaged, sql, (*given, middle)):
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


def _number(value: object) -> bool:
    return value is None or (isinstance(value, int | float) and math.isfinite(value))


# What is reassembled --------------------------------------------------------------------------------------------------


def _set_right(damaged: sqlite3.Connection, new: sqlite3.Connection, at: datetime) -> None:
    """Restore what must be true of the rows together."""
    if new.execute("SELECT 1 FROM store_state").fetchone() is None:
        replacement.replace_row(new, checked_rows.STORE_STATE_FORM, (), at)
    outbox_rows.recrown(new)
    # No id of an event log line or a delivery is used twice, even if the newest of them was lost.
    for name, newest in _few(damaged, "SELECT name, seq FROM sqlite_sequence"):
        if isinstance(newest, int) and 0 < newest < LARGEST_ID:
            today = "events" if name == "journal" else name
            new.execute("UPDATE sqlite_sequence SET seq = max(seq, ?) WHERE name = ?", (newest, today))
