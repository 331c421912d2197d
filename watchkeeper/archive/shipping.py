"""Copies what a host has committed into the archive: one batch in one transaction, with the cursor in it.

A batch that was copied before changes nothing, so after a lost connection or a killed process it is copied again. The
cursor is in the archive as well as in the database of the host; where they differ, one of the two was restored from a
backup. Not here: reading the host's database (store/replication/), threads (worker.py), rights (rights.py).
"""

import os
from collections.abc import Callable, Iterable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from itertools import islice
from typing import Any
from uuid import uuid4

from watchkeeper.archive import driver, migrations, requests
from watchkeeper.archive.migrations import NOW_US
from watchkeeper.archive.requests import AckRequest
from watchkeeper.errors import ArchiveRefused
from watchkeeper.store.replication.cursor import Cursor, cursor_of
from watchkeeper.store.replication.source import Batch

LOCK = 1463504978
"""`W K P R` as a number: the first key of this program's advisory locks; the second is the host's number."""

NEEDED = 1
"""The version of the archive that this one writes to. Later ones only add."""

ALONE_S = 5
"""How long to wait for an earlier connection of the same host to end."""

LINES_AT_ONCE = 2_000
"""Rows that are put together for one write of COPY."""

_HOST = (
    "SELECT host, name, installation, epoch, generation, cursor FROM watchkeeper.hosts"
    " WHERE host = watchkeeper.own_host()"
)

_COPIED = (
    f"UPDATE watchkeeper.hosts SET epoch = %s, generation = %s, cursor = %s, seen_at_us = {NOW_US}, version = %s,"  # noqa: S608  fixed texts
    f" written_at_us = CASE WHEN %s THEN {NOW_US} ELSE written_at_us END WHERE host = %s"
)

Values = tuple[Any, ...]


@dataclass(frozen=True, slots=True)
class Table:
    """A table of the archive as batches are written to it. columns: after the host. key: those of its key.

    fixed: rows never change, so that one which is there already is left as it is.
    """

    name: str
    columns: tuple[str, ...]
    key: tuple[str, ...]
    fixed: bool = False

    def insert(self, host: int) -> str:
        """Takes the rows from the temporary table into this one."""
        names, key = ", ".join(self.columns), ", ".join(("host", *self.key))
        values = [each for each in self.columns if each not in self.key]
        held = ", ".join(f"old.{each}" for each in values)
        new = ", ".join(f"excluded.{each}" for each in values)
        changed = ", ".join(f"{each} = excluded.{each}" for each in values)
        then = "NOTHING" if self.fixed else f"UPDATE SET {changed} WHERE ({held}) IS DISTINCT FROM ({new})"
        if "without" in self.columns:  # a host that was restored has less of an hour than it had before
            then += " AND excluded.samples >= old.samples"
        return (
            f"INSERT INTO watchkeeper.{self.name} AS old (host, {names})"  # noqa: S608  fixed texts
            f" SELECT {host}, {names} FROM pg_temp.new_{self.name} ON CONFLICT ({key}) DO {then}"
        )


_STRETCH = ("samples", "without", "least", "total", "most", "last_ms", "last", "bound")
TABLES = {
    each.name: each
    for each in (
        Table("series", ("series", "key", "kind", "unit", "probe", "interval_s", "first_at_us"), ("series",)),
        Table("hours", ("series", "stretch", *_STRETCH), ("series", "stretch")),
        Table("days", ("series", "stretch", *_STRETCH), ("series", "stretch")),
        Table("samples", ("series", "at_ms", "value", "bound"), ("series", "at_ms")),
        Table("events", ("id", "at_us", "entry", "key", "body"), ("at_us", "id"), fixed=True),
        Table("changes", ("id", "at_us", "body"), ("at_us", "id"), fixed=True),
        Table("latest", ("key", "at_us", "observation"), ("key",)),
        Table("findings", ("key", "concern", "body"), ("key", "concern")),
        Table("alerts", ("key", "concern", "body"), ("key", "concern")),
        Table("forecasts", ("key", "at_us", "body"), ("key", "at_us")),
        Table(
            "deliveries",
            (
                *("id", "notifier", "thread", "state", "due_at_us", "made_at_us", "done_at_us", "attempts", "error"),
                "message",
            ),
            ("made_at_us", "id"),
        ),
    )
}
"""In the order in which they are written."""


class Shipper:
    """A connection of one host to the archive. Belongs to the thread that made it."""

    def __init__(self, address: str, *, host: str, installation: str, version: str) -> None:
        """host: the name of this host. version: of this program. Raises ArchiveError, with the remedy."""
        self._parts = driver.parts(address)
        self._version = version
        self.conn = driver.connect(address)
        try:
            with driver.translated(self._parts):
                self._host, self._there = self._introduce(host, installation)
                self._numbers: dict[str, int] = dict(
                    self.conn.execute(
                        "SELECT key, series FROM watchkeeper.series WHERE host = %s", (self._host,)
                    ).fetchall()
                )
                self._make_temporary()
                self.conn.execute("SELECT watchkeeper.maintain()")
        except BaseException:
            self.close()
            raise
        self.copied: dict[str, dict[int, int]] = {}
        """By table: number and checksum of the rows that this connection has copied."""
        self._series: dict[int, Values] = {}

    def close(self) -> None:
        """Close the connection, which also gives up the host's lock."""
        with suppress(driver.driver().Error):
            self.conn.close()

    def file_number(self) -> int:
        """A second number of the connection's socket, which another thread may shut down. Raises OSError."""
        try:
            return os.dup(self.conn.fileno())
        except driver.driver().Error as error:
            raise OSError(str(error)) from None

    def _introduce(self, name: str, installation: str) -> tuple[int, Cursor]:
        self._version_there = migrations.check_version(self.conn, NEEDED)
        row = self.conn.execute(_HOST).fetchone()
        if row is None:
            raise ArchiveRefused(
                f"the archive's role {self._parts.get('user', '')} belongs to no host: write the address that "
                "watchkeeper archive-init printed for this host"
            )
        host, known_as, other, epoch, generation, cursor = row
        if known_as != name:
            raise ArchiveRefused(
                f'the address of the archive is that of the host "{known_as}", and this host is "{name}": write the '
                "address of this host, or change [host] name"
            )
        if other is not None and other != installation:
            raise ArchiveRefused(
                f'another installation writes to the archive as "{name}": give one of the two hosts another name '
                f"([host] name), or, if this one replaces it, run watchkeeper archive-init --replace {name}"
            )
        if not self._alone(host):
            raise ArchiveRefused(
                f'another process writes to the archive as "{name}" now: end it, or give this host another name'
            )
        if other is None:
            self.conn.execute("UPDATE watchkeeper.hosts SET installation = %s WHERE host = %s", (installation, host))
        return host, replace(cursor_of(cursor), epoch=epoch, generation=generation)

    def _alone(self, host: int) -> bool:
        """Take the host's lock. An earlier connection of this host may take a moment to end."""
        try:
            with self.conn.transaction():
                self.conn.execute(f"SET LOCAL lock_timeout = '{ALONE_S}s'")
                self.conn.execute("SELECT pg_advisory_lock(%s, %s)", (LOCK, host))
        except driver.driver().errors.LockNotAvailable:
            return False
        return True

    def _make_temporary(self) -> None:
        for each in TABLES.values():
            columns = ", ".join(each.columns)
            self.conn.execute(
                f"CREATE TEMPORARY TABLE new_{each.name} ON COMMIT DELETE ROWS AS"  # noqa: S608  fixed texts
                f" SELECT {columns} FROM watchkeeper.{each.name} WHERE host = 0 WITH NO DATA"
            )

    def begin(self, stored: Cursor) -> Cursor:
        """Where copying continues. stored: the cursor in the host's own database.

        Of two cursors of one line the one with the lower generation is right: what it says is copied is in both. After
        that a new line begins. Cursors of two lines say nothing about each other: everything is copied again.
        """
        if stored.epoch == self._there.epoch and stored.generation == self._there.generation:
            return stored if stored.epoch else replace(stored, epoch=str(uuid4()))
        if stored.epoch == self._there.epoch:
            older = min(stored, self._there, key=lambda each: each.generation)
        else:
            older = Cursor()
        newest = max(stored.generation, self._there.generation)
        return replace(older, epoch=str(uuid4()), generation=newest)

    def ship(self, batch: Batch) -> Cursor:
        """Write a batch; returns the cursor to be stored. Raises ArchiveError; nothing is written then."""
        after = replace(batch.after, generation=batch.after.generation + 1)
        with driver.translated(self._parts):
            numbers = dict(self._numbers)
            with self.conn.transaction():
                for name, rows in self._rows(batch, numbers):
                    self._write(TABLES[name], rows)
                for table, keys in batch.keys.items():
                    self._end(table, keys)
                self.conn.execute(
                    _COPIED, (after.epoch, after.generation, after.dumps(), self._version, not batch.more, self._host)
                )
        self._numbers = numbers
        self._series = {row[0]: row for row in batch.series}
        self.copied = batch.present
        self._there = after
        return after

    def waiting(self) -> Sequence[AckRequest]:
        """What stations ask of this host. Raises ArchiveError."""
        if self._version_there < requests.NEEDED:
            return []
        with driver.translated(self._parts):
            return requests.waiting(self.conn, self._host)

    def answer(self, asked: AckRequest, said: str) -> None:
        """Answer a request. Raises ArchiveError."""
        with driver.translated(self._parts):
            requests.answer(self.conn, self._host, asked.id, said)

    def _rows(self, batch: Batch, numbers: dict[str, int]) -> Iterable[tuple[str, list[Values]]]:
        """By table, the rows as the archive takes them: the series of a host have numbers of their own there.

        A number of SQLite may belong to another series later, and the key of a series always means the same.
        """
        here = dict[int, int]()
        for number, key, *_ in batch.series:
            here[number] = numbers.setdefault(key, len(numbers) + 1)
        new = [row for row in batch.series if self._series.get(row[0]) != row]
        yield "series", [(here[row[0]], *row[1:]) for row in new]
        for name, rows in (("hours", batch.hours), ("days", batch.days), ("samples", batch.samples)):
            yield name, [(here[row[0]], *row[1:]) for row in rows]
        yield from (("events", batch.events), ("changes", batch.changes))
        keys = {row[0]: row[1] for row in batch.series}
        latest = batch.changed.get("latest", [])
        yield "latest", [(keys[row[0]], *row[2:]) for row in latest if row[0] in keys]
        for name in ("findings", "alerts", "forecasts"):
            yield name, [row[1:] for row in batch.changed.get(name, [])]
        yield "deliveries", batch.changed.get("outbox", [])

    def _write(self, table: Table, rows: list[Values]) -> None:
        if not rows:
            return
        with self.conn.cursor() as cursor:
            names = ", ".join(table.columns)
            with cursor.copy(f"COPY pg_temp.new_{table.name} ({names}) FROM STDIN") as copy:
                for text in _lines(rows):
                    copy.write(text)
            cursor.execute(table.insert(self._host))

    def _end(self, table: str, keys: list[Values]) -> None:
        """Delete the rows whose key is not one of these."""
        columns = TABLES[table].key
        given = [[row[at] for row in keys] for at in range(len(columns))]
        arrays = ", ".join(["%s::text[]"] * len(columns))
        kept = f"({', '.join(columns)}) IN (SELECT * FROM unnest({arrays}))"  # noqa: S608  fixed texts
        self.conn.execute(
            f"DELETE FROM watchkeeper.{table} WHERE host = %s AND NOT {kept}",  # noqa: S608  fixed texts
            (self._host, *given),
        )


_ESCAPED = str.maketrans({"\\": "\\\\", "\t": "\\t", "\n": "\\n", "\r": "\\r"})
"""PostgreSQL 15, "COPY", text format."""

_AS_TEXT: Mapping[type, Callable[[Any], str]] = {
    int: repr,
    float: repr,
    str: lambda text: text.translate(_ESCAPED),
    type(None): lambda _: "\\N",
}


def _lines(rows: Sequence[Values]) -> Iterable[bytes]:
    """Rows in the text format of COPY, many at once: half of the time of writing them one by one."""
    rest = iter(rows)
    while some := list(islice(rest, LINES_AT_ONCE)):
        lines = ("\t".join([_AS_TEXT[type(value)](value) for value in row]) for row in some)
        yield ("\n".join(lines) + "\n").encode()
