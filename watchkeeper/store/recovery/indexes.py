"""Checks whether every index agrees with its table. SQLite's quick check at the start does not.

One damaged byte of an index hides a row from a query, or shows one that does not exist. Not here: when it is checked
(watchkeeper/periodic/retention.py), and rows that are damaged themselves (inspection.py).
"""

import logging
import re
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

from watchkeeper.clock import Clock
from watchkeeper.logs.fields import Event, about
from watchkeeper.store import connection as database
from watchkeeper.store.writer import Writer

log = logging.getLogger(__name__)

LONGEST_S = 600.0
"""A check that takes longer is aborted: it holds a snapshot of the database, and the WAL grows meanwhile."""

STEPS = 100_000
"""SQLite's instructions between two checks of the time: a few milliseconds."""

FINDINGS = 20
"""The most findings read per table: one names its index."""

_INDEX = re.compile(r"(?:row \d+ missing from index|wrong # of entries in index|non-unique entry in index) (\S+)")


@dataclass(frozen=True, slots=True)
class Wrong:
    """A faulty index, or the tree of a table itself. why: in SQLite's words."""

    name: str
    why: str
    is_index: bool

    def put_right(self, writing: Writer) -> None:
        """Rebuild the index. A table's own tree is repaired at the next start (repair.py)."""
        at = Clock().now()
        if self.is_index:
            writing.reindex(self.name, self.why, at)
        else:
            writing.report_tree(self.name, self.why, at)


def check(path: Path) -> list[Wrong]:
    """Every index or table that is wrong, once each. Raises StoreError where the database cannot be read."""
    with database.translated(path), closing(database.open_reading(path)) as conn:
        clock = Clock()
        end_s = clock.monotonic_s() + LONGEST_S
        conn.set_progress_handler(lambda: clock.monotonic_s() > end_s, STEPS)
        try:
            return list(dict.fromkeys(_wrong(conn)))
        except sqlite3.OperationalError as error:
            if getattr(error, "sqlite_errorcode", 0) != sqlite3.SQLITE_INTERRUPT:
                raise
            log.warning(
                "%s: the check of its indexes took too long and was given up", path, extra=about(Event.RETENTION)
            )
            return []


def _wrong(conn: sqlite3.Connection) -> Iterator[Wrong]:
    # sqlite_% are SQLite's own; a table without an index of its own is checked as a tree.
    tables = "SELECT name FROM sqlite_schema WHERE type = 'table' AND name NOT LIKE 'sqlite!_%' ESCAPE '!'"
    for (table,) in conn.execute(tables).fetchall():
        name = table.replace('"', '""')
        seen: set[str] = set()
        for (found,) in conn.execute(f'PRAGMA integrity_check("{name}")').fetchmany(FINDINGS):
            index = _INDEX.search(found)
            about_what = index[1] if index else table
            if found != "ok" and about_what not in seen:
                seen.add(about_what)
                yield Wrong(about_what, " ".join(found.split()), is_index=index is not None)
