"""A database that the real code of version 0.1.0 made: alerts of every concern and state, history, waiting messages.

first_version.py.txt is the program that made first_version.sql: it runs with the code of version 0.1.0.
"""

import json
import sqlite3
from collections.abc import Iterable, Mapping
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from watchkeeper.messages.build import thread_id
from watchkeeper.model.observation import SeriesKey
from watchkeeper.store import schema

DUMP = Path(__file__).with_name("first_version.sql")

END = datetime(2026, 3, 9, 6, 0, 50, tzinfo=UTC)
"""Its newest commit."""

_KEPT = ("series", "samples", "hours", "days", "latest", "findings", "alerts", "outbox")
TABLES = dict(zip(_KEPT, _KEPT, strict=True)) | {
    "journal": "events",
    "notes": "probe_states",
    "check_ins": "job_reports",
    "life": "store_state",
}
"""Each table, and its name today."""

WORDS = (
    *(("silent", "not_answering"), ("unsound", "faulty"), ("stale", "not_reporting"), ("tell", "notify")),
    *(("sound", "ok"), ("may_be_full", "not_judged"), ("telling", "kind"), ("told", "notified_priority")),
    *(("tellings", "message_count"), ("unknown_since", "unacknowledged_since")),
    *(("falls", "recent_ends"), ("comings", "raise_count"), ("trial", "test")),
    *(("tries", "attempts"), ("trouble", "error")),
)
"""Names and values in stored records, and what they are called today."""


def make(path: Path, version: int = 2, dump: str = "") -> None:
    """Create it, in version 2 of the database, as 0.1.0 wrote it, or converted to a later one.

    dump: another one than DUMP.
    """
    path.parent.mkdir(exist_ok=True)
    with closing(sqlite3.connect(path, isolation_level=None)) as conn:
        schema.prepare_empty(conn)
        conn.executescript(dump or DUMP.read_text())
        conn.execute("PRAGMA user_version = 2")
        if version > 2:
            schema.migrate(conn, schema.MIGRATIONS[:version])


def about_others(keys: Mapping[SeriesKey, SeriesKey]) -> str:
    """The dump as 0.1.0 would have written it, had these series been others."""
    text = DUMP.read_text()
    with closing(sqlite3.connect(":memory:", isolation_level=None)) as conn:
        conn.executescript(text)
        alerts = [json.loads(body) for (body,) in conn.execute("SELECT body FROM alerts")]
    for each in alerts:
        if (key := SeriesKey(**each["key"])) in keys:
            parts = each["concern"], str(each["episode"]), each["raised_at"]
            old = thread_id("gannet", *key, *parts)
            assert old in text
            text = text.replace(old, thread_id("gannet", *keys[key], *parts))
    for before, after in keys.items():
        for begin, between in (('["', '","'), ('"subject":"', '","quantity":"')):
            text = text.replace(f'{begin}{between.join(before)}"', f'{begin}{between.join(after)}"')
    return text


def rows(path: Path, tables: Iterable[str]) -> list[list[tuple[Any, ...]]]:
    """Every row of these tables, without checksums."""
    with closing(sqlite3.connect(path)) as conn:
        named = {
            table: [n for (n,) in conn.execute("SELECT name FROM pragma_table_info(?)", (table,)) if n != "crc"]
            for table in tables
        }
        return [
            conn.execute(f"SELECT {', '.join(columns)} FROM {table} ORDER BY 1, 2").fetchall()
            for table, columns in named.items()
        ]


def in_todays_words(row: tuple[Any, ...]) -> tuple[Any, ...]:
    """A row of version 2 as it is today."""
    after = tuple(_renamed(value) if isinstance(value, str) else value for value in row)
    if "waiting" in row:  # It was tried, and its content has changed, so it has another id.
        after = *after[:-1], after[-1].replace('","thread"', '-upgraded","thread"', 1)
    return after


def _renamed(text: str) -> str:
    for old, new in WORDS:
        text = new if text == old else text.replace(f'"{old}"', f'"{new}"')
    return text


def threads() -> dict[SeriesKey, str]:
    """By series: the thread in which its alert was last reported."""
    with closing(sqlite3.connect(":memory:", isolation_level=None)) as conn:
        conn.executescript(DUMP.read_text())
        messages = [json.loads(text) for (text,) in conn.execute("SELECT message FROM outbox ORDER BY id")]
    return {SeriesKey(**each["key"]): each["thread"] for each in messages}
