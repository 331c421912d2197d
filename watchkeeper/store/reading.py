"""Queries, on a connection that can only read. Each method reads all that it returns: no transaction stays open.

Not here: what a row means to anybody (core/), threads (store.py).
"""

import json
import logging
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any, TypeVar

from watchkeeper.core.alerts import Alert
from watchkeeper.core.observation import Kind, SeriesKey, Unit
from watchkeeper.core.records import Bucket, Entry, JournalLine, LevelSamples, Parcel, Sample, Seen, Series
from watchkeeper.core.remembered import CheckIn, LastCheckIns
from watchkeeper.core.rules import Finding
from watchkeeper.errors import StoreDamaged
from watchkeeper.logs.fields import Event, about
from watchkeeper.store import database, histories, parcels
from watchkeeper.store.codec import (
    ALERT,
    FINDING,
    LINE,
    OBSERVATION,
    Codec,
    Unreadable,
    key_column,
    key_of,
    text_column,
)
from watchkeeper.store.grains import HOUR_MS
from watchkeeper.store.instants import EPOCH, from_us, to_ms, to_us
from watchkeeper.store.keeping import Extent

log = logging.getLogger(__name__)

T = TypeVar("T")

# The oldest of each series is one seek; the oldest of a whole table would read all of it.
_OLDEST = (
    ("SELECT min((SELECT min(at_ms) FROM samples WHERE series = id)) FROM series", 1),
    ("SELECT min((SELECT min(stretch) FROM hours WHERE series = id)) FROM series", HOUR_MS),
)

LARGEST = 2**63 - 1
"""SQLite's largest integer; a larger id or limit, as an address may hold one, means the same."""


class Reading:
    """Answers from the database. Lives in the thread that made it."""

    def __init__(self, path: Path) -> None:
        """Raises StoreError where there is no database that can be read."""
        self._path = path
        self._conn = database.open_reading(path)

    def close(self) -> None:
        """Close the connection."""
        self._conn.close()

    def series(self) -> Sequence[Series]:
        """Every series, in the order in which they were first seen."""
        rows = self._rows(
            "SELECT id, key, kind, unit, probe, interval_s, first_at_us, at_us"
            " FROM series JOIN latest ON latest.series = id ORDER BY id"
        )
        return [
            Series(
                id=number,
                key=key_of(key),
                kind=Kind(kind),
                unit=None if unit is None else Unit(unit),
                probe=json.loads(probe),
                interval_s=interval_s,
                first_at=from_us(first_at_us),
                last_at=from_us(at_us),
            )
            for number, key, kind, unit, probe, interval_s, first_at_us, at_us in rows
        ]

    def latest(self) -> Sequence[Seen]:
        """The newest observation of every series; one that cannot be read any more is left out until it is renewed."""
        rows = self._rows(
            "SELECT observation, at_us, probe, interval_s FROM latest JOIN series ON series.id = latest.series"
            " ORDER BY series.id"
        )
        read = self._renewed(OBSERVATION, rows)
        return [
            Seen(from_us(at_us), found, json.loads(probe), interval_s) for found, (_, at_us, probe, interval_s) in read
        ]

    def findings(self) -> Sequence[Finding]:
        """The newest finding of every concern; one that cannot be read any more is left out until it is renewed."""
        return [found for found, _ in self._renewed(FINDING, self._rows("SELECT body FROM findings ORDER BY id"))]

    def alerts(self) -> Sequence[Alert]:
        """Every alert that is not as new. Raises StoreDamaged where one cannot be read."""
        return [self._kept(ALERT, body, "alerts") for (body,) in self._rows("SELECT body FROM alerts ORDER BY id")]

    def samples(self, key: SeriesKey, since: datetime, until: datetime) -> Sequence[Sample]:
        """A series' samples, oldest first, both ends included; from roll-ups where they are no longer kept."""
        with database.translated(self._path):
            return histories.samples(self._conn, key, to_ms(since), to_ms(until))

    def samples_thinned(self, key: SeriesKey, since: datetime, until: datetime, points: int) -> Sequence[Bucket]:
        """A series' samples in at most about `points` equal stretches of time, oldest first; empty ones left out."""
        with database.translated(self._path):
            return histories.thinned(self._conn, key, to_ms(since), to_ms(until), points)

    def level_keys(self) -> Sequence[SeriesKey]:
        """The keys of all levels."""
        return [key_of(key) for (key,) in self._rows("SELECT key FROM series WHERE kind = ? ORDER BY id", ("level",))]

    def level_samples(self, key: SeriesKey, since: datetime) -> LevelSamples:
        """One level's past since an instant, as arrays to refill a history with."""
        with database.translated(self._path):
            return histories.level_samples(self._conn, key, to_ms(since))

    def note(self, owner: str) -> str:
        """What an owner noted last; empty where it never did."""
        rows = self._rows("SELECT body FROM notes WHERE owner = ?", (text_column(owner),))
        return str(json.loads(rows[0][0])) if rows else ""

    def last_check_ins(self, job: str) -> LastCheckIns:
        """A job's newest check-ins."""
        rows = self._rows("SELECT failed, at_us, said FROM check_ins WHERE job = ?", (text_column(job),))
        found = {failed: CheckIn(job, from_us(at_us), bool(failed), json.loads(said)) for failed, at_us, said in rows}
        return LastCheckIns(found.get(0), found.get(1))

    def data_version(self) -> int:
        """A number that is another one once any other connection has committed (SQLite's PRAGMA data_version)."""
        return int(self._rows("PRAGMA data_version")[0][0])

    def extent(self) -> Extent:
        """How large the database is, and from when on its samples and hours are."""
        (pages,), (page_bytes,) = *self._rows("PRAGMA page_count"), *self._rows("PRAGMA page_size")
        (free,) = self._rows("PRAGMA freelist_count")[0]
        return Extent(pages * page_bytes, free * page_bytes, *(self._oldest(*each) for each in _OLDEST))

    def _oldest(self, sql: str, width_ms: int) -> datetime | None:
        (found,) = self._rows(sql)[0]
        return None if found is None else EPOCH + timedelta(milliseconds=found * width_ms)

    def journal(
        self,
        *,
        key: SeriesKey | None,
        before_id: int | None,
        after_id: int | None,
        entry: Entry | None,
        since: datetime | None,
        limit: int,
    ) -> Sequence[JournalLine]:
        """Journal lines, newest first; with after_id oldest first. Raises StoreDamaged where one cannot be read."""
        asked: list[tuple[str, Any]] = [
            ("key = ?", None if key is None else key_column(key)),
            ("id < ?", None if before_id is None else _within(before_id)),
            ("id > ?", None if after_id is None else _within(after_id)),
            ("entry = ?", None if entry is None else entry.value),
            ("at_us >= ?", None if since is None else to_us(since)),
        ]
        given = [(condition, value) for condition, value in asked if value is not None]
        where = " AND ".join(["TRUE", *(condition for condition, _ in given)])
        order = "DESC" if after_id is None else "ASC"
        rows = self._rows(
            f"SELECT id, body FROM journal WHERE {where} ORDER BY id {order} LIMIT ?",  # noqa: S608  fixed texts
            (*(value for _, value in given), _within(limit)),
        )
        return [replace(self._kept(LINE, body, "journal"), id=number) for number, body in rows]

    def next_parcel(self, notifier: str, passing: Collection[int]) -> Parcel | None:
        """The waiting parcel of a notifier that is due first. Raises StoreDamaged where it cannot be read."""
        with self._trusted("outbox"):
            return parcels.next_for(self._conn, notifier, passing)

    def parcels(self, *, only_open: bool, limit: int) -> Sequence[Parcel]:
        """Parcels of every notifier, newest first."""
        with self._trusted("outbox"):
            return parcels.listed(self._conn, only_open=only_open, limit=_within(limit))

    def last_alive(self) -> datetime | None:
        """The instant of the newest commit; None where there was none yet."""
        rows = self._rows("SELECT alive_at_us FROM life")
        return from_us(rows[0][0]) if rows else None

    def _rows(self, sql: str, values: Sequence[Any] | Mapping[str, Any] = ()) -> list[Any]:
        with database.translated(self._path):
            return self._conn.execute(sql, values).fetchall()

    def _renewed(self, codec: Codec[T], rows: Iterable[Any]) -> Iterator[tuple[T, Any]]:
        """Rows whose first column is text that every tick of the daemon writes anew."""
        for row in rows:
            try:
                yield codec.loads(row[0]), row
            except Unreadable as error:
                log.warning("%s: left out until it is written anew: %s", self._path, error, extra=about(Event.DATABASE))

    def _kept(self, codec: Codec[T], body: str, table: str) -> T:
        """Text that nobody writes anew: leaving it out would lose it silently."""
        with self._trusted(table):
            return codec.loads(body)

    @contextmanager
    def _trusted(self, table: str) -> Iterator[None]:
        try:
            with database.translated(self._path):
                yield
        except Unreadable as error:
            raise StoreDamaged(f"{self._path} holds a row in {table} that cannot be read: {error}") from error


def _within(number: int) -> int:
    return max(-LARGEST, min(number, LARGEST))
