"""Adds checksums to the rows of an older format, in the migration to version 3.

A row gets one only if it can be read. It covers the columns of version 3: a later version that covers others gives all
rows new checksums in a migration of its own. Not here: what a checksum is (checked_rows.py).
"""

import sqlite3
from collections.abc import Iterator
from typing import Any

from watchkeeper.store import checked_rows
from watchkeeper.store.checked_rows import Form, RowDamaged, Values

STEP = 1000
"""Rows in memory at once."""


def seal(conn: sqlite3.Connection) -> None:
    """Add a checksum to every row that can be read, inside the caller's transaction."""
    factory, conn.text_factory = conn.text_factory, checked_rows.text_of
    try:
        for form in checked_rows.FORMS:
            _seal(conn, form)
    finally:
        conn.text_factory = factory


def _seal(conn: sqlite3.Connection, form: Form[Any]) -> None:
    where = " AND ".join(f"{name} = ?" for name in form.place)
    update = f"UPDATE {form.table} SET crc = ? WHERE {where}"  # noqa: S608  fixed texts
    for some in _steps(conn, form):
        sealed = ((checksum_if_readable(form, form.values_of(row)), *row[: len(form.place)]) for row in some)
        conn.executemany(update, [each for each in sealed if each[0] is not None])


def _steps(conn: sqlite3.Connection, form: Form[Any]) -> Iterator[list[Values]]:
    """A table's rows, in batches. A table without row numbers has only a few rows."""
    if len(form.place) > 1 or form.place[0] not in ("id", "series"):
        yield conn.execute(form.selected).fetchall()
        return
    name, last = form.place[0], -(2**63)
    sql = f"{form.selected} WHERE {name} > ? ORDER BY {name} LIMIT {STEP}"
    while some := conn.execute(sql, (last,)).fetchall():
        yield some
        last = some[-1][0]


def checksum_if_readable(form: Form[Any], values: Values) -> int | None:
    """The checksum of values that can be read; None where they cannot."""
    try:
        form.understood(values)
    except RowDamaged:
        return None
    return checked_rows.checksum(*values)
