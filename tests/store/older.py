"""A database as version 0.1.0 wrote it (form 2), before rows had checksums."""

import sqlite3
from contextlib import closing
from pathlib import Path

from watchkeeper.store import schema

DUMP = Path(__file__).with_name("second_form.sql")
LINES = 5
SAMPLES, HOURS = 60, 4


def make(path: Path) -> None:
    """Create it; creates its folder too if needed."""
    path.parent.mkdir(exist_ok=True)
    with closing(sqlite3.connect(path, isolation_level=None)) as conn:
        schema.prepare_empty(conn)
        conn.executescript(DUMP.read_text())
        conn.execute("PRAGMA user_version = 2")
