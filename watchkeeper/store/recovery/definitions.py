"""Compares the tables, indexes, triggers and views of a file with those that our own migrations make.

SQLite runs a trigger in whatever program writes to the table, so a trigger that somebody added to a file would run in
the daemon. A definition that is not ours is therefore never used: a backup that contains one is refused, and in the
daemon's own database it is removed and reported. Tokens are compared, not text: SQLite rewrites some definitions when a
table was changed later. Not here: the definitions themselves (store/schema.py).
"""

import re
import sqlite3
from collections.abc import Iterable, Mapping
from contextlib import closing
from dataclasses import dataclass
from functools import lru_cache

from watchkeeper.store import schema

Words = tuple[str, ...]
Definitions = Mapping[tuple[str, str], tuple[str, Words, str]]
"""By kind and name: the table, the definition's tokens, and the definition as SQLite has it."""

NOT_COMPARED = re.compile("sqlite_|_sqlite_migrations$")
"""SQLite's own tables, and the record of migrations, which sqlite-utils makes in its own way, with an index."""

_TOKEN = re.compile(
    r"--[^\n]*|/\*.*?\*/|\s+"  # comments and space
    r"|('(?:[^']|'')*')"  # a text
    r'|"((?:[^"]|"")*)"|\[([^\]]*)\]|`([^`]*)`'  # a name in quotes
    r"|([\w.]+)|(.)",
    re.DOTALL,
)

_FIRST_JOURNAL_TRIGGER = """
CREATE TRIGGER journal_keeps_lines BEFORE DELETE ON journal
BEGIN SELECT RAISE(ABORT, 'the journal is append-only: no line is deleted'); END
"""
"""The trigger of version 1 before roll-ups were added."""


@dataclass(frozen=True, slots=True)
class Difference:
    """One definition that differs from what our migrations make. kind: table, index, trigger or view.

    there, ours: the definition in the file, and ours; empty where there is none.
    """

    kind: str
    name: str
    there: str
    ours: str

    def __str__(self) -> str:
        if not self.there:
            return f"its {self.kind} {self.name} is missing"
        return f"its {self.kind} {self.name} is {'not as watchkeeper makes it' if self.ours else 'none of watchkeeper'}"


def words_of(sql: str) -> Words:
    """A definition as tokens: without comments, spacing, quotes around names, and the case of words."""
    found = []
    for match in _TOKEN.finditer(sql):
        if match.group(1):
            found.append(match.group(1))
        elif word := next(filter(None, match.groups()[1:]), ""):
            found.append(word.casefold())
    return tuple(found)


def differences(conn: sqlite3.Connection, version: int) -> list[Difference]:
    """What in a database of this version is not ours, or differs from ours.

    Version 1 was changed in place during its development, so its tables and indexes are not compared: the migration
    brings them up to date, and they are compared after it.
    """
    found, ours = _found(conn), _ours(version)
    different = [
        Difference(kind, name, _there(found, kind, name), ours[kind, name][2] if (kind, name) in ours else "")
        for kind, name in sorted({*found, *ours})
        if not _same(found.get((kind, name)), ours.get((kind, name)))
    ]
    return [each for each in different if _counts(each, version)]


def _there(found: Definitions, kind: str, name: str) -> str:
    return found[kind, name][2] if (kind, name) in found else ""


def _same(one: tuple[str, Words, str] | None, other: tuple[str, Words, str] | None) -> bool:
    return one is not None and other is not None and one[:2] == other[:2]


def _counts(each: Difference, version: int) -> bool:
    if version > 1:
        return True
    known = words_of(each.there) == words_of(_FIRST_JOURNAL_TRIGGER)
    return each.kind in ("trigger", "view") and bool(each.there) and not known


def _found(conn: sqlite3.Connection) -> Definitions:
    # An index without a definition was made by SQLite for a UNIQUE of the table.
    rows: Iterable[tuple[str, str, str, str | None]] = conn.execute(
        "SELECT type, name, tbl_name, sql FROM sqlite_schema"
    )
    return {
        (kind, name): (table, words_of(sql), sql)
        for kind, name, table, sql in rows
        if sql is not None and (kind not in ("table", "index") or not NOT_COMPARED.match(table))
    }


@lru_cache(maxsize=8)
def _ours(version: int) -> Definitions:
    with closing(sqlite3.connect(":memory:", isolation_level=None)) as conn:
        schema.make_tables(conn, version)
        return _found(conn)


# Repairing -----------------------------------------------------------------------------------------------------------


def put_right(conn: sqlite3.Connection, version: int) -> list[Difference]:
    """Drop triggers, views and indexes that are not ours, and create ours again. Returns what was different.

    Tables are left: a difference there is damage (repair.py).
    """
    changed = [each for each in differences(conn, version) if each.kind != "table"]
    for each in changed:
        if each.there:
            name = each.name.replace('"', '""')
            conn.execute(f'DROP {each.kind.upper()} IF EXISTS "{name}"')
    for each in changed:
        if each.ours:
            conn.execute(each.ours)
    return changed


def tables_differ(conn: sqlite3.Connection, version: int) -> list[Difference]:
    """Tables that differ from ours."""
    return [each for each in differences(conn, version) if each.kind == "table"]
