"""What is deleted after its retention time, other than samples: event log lines, deliveries, series long gone.

Each task takes small steps, like those of rollup.py. Not here: how long each is kept (the configuration), and when the
tasks run (retention_limits.py).
"""

import sqlite3
from contextlib import suppress
from datetime import datetime

from watchkeeper.store.history.rollup import Chore, Step
from watchkeeper.store.recovery import replacement
from watchkeeper.store.rows import checked_rows
from watchkeeper.store.rows.checked_rows import RowDamaged
from watchkeeper.store.rows.codec import ALERT, Unreadable
from watchkeeper.store.rows.timestamps import to_us

# Lines are deleted from the oldest id on, up to the first that must still be kept: a line that was written with the
# clock far behind is not deleted at once.
_LINES = (
    "DELETE FROM events WHERE id IN (SELECT id FROM events"
    " WHERE id < coalesce((SELECT min(id) FROM events WHERE at_us >= :before), (SELECT max(id) FROM events))"
    " AND at_us < :before ORDER BY id LIMIT :limit)"
)
_SERIES = (
    "DELETE FROM series WHERE id = :series AND NOT EXISTS (SELECT 1 FROM samples WHERE series = :series)"
    " AND NOT EXISTS (SELECT 1 FROM hours WHERE series = :series)"
    " AND NOT EXISTS (SELECT 1 FROM days WHERE series = :series)"
)
_FORECASTS = "DELETE FROM forecasts WHERE id IN (SELECT id FROM forecasts WHERE at_us < ? LIMIT ?)"
_DECISIONS = "DELETE FROM decisions WHERE id IN (SELECT id FROM decisions WHERE at_us < ? LIMIT ?)"
_PARCELS = "DELETE FROM outbox WHERE id IN (SELECT id FROM outbox WHERE state = 'delivered' AND done_at_us < ? LIMIT ?)"


def drop_lines(before: datetime) -> Chore:
    """Delete event log lines from before an instant; the newest line of all stays."""
    before_us = to_us(before)

    def step(conn: sqlite3.Connection, limit: int, _after: int) -> Step:
        # The trigger that keeps the event log append-only permits the deletion of lines older than this.
        with suppress(RowDamaged):
            state = checked_rows.store_state(conn)
            if state is not None and state.events_from_us < before_us:
                replacement.write_store_state(conn, state._replace(events_from_us=before_us))
        return _whole(conn.execute(_LINES, {"before": before_us, "limit": limit}).rowcount, limit)

    return step


def drop_delivered(before: datetime) -> Chore:
    """Delete deliveries that were completed before an instant; those that were set aside stay."""

    def step(conn: sqlite3.Connection, limit: int, _after: int) -> Step:
        return _whole(conn.execute(_PARCELS, (to_us(before), limit)).rowcount, limit)

    return step


def drop_forecasts(before: datetime) -> Chore:
    """Delete forecasts that were made before an instant."""

    def step(conn: sqlite3.Connection, limit: int, _after: int) -> Step:
        return _whole(conn.execute(_FORECASTS, (to_us(before), limit)).rowcount, limit)

    return step


def drop_decisions(before: datetime) -> Chore:
    """Delete the reasons of decisions that were made before an instant."""

    def step(conn: sqlite3.Connection, limit: int, _after: int) -> Step:
        return _whole(conn.execute(_DECISIONS, (to_us(before), limit)).rowcount, limit)

    return step


def drop_gone(before: datetime) -> Chore:
    """Delete the newest observation and findings of series not seen since an instant, unless an alert is active.

    The series itself is deleted with the last of its samples, hours and days. Its alerts' episode counts stay, so that
    no later message gets the id of an earlier one.
    """

    def step(conn: sqlite3.Connection, limit: int, after: int) -> Step:
        gone = conn.execute(
            "SELECT id, key FROM series LEFT JOIN latest ON latest.series = id"
            " WHERE id > ? AND coalesce(at_us, 0) < ? ORDER BY id LIMIT ?",
            (after, to_us(before), limit),
        ).fetchall()
        rows = sum(_forget(conn, series, key) for series, key in gone)
        return Step(rows, gone[-1][0] if len(gone) == limit else None, gone=rows > 0)

    return step


def _forget(conn: sqlite3.Connection, series: int, key: str) -> int:
    """Delete what is kept of a series that is gone; returns the number of rows."""
    if _stands(conn, key):
        return 0
    rows = conn.execute("DELETE FROM findings WHERE key = ?", (key,)).rowcount
    rows += conn.execute("DELETE FROM latest WHERE series = ?", (series,)).rowcount
    gone = conn.execute(_SERIES, {"series": series}).rowcount
    return rows + gone + (conn.execute("DELETE FROM outages WHERE series = ?", (series,)).rowcount if gone else 0)


def _stands(conn: sqlite3.Connection, key: str) -> bool:
    """Has the series an alert whose end has not been reported? One that cannot be read counts as such."""
    try:
        found = conn.execute("SELECT body FROM alerts WHERE key = ?", (key,)).fetchall()
        return any(ALERT.loads(body).standing for (body,) in found)
    except Unreadable:
        return True


def _whole(rows: int, limit: int) -> Step:
    return Step(rows, 0 if rows == limit else None)
