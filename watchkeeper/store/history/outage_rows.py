"""The rows of outages: a reason when one begins, and its times when its samples are rolled up; and how they are read.

While every sample is kept, the samples say when a service did not answer, and only the reason is stored here. When they
are rolled up, what they say of outages is added here in the same transaction, so an outage is neither lost nor counted
twice. Not here: sums (model/history/availability.py).
"""

import sqlite3
from collections.abc import Sequence
from datetime import datetime
from typing import Any

from watchkeeper.model.history.availability import Outage, Piece, outages, with_reasons
from watchkeeper.model.observation import Kind
from watchkeeper.store.history.answer_history import exact_pieces
from watchkeeper.store.history.rollup import CREDIBLE_SAMPLE, CREDIBLE_STRETCH, DAY_MS, HOUR_MS, Chore, Step
from watchkeeper.store.rows import checked_rows
from watchkeeper.store.rows.checked_rows import OUTAGE_FORM, OutageRow, RowDamaged
from watchkeeper.store.rows.codec import text_column
from watchkeeper.store.rows.timestamps import to_ms

MOST = 2_000
"""Rows of one service, the newest: more than one outage a day for five years, and about 200 kB."""

REASON_LENGTH = 200

_ROW = (
    "INSERT INTO outages (series, begin_ms, end_ms, down_ms, reason, crc) VALUES (?, ?, ?, ?, ?, ?)"
    " ON CONFLICT (series, begin_ms) DO UPDATE SET"
    " end_ms = excluded.end_ms, down_ms = excluded.down_ms, reason = excluded.reason, crc = excluded.crc"
)
_BOUND = (
    "DELETE FROM outages WHERE series = :series AND begin_ms <="
    " (SELECT begin_ms FROM outages WHERE series = :series ORDER BY begin_ms DESC LIMIT 1 OFFSET :most)"
)
_OLD = "DELETE FROM outages WHERE id IN (SELECT id FROM outages WHERE coalesce(end_ms, begin_ms) < ? LIMIT ?)"
_NOTES = "DELETE FROM outages WHERE series = ? AND down_ms = 0 AND begin_ms < ?"
_NEXT = f"SELECT min(at_ms) FROM samples WHERE series = ? AND at_ms >= ? AND {CREDIBLE_SAMPLE}"  # noqa: S608  fixed text
_MISSING = "SELECT 1 FROM samples WHERE series = ? AND at_ms < ? AND value IS NULL LIMIT 1"
_ANSWERED = f"""
SELECT max(at_ms) FROM samples WHERE series = ? AND at_ms < ? AND value IS NOT NULL AND {CREDIBLE_SAMPLE}
"""  # noqa: S608  fixed text
_ROLLED_UP = f"""
SELECT max(
    coalesce((SELECT stretch * {HOUR_MS} + last_ms FROM hours WHERE series = :series AND {CREDIBLE_STRETCH}
        ORDER BY stretch DESC LIMIT 1), 0),
    coalesce((SELECT stretch * {DAY_MS} + last_ms FROM days WHERE series = :series AND {CREDIBLE_STRETCH}
        ORDER BY stretch DESC LIMIT 1), 0))
"""  # noqa: S608  fixed text


def note(conn: sqlite3.Connection, series: int, at_ms: int, reason: str) -> None:
    """Write why a service stopped answering, inside the caller's transaction, and delete the oldest of too many."""
    known = "SELECT 1 FROM outages WHERE series = ? AND begin_ms = ?"
    if conn.execute(known, (series, at_ms)).fetchone() is None:
        _write(conn, OutageRow(series, at_ms, None, 0, reason[:REASON_LENGTH]))
        conn.execute(_BOUND, {"series": series, "most": MOST})


def fold(conn: sqlite3.Connection, series: int, cut_ms: int) -> None:
    """Keep what the samples from before a time say of outages; the caller then deletes the samples."""
    kind, interval_s = conn.execute("SELECT kind, interval_s FROM series WHERE id = ?", (series,)).fetchone()
    if kind != Kind.ANSWER.value:
        return
    lasting = _lasting(conn, series)
    if lasting is None and conn.execute(_MISSING, (series, cut_ms)).fetchone() is None:
        return
    notes = _reasons(conn, series)
    for each in with_reasons(outages(_before(conn, series, cut_ms, interval_s), lasting), notes):
        end_ms = None if each.end_s is None else _ms(each.end_s)
        _write(conn, OutageRow(series, _ms(each.begin_s), end_ms, _ms(each.down_s), each.reason))
    conn.execute(_NOTES, (series, cut_ms))
    conn.execute(_BOUND, {"series": series, "most": MOST})


def _before(conn: sqlite3.Connection, series: int, cut_ms: int, interval_s: float) -> Sequence[Piece]:
    """What was measured before a time. Samples from before what was rolled up came late: they are not in order."""
    (next_ms,) = conn.execute(_NEXT, (series, cut_ms)).fetchone()
    (since_ms,) = conn.execute(_ROLLED_UP, {"series": series}).fetchone()
    until_ms = cut_ms + int(interval_s * 1000) if next_ms is None else next_ms
    found = exact_pieces(conn, series, since_ms, until_ms, interval_s)
    return [each for each in found if _ms(each.begin_s) < cut_ms]


def listed(conn: sqlite3.Connection, series: int, since_ms: int, until_ms: int, interval_s: float) -> Sequence[Outage]:
    """The outages of which a part is between two times, oldest first, with their true begin."""
    rows = _rows(conn, "WHERE series = ? AND down_ms > 0 AND end_ms > ? AND begin_ms < ?", (series, since_ms, until_ms))
    lasting = _lasting(conn, series)
    (answered_ms,) = conn.execute(_ANSWERED, (series, since_ms)).fetchone()
    from_ms = 0 if lasting is not None else answered_ms or 0
    found = outages(exact_pieces(conn, series, from_ms, until_ms, interval_s), lasting)
    newer = [each for each in found if each.overlaps(since_ms / 1000, until_ms / 1000)]
    return [*map(_outage, rows), *with_reasons(newer, _reasons(conn, series))]


def drop(before: datetime) -> Chore:
    """Delete outages that ended before an instant."""

    def step(conn: sqlite3.Connection, limit: int, _after: int) -> Step:
        rows = conn.execute(_OLD, (to_ms(before), limit)).rowcount
        return Step(rows, 0 if rows == limit else None)

    return step


def _lasting(conn: sqlite3.Connection, series: int) -> Outage | None:
    """The outage that had not ended with the newest sample that was rolled up."""
    found = _rows(conn, "WHERE series = ? AND down_ms > 0 AND end_ms IS NULL", (series,))
    return _outage(found[-1]) if found else None


def _reasons(conn: sqlite3.Connection, series: int) -> Sequence[tuple[float, str]]:
    """Why the service stopped answering, for outages whose samples are not rolled up."""
    return [(row.begin_ms / 1000, row.reason) for row in _rows(conn, "WHERE series = ? AND down_ms = 0", (series,))]


def _rows(conn: sqlite3.Connection, which: str, values: Sequence[Any]) -> list[OutageRow]:
    """Rows that can be read, oldest first; damaged ones are found by the regular check."""
    found = []
    for row in conn.execute(f"{OUTAGE_FORM.selected} {which} ORDER BY begin_ms", values):
        try:
            found.append(OUTAGE_FORM.read(row))
        except RowDamaged:
            continue
    return found


def _outage(row: OutageRow) -> Outage:
    end_s = None if row.end_ms is None else row.end_ms / 1000
    return Outage(row.begin_ms / 1000, end_s, row.down_ms / 1000, row.reason)


def _write(conn: sqlite3.Connection, row: OutageRow) -> None:
    values = (*row[:4], text_column(row.reason))
    conn.execute(_ROW, (*values, checked_rows.checksum(*values)))


def _ms(at_s: float) -> int:
    return round(at_s * 1000)
