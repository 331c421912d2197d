"""Reads what was committed since a cursor, in batches, on a connection of its own that only reads.

Each batch is read in one transaction, so that a sample that is rolled up at that moment is seen as a sample or in its
hour, and never in neither. Rows that are damaged are left out: they are moved away and are no longer part of the
record. Not here: where the rows go (archive/), and the cursor's form (cursor.py).
"""

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from watchkeeper.store import connection as database
from watchkeeper.store.history.rollup import CREDIBLE_SAMPLE, CREDIBLE_STRETCH, DAY_MS, HOUR_MS
from watchkeeper.store.replication.cursor import LATE_OWNER, OWNER, Cursor, Late, Mark, late_of
from watchkeeper.store.rows import checked_rows
from watchkeeper.store.rows.checked_rows import Form, RowDamaged, Values
from watchkeeper.store.rows.codec import text_column

MOST_ROWS = 20_000
"""Rows of samples in a batch: 3 MB in memory, and less than half a second of the server."""

MOST_RECORDS = 2_000
"""Rows of other tables in a batch, of each: a row may hold some kilobytes."""

WINDOW_MS = 6 * HOUR_MS
"""The span of time that is copied of every series before the next one, so that an archive that catches up moves forward
in time."""

CHANGING: dict[str, Form[Any]] = {
    "latest": checked_rows.LATEST_FORM,
    "findings": checked_rows.FINDING_FORM,
    "alerts": checked_rows.ALERT_FORM,
    "forecasts": checked_rows.FORECAST_FORM,
    "outbox": checked_rows.OUTBOX_FORM,
}
"""Tables whose rows change: what was copied of them is told by their checksums."""

ENDING = {
    "latest": "SELECT key FROM latest JOIN series ON series.id = latest.series",
    "findings": "SELECT key, concern FROM findings",
    "alerts": "SELECT key, concern FROM alerts",
}
"""Tables whose rows end, with the query of the keys that are left."""

_SAMPLES = (
    "SELECT series, at_ms, value, bound FROM samples WHERE series = ? AND at_ms > ? AND at_ms <= ?"  # noqa: S608  fixed
    f" AND {CREDIBLE_SAMPLE} ORDER BY at_ms LIMIT ?"
)
_NEXT = "SELECT at_ms FROM samples WHERE series = ? AND at_ms > ? ORDER BY at_ms LIMIT 1"
_STRETCHES = (
    "SELECT series, stretch, samples, without, least, total, most, last_ms, last, bound FROM {table}"  # noqa: S608  fixed
    f" WHERE series = ? AND stretch > ? AND {CREDIBLE_STRETCH} ORDER BY stretch"
)


@dataclass(slots=True)
class Batch:
    """What is copied at once. Rows are as they are stored, without checksums.

    series: all of them. changed: by table, the rows to be written. keys: by table, the columns of the key of all its
    rows, where some may have ended. present: by table, number and checksum of the rows that are copied after
    this batch. after: the cursor then. more: there is more to copy now.
    """

    series: list[Values] = field(default_factory=list)
    samples: list[Values] = field(default_factory=list)
    hours: list[Values] = field(default_factory=list)
    days: list[Values] = field(default_factory=list)
    events: list[Values] = field(default_factory=list)
    changes: list[Values] = field(default_factory=list)
    changed: dict[str, list[Values]] = field(default_factory=dict)
    keys: dict[str, list[Values]] = field(default_factory=dict)
    present: dict[str, dict[int, int]] = field(default_factory=dict)
    after: Cursor = field(default_factory=Cursor)
    more: bool = False


class Source:
    """The database of this host. Belongs to the thread that made it."""

    def __init__(self, path: Path) -> None:
        """Raises StoreError where there is no readable database."""
        self._path = path
        self._conn = database.open_reading(path)

    def close(self) -> None:
        """Close the connection."""
        self._conn.close()

    def cursor_text(self) -> str:
        """The cursor as it was stored last; empty where none was."""
        return self._note(OWNER)

    def late(self) -> dict[int, Late]:
        """The samples that were written with a clock set back, by series."""
        return late_of(self._note(LATE_OWNER))

    def batch(self, cursor: Cursor, copied: Mapping[str, Mapping[int, int]]) -> Batch:
        """What comes after a cursor. copied: by table, number and checksum of each row that the archive has."""
        with self._snapshot():
            found = Batch(after=cursor)
            found.series = [row[1:-1] for row in self._good(checked_rows.SERIES_FORM, "ORDER BY id")]
            self._read_stretches(found)
            self._read_samples(found)
            self._read_lines(found)
            for table in CHANGING:
                self._read_changed(found, table, copied.get(table, {}))
        return found

    @contextmanager
    def _snapshot(self) -> Iterator[None]:
        with database.translated(self._path):
            self._conn.execute("BEGIN")
            try:
                yield
            finally:
                self._conn.execute("ROLLBACK")

    def _note(self, owner: str) -> str:
        with database.translated(self._path):
            found = list(self._good(checked_rows.PROBE_STATE_FORM, "WHERE owner = ?", (text_column(owner),)))
        return checked_rows.PROBE_STATE_FORM.read(found[0]) if found else ""

    def _good(self, form: Form[Any], which: str = "", values: Values = ()) -> Iterator[Values]:
        """Rows whose checksum is right."""
        for row in self._conn.execute(f"{form.selected} {which}", values).fetchall():
            try:
                form.verify(row)
            except RowDamaged:
                continue
            yield row

    def _mark(self, found: Batch, row: Values) -> Mark:
        """The mark of a series; a new one where the number belonged to another series."""
        mark = found.after.marks.get(row[0])
        return mark if mark is not None and mark.first_at_us == row[6] else Mark(row[6])

    def _read_stretches(self, found: Batch) -> None:
        """Roll-ups of samples that were not copied before they were rolled up: at the start, and after weeks."""
        marks = dict[int, Mark]()
        for row in found.series:
            number, mark = row[0], self._mark(found, row)
            if len(found.hours) + len(found.days) < MOST_ROWS:
                for table, rows, width, last in (
                    ("hours", found.hours, HOUR_MS, mark.hour),
                    ("days", found.days, DAY_MS, mark.day),
                ):
                    since = max(last, mark.at_ms // width - 1)
                    new = self._conn.execute(_STRETCHES.format(table=table), (number, since)).fetchall()
                    rows.extend(new)
                    if new:
                        mark = replace(mark, **{table[:-1]: new[-1][1]})
            else:
                found.more = True
            marks[number] = mark
        found.after = replace(found.after, marks=marks)

    def _read_samples(self, found: Batch) -> None:
        """Samples up to the same instant of every series, as far as they fit."""
        if found.more:
            return
        marks = dict(found.after.marks)
        starts = (self._conn.execute(_NEXT, (number, mark.at_ms)).fetchone() for number, mark in marks.items())
        first = min((row[0] for row in starts if row is not None), default=None)
        if first is None:
            return
        until = first + WINDOW_MS
        for number, mark in marks.items():
            room = MOST_ROWS - len(found.samples)
            if room <= 0:
                break
            rows = self._conn.execute(_SAMPLES, (number, mark.at_ms, until, room)).fetchall()
            found.samples += rows
            # What is not credible is passed over, but only up to where this read has looked.
            newest = rows[-1][1] if rows and len(rows) == room else max(mark.at_ms, self._passed(number, until))
            marks[number] = replace(mark, at_ms=newest)
        found.after = replace(found.after, marks=marks)
        found.more = any(self._conn.execute(_NEXT, (n, mark.at_ms)).fetchone() for n, mark in marks.items())

    def _passed(self, series: int, until: int) -> int:
        """The newest sample up to an instant, credible or not."""
        row = self._conn.execute(
            "SELECT at_ms FROM samples WHERE series = ? AND at_ms <= ? ORDER BY at_ms DESC LIMIT 1", (series, until)
        ).fetchone()
        return -1 if row is None else int(row[0])

    def _read_lines(self, found: Batch) -> None:
        """Tables that only grow, by their numbers."""
        found.events, events = self._after(checked_rows.EVENT_FORM, found.after.events)
        found.changes, changes = self._after(checked_rows.CHANGE_FORM, found.after.changes)
        found.more = found.more or MOST_RECORDS in (len(found.events), len(found.changes))
        found.after = replace(found.after, events=events, changes=changes)

    def _after(self, form: Form[Any], last: int) -> tuple[list[Values], int]:
        rows = list(self._good(form, "WHERE id > ? ORDER BY id LIMIT ?", (last, MOST_RECORDS)))
        return [row[:-1] for row in rows], rows[-1][0] if rows else last

    def _read_changed(self, found: Batch, table: str, copied: Mapping[int, int]) -> None:
        """Rows that are new or have another checksum."""
        form = CHANGING[table]
        place = form.place[0]
        present = dict(self._conn.execute(f"SELECT {place}, crc FROM {table} WHERE crc IS NOT NULL").fetchall())  # noqa: S608  fixed texts
        new = [number for number, crc in present.items() if copied.get(number) != crc]
        if table in ENDING and (not copied or copied.keys() - present.keys()):
            found.keys[table] = self._conn.execute(ENDING[table]).fetchall()
        if len(new) > MOST_RECORDS:
            found.more = True
            for number in new[MOST_RECORDS:]:
                del present[number]
            new = new[:MOST_RECORDS]
        found.present[table] = present
        found.changed[table] = []
        for start in range(0, len(new), 500):
            some = new[start : start + 500]
            places = ", ".join("?" * len(some))
            found.changed[table] += [row[:-1] for row in self._good(form, f"WHERE {place} IN ({places})", tuple(some))]
