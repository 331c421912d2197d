"""Adds checksums to the rows of versions 1 and 2, in the migration to version 3.

A row gets one only if it can be read. Not here: what a checksum is (checked_rows.py).
"""

import sqlite3

from watchkeeper.store.migrations import names
from watchkeeper.store.migrations.names import Renamed
from watchkeeper.store.rows import checked_rows
from watchkeeper.store.rows.checked_rows import RowDamaged, Values


def seal(conn: sqlite3.Connection) -> None:
    """Add a checksum to every row that can be read, inside the caller's transaction."""
    with names.damaged_text(conn):
        for each in names.TABLES:
            _seal(conn, each)


def _seal(conn: sqlite3.Connection, table: Renamed) -> None:
    old = table.old
    where = " AND ".join(f"{name} = ?" for name in old.place)
    update = f"UPDATE {old.table} SET crc = ? WHERE {where}"  # noqa: S608  fixed texts
    for some in names.steps(conn, old):
        sealed = ((_checksum_if_readable(table, old.values_of(row)), *row[: len(old.place)]) for row in some)
        conn.executemany(update, [each for each in sealed if each[0] is not None])


def _checksum_if_readable(table: Renamed, values: Values) -> int | None:
    """The checksum of values that can be read; None where they cannot."""
    try:
        table.old.understood(values)
    except RowDamaged:
        return None
    return checked_rows.checksum(*values)
