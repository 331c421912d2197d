"""What is let go when its time is over, other than samples: journal lines, delivered parcels, series long gone.

Each chore takes small steps, like those of rollup.py. Not here: how long each is kept (the configuration), and when
the chores run (retention_limits.py).
"""

import sqlite3
from contextlib import suppress
from datetime import datetime

from watchkeeper.store import checked_rows
from watchkeeper.store.checked_rows import RowDamaged
from watchkeeper.store.codec import ALERT, Unreadable
from watchkeeper.store.history.rollup import Chore, Step
from watchkeeper.store.recovery import replacement
from watchkeeper.store.timestamps import to_us

# Lines are let go from the oldest id on, up to the first that is still to be kept: a line that was written with the
# clock far behind does not go the moment it has come.
_LINES = (
    "DELETE FROM journal WHERE id IN (SELECT id FROM journal"
    " WHERE id < coalesce((SELECT min(id) FROM journal WHERE at_us >= ?1), (SELECT max(id) FROM journal))"
    " AND at_us < ?1 ORDER BY id LIMIT ?2)"
)
_PARCELS = "DELETE FROM outbox WHERE id IN (SELECT id FROM outbox WHERE state = 'delivered' AND done_at_us < ? LIMIT ?)"


def drop_lines(before: datetime) -> Chore:
    """Journal lines from before an instant are deleted; the newest line of all stays."""
    before_us = to_us(before)

    def step(conn: sqlite3.Connection, limit: int, _after: int) -> Step:
        # The trigger that keeps the journal append-only lets go what is older than this.
        with suppress(RowDamaged):
            life = checked_rows.life_of(conn)
            if life is not None and life.journal_from_us < before_us:
                replacement.write_life(conn, life._replace(journal_from_us=before_us))
        return _whole(conn.execute(_LINES, (before_us, limit)).rowcount, limit)

    return step


def drop_delivered(before: datetime) -> Chore:
    """Parcels that were delivered before an instant are deleted; those that were set aside stay."""

    def step(conn: sqlite3.Connection, limit: int, _after: int) -> Step:
        return _whole(conn.execute(_PARCELS, (to_us(before), limit)).rowcount, limit)

    return step


def drop_gone(before: datetime) -> Chore:
    """Series that were not seen since an instant: their newest observation and findings go, unless an alert stands.

    The series itself goes with the last of its samples, hours and days. Its alerts' counts of episodes stay, so that
    no message of later ever has the name of an earlier one.
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
    """Let go what is kept of a series that is gone; how many rows that were."""
    if _stands(conn, key):
        return 0
    rows = conn.execute("DELETE FROM findings WHERE key = ?", (key,)).rowcount
    rows += conn.execute("DELETE FROM latest WHERE series = ?", (series,)).rowcount
    return (
        rows
        + conn.execute(
            "DELETE FROM series WHERE id = ?1 AND NOT EXISTS (SELECT 1 FROM samples WHERE series = ?1)"
            " AND NOT EXISTS (SELECT 1 FROM hours WHERE series = ?1)"
            " AND NOT EXISTS (SELECT 1 FROM days WHERE series = ?1)",
            (series,),
        ).rowcount
    )


def _stands(conn: sqlite3.Connection, key: str) -> bool:
    """Has the series an alert whose end nobody has been told? One that cannot be read counts as such."""
    try:
        found = conn.execute("SELECT body FROM alerts WHERE key = ?", (key,)).fetchall()
        return any(ALERT.loads(body).standing for (body,) in found)
    except Unreadable:
        return True


def _whole(rows: int, limit: int) -> Step:
    return Step(rows, 0 if rows == limit else None)
