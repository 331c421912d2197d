"""The rows of decisions: why something was or was not sent. Bounded for each series; the oldest are deleted first.

Not here: which decisions are kept (periodic/decision_log.py), and for how long (retention.py).
"""

import sqlite3
from collections.abc import Iterable

from watchkeeper.model.operator.decision import Decision
from watchkeeper.store.rows import checked_rows
from watchkeeper.store.rows.codec import DECISION, key_column
from watchkeeper.store.rows.timestamps import to_us

MOST = 400
"""Rows of one series, the newest: 14 days with one change an hour, and more than a person reads."""

_ROW = "INSERT INTO decisions (key, at_us, body, crc) VALUES (?, ?, ?, ?)"
_BOUND = (
    "DELETE FROM decisions WHERE key = :key"
    " AND id <= (SELECT id FROM decisions WHERE key = :key ORDER BY id DESC LIMIT 1 OFFSET :most)"
)


def write(conn: sqlite3.Connection, decisions: Iterable[Decision]) -> None:
    """Append these, and delete the oldest of a series that has too many."""
    for each in decisions:
        values = (key_column(each.key), to_us(each.at), DECISION.dumps(each))
        conn.execute(_ROW, (*values, checked_rows.checksum(*values)))
        conn.execute(_BOUND, {"key": values[0], "most": MOST})
