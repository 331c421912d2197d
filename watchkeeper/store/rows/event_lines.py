"""Appends lines to the event log, inside a transaction that the caller has opened. Not here: their text."""

import sqlite3

from watchkeeper.model.records import EventLine
from watchkeeper.store.rows import checked_rows
from watchkeeper.store.rows.codec import LINE, key_column
from watchkeeper.store.rows.timestamps import to_us

_INSERT = "INSERT INTO events (at_us, entry, key, body, crc) VALUES (?, ?, ?, ?, ?)"


def append(conn: sqlite3.Connection, line: EventLine) -> None:
    """Write one line. Raises StoreError for what cannot be stored."""
    key = None if line.key is None else key_column(line.key)
    values = (to_us(line.at), line.entry.value, key, LINE.dumps(line))
    conn.execute(_INSERT, (*values, checked_rows.checksum(*values)))
