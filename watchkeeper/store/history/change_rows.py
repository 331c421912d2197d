"""The rows of what changed on the host: written once each, and read newest first.

Who records a change writes its own state afterwards, so after a crash the same change may be recorded again: it has the
same text then, and is not kept twice. Not here: what counts as a change (probes/changes/).
"""

import sqlite3
from collections.abc import Iterable
from datetime import datetime

from watchkeeper.model.change import Change
from watchkeeper.store.history.rollup import Chore, Step
from watchkeeper.store.rows import checked_rows
from watchkeeper.store.rows.codec import CHANGE
from watchkeeper.store.rows.timestamps import to_us

_ROW = "INSERT OR IGNORE INTO changes (at_us, body, crc) VALUES (?, ?, ?)"
_OLD = "DELETE FROM changes WHERE id IN (SELECT id FROM changes WHERE at_us < ? LIMIT ?)"


def write(conn: sqlite3.Connection, changes: Iterable[Change]) -> None:
    """Write these, inside the caller's transaction."""
    for each in changes:
        values = (to_us(each.at), CHANGE.dumps(each))
        conn.execute(_ROW, (*values, checked_rows.checksum(*values)))


def drop(before: datetime) -> Chore:
    """Delete changes from before an instant."""

    def step(conn: sqlite3.Connection, limit: int, _after: int) -> Step:
        rows = conn.execute(_OLD, (to_us(before), limit)).rowcount
        return Step(rows, 0 if rows == limit else None)

    return step
