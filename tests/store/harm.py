"""Ways to damage one stored row, in a file that no process has open: flipped bits, and impossible values.

A flipped bit is written into the file itself, below SQLite, so that indexes still have the original value.
"""

import sqlite3
from collections.abc import Callable, Mapping
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from random import Random

from tests.store.damage import PAGE, pages

TEXTS = {
    "series": ("key", "kind", "probe"),
    "latest": ("observation",),
    "findings": ("key", "concern", "body"),
    "alerts": ("key", "concern", "body"),
    "events": ("entry", "key", "body"),
    "outbox": ("notifier", "thread", "state", "error", "message"),
    "probe_states": ("owner", "state"),
    "job_reports": ("job", "message"),
}
INSTANTS = {
    "series": ("first_at_us",),
    "latest": ("at_us",),
    "store_state": ("last_commit_at_us",),
    "events": ("at_us",),
    "outbox": ("due_at_us", "made_at_us"),
    "job_reports": ("at_us",),
}
ENUMS = {
    "series": ("kind",),
    "findings": ("concern",),
    "alerts": ("concern",),
    "events": ("entry",),
    "outbox": ("state",),
}
NUMBERS = {"samples": ("at_ms", "value", "bound"), "hours": ("samples", "least", "total", "last_ms", "last")}
WILD = ("9e999", "-9e999", "NULL", "1e308", "-5")
WILD_COUNTS = ("9223372036854775807", "-9223372036854775808", "0", "-5", "4611686018427387904")


@dataclass(frozen=True)
class Harm:
    """The damage done. reported: the store can detect it."""

    table: str
    what: str
    reported: bool = True


def harm(path: Path, chance: Random) -> Harm:
    """Damage one row in one of these ways."""
    ways: tuple[Callable[[Path, Random], Harm | None], ...] = (
        *(_flip_text,) * 6,
        *(_flip_instant,) * 2,
        *(_not_json, _not_utf8, _no_such_word, _no_such_instant, _no_checksum, _wild_number),
    )
    for _ in range(50):
        if (found := chance.choice(ways)(path, chance)) is not None:
            return found
    raise AssertionError("nothing could be harmed")


def _cell(path: Path, tables: Mapping[str, tuple[str, ...]], chance: Random) -> tuple[str, str, str]:
    """A random table, column, and the condition that selects one of its rows."""
    table = chance.choice(sorted(tables))
    column = chance.choice(tables[table])
    with closing(sqlite3.connect(path)) as conn:
        keys = [str(row[1]) for row in conn.execute(f"PRAGMA table_info('{table}')") if row[5]]
        places = conn.execute(f"SELECT {', '.join(keys)} FROM {table}").fetchall()
    place = chance.choice(places)
    where = " AND ".join(f"{key} = {_literal(value)}" for key, value in zip(keys, place, strict=True))
    return table, column, where


def _literal(value: object) -> str:
    return "'" + value.replace("'", "''") + "'" if isinstance(value, str) else str(value)


def flip(path: Path, table: str, content: bytes, byte: int, bit: int, which: int = 0) -> bool:
    """Flip one bit of these bytes in the table's pages; False if the bytes are not contiguous."""
    places = []
    for number in pages(path, table):
        with path.open("rb") as file:
            file.seek((number - 1) * PAGE)
            page = file.read(PAGE)
        at = page.find(content)
        while at >= 0:
            places.append((number - 1) * PAGE + at)
            at = page.find(content, at + 1)
    if not places:
        return False
    with path.open("r+b") as file:
        file.seek(places[which % len(places)] + byte)
        (before,) = file.read(1)
        file.seek(-1, 1)
        file.write(bytes([before ^ 1 << bit]))
    return True


def _flip(path: Path, table: str, content: bytes, chance: Random) -> bool:
    return flip(path, table, content, chance.randrange(len(content)), chance.randrange(8), chance.randrange(1 << 16))


def _flip_text(path: Path, chance: Random) -> Harm | None:
    table, column, where = _cell(path, TEXTS, chance)
    with closing(sqlite3.connect(path)) as conn:
        (text,) = conn.execute(f"SELECT {column} FROM {table} WHERE {where}").fetchone()
    if not text or not _flip(path, table, text.encode(), chance):
        return None
    return Harm(table, f"a bit of {column} where {where}")


def _flip_instant(path: Path, chance: Random) -> Harm | None:
    table, column, where = _cell(path, INSTANTS, chance)
    with closing(sqlite3.connect(path)) as conn:
        (number,) = conn.execute(f"SELECT {column} FROM {table} WHERE {where}").fetchone()
    # SQLite stores such a number in 8 bytes: https://www.sqlite.org/fileformat2.html#record_format
    if number < 2**47 or not _flip(path, table, number.to_bytes(8, "big", signed=True), chance):
        return None
    return Harm(table, f"a bit of {column} where {where}")


def set_value(path: Path, table: str, column: str, where: str, value: str) -> Harm:
    """Set a column to another value, bypassing triggers."""
    with closing(sqlite3.connect(path, isolation_level=None)) as conn:
        triggers = conn.execute(
            "SELECT name, sql FROM sqlite_schema WHERE type = 'trigger' AND tbl_name = ?", (table,)
        ).fetchall()
        for name, _ in triggers:
            conn.execute(f"DROP TRIGGER {name}")
        conn.execute(f"UPDATE OR IGNORE {table} SET {column} = {value} WHERE {where}")
        changed = conn.execute("SELECT changes()").fetchone() != (0,)
        for _, sql in triggers:
            conn.execute(sql)
    return Harm(table, f"{column} = {value[:60]} where {where}", changed and table not in NUMBERS)


def _not_json(path: Path, chance: Random) -> Harm:
    bodies: dict[str, tuple[str, ...]] = {
        t: tuple(c for c in each if c not in ("state", "entry", "concern", "kind")) for t, each in TEXTS.items()
    }
    return set_value(path, *_cell(path, bodies, chance), chance.choice(["'{'", "'[1'", "'x'", "''"]))


def _not_utf8(path: Path, chance: Random) -> Harm:
    return set_value(path, *_cell(path, TEXTS, chance), "CAST(x'22ff80c322' AS TEXT)")


def _no_such_word(path: Path, chance: Random) -> Harm:
    return set_value(path, *_cell(path, ENUMS, chance), "'waitinh'")


def _no_such_instant(path: Path, chance: Random) -> Harm:
    return set_value(
        path, *_cell(path, INSTANTS, chance), chance.choice(["9223372036854775807", "-9223372036854775808"])
    )


def _no_checksum(path: Path, chance: Random) -> Harm:
    table, _, where = _cell(path, TEXTS, chance)
    return set_value(path, table, "crc", where, chance.choice(["NULL", "0"]))


def _wild_number(path: Path, chance: Random) -> Harm:
    table, column, where = _cell(path, NUMBERS, chance)
    wild = WILD_COUNTS if column in ("at_ms", "samples", "last_ms") else WILD
    return set_value(path, table, column, where, chance.choice(wild))
