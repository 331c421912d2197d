"""Queries, on a connection that can only read. Each method reads all that it returns: no transaction stays open.

A row that cannot be read is left out: only its own part of an answer is lost. It is remembered, so that the writer can
move it away (store/recovery/quarantine.py).

Not here: the meaning of a row (alerting/), threads (store.py).
"""

import json
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any, TypeVar

from watchkeeper.errors import StoreDamaged
from watchkeeper.model.alert import CONCERN, Alert, Concern
from watchkeeper.model.change import Change, ChangeKind
from watchkeeper.model.finding import Finding
from watchkeeper.model.forecast_record import KeptForecast
from watchkeeper.model.history.availability import AnswerHistory, history_of
from watchkeeper.model.observation import Kind, SeriesKey
from watchkeeper.model.operator.decision import Decision
from watchkeeper.model.probe_state import LastJobReports
from watchkeeper.model.records import (
    Bucket,
    Delivery,
    Entry,
    EventLine,
    LevelSamples,
    Quarantined,
    Sample,
    Seen,
    Series,
)
from watchkeeper.store import connection as database
from watchkeeper.store.history import answer_history, outage_rows, series_history
from watchkeeper.store.history.retention_limits import Extent
from watchkeeper.store.history.rollup import DAY_MS, HOUR_MS, LATEST_MS
from watchkeeper.store.recovery import inspection, quarantine
from watchkeeper.store.recovery.inspection import Scope
from watchkeeper.store.rows import checked_rows, outbox_rows
from watchkeeper.store.rows.checked_rows import Damage, Form, RowDamaged, Values
from watchkeeper.store.rows.codec import key_column, text_column
from watchkeeper.store.rows.timestamps import EPOCH, from_us, to_ms, to_us

T = TypeVar("T")

# The oldest of each series is one seek; the oldest of a whole table would read all of it.
_OLDEST = (
    ("SELECT min((SELECT min(at_ms) FROM samples WHERE series = id AND at_ms >= 0)) FROM series", 1),
    ("SELECT min((SELECT min(stretch) FROM hours WHERE series = id AND stretch >= 0)) FROM series", HOUR_MS),
)

_NEWEST = "SELECT key, kind, at_us FROM series JOIN latest ON series = id"

_CONCERNS = {kind.value: (concern.value, Concern.NOT_REPORTING.value) for kind, concern in CONCERN.items()}
"""The concerns of a series, by its kind, as they are stored."""

LARGEST = 2**63 - 1
"""SQLite's largest integer; a larger id or limit, as a URL may contain one, means the same."""


AHEAD_MS = DAY_MS
"""Samples further ahead of the newest commit than this come from a wrong clock, or from a damaged row."""

DAMAGES_AT_ONCE = 1_000
"""The most damaged rows remembered until they are moved away; the others are found again."""


class Reader:
    """Answers queries from the database. Belongs to the thread that made it."""

    def __init__(self, path: Path) -> None:
        """Raises StoreError where there is no readable database."""
        self._path = path
        self._conn = database.open_reading(path)
        self._damages: dict[tuple[str, Values], Damage] = {}

    def close(self) -> None:
        """Close the connection."""
        self._conn.close()

    def take_damages(self) -> list[Damage]:
        """The damage found since the last call."""
        found, self._damages = list(self._damages.values()), {}
        return found

    def series(self) -> Sequence[Series]:
        """Every series, in the order in which they were first seen."""
        last_at = {number: self._instant(at_us) for number, at_us in self._rows("SELECT series, at_us FROM latest")}
        return [
            Series(
                id=each.id,
                key=each.key,
                kind=each.kind,
                unit=each.unit,
                probe=each.probe,
                interval_s=each.interval_s,
                first_at=from_us(each.first_at_us),
                last_at=at,
            )
            for _, each in self._good(checked_rows.SERIES_FORM, "ORDER BY id")
            if (at := last_at.get(each.id)) is not None
        ]

    def latest(self) -> Sequence[Seen]:
        """The newest observation of every series; one that cannot be read is left out until it is replaced."""
        series = {each.id: each for _, each in self._good(checked_rows.SERIES_FORM)}
        return [
            Seen(from_us(row[2]), seen, series[row[0]].probe, series[row[0]].interval_s)
            for row, seen in self._good(checked_rows.LATEST_FORM, "ORDER BY series")
            if row[0] in series
        ]

    def findings(self) -> Sequence[Finding]:
        """The newest finding of every concern; one that cannot be read is left out until it is replaced.

        One that newer samples of its series have confirmed is as old as the newest of them: the writer stores a finding
        only when it has changed.
        """
        confirmed_us = dict[tuple[str, str], int]()
        for key, kind, at_us in self._rows(_NEWEST):
            confirmed_us |= {(key, concern): at_us for concern in _CONCERNS.get(kind, ())}
        found = self._good(checked_rows.FINDING_FORM, "ORDER BY id")
        return [self._confirmed(each, confirmed_us.get(row[1:3])) for row, each in found]

    def _confirmed(self, found: Finding, at_us: int | None) -> Finding:
        at = None if at_us is None else self._instant(at_us)
        return found if at is None or at <= found.at else found.as_of(at)

    def alerts(self) -> Sequence[Alert]:
        """Every alert that is not in its initial state; one that cannot be read is left out until it is replaced."""
        return [alert for _, alert in self._good(checked_rows.ALERT_FORM, "ORDER BY id")]

    def forecasts(self, key: SeriesKey | None) -> Sequence[KeptForecast]:
        """The forecasts that were kept, of a series or of all, oldest first; those that cannot be read are left out."""
        which, values = ("WHERE key = ?", (key_column(key),)) if key is not None else ("", ())
        return [each for _, each in self._good(checked_rows.FORECAST_FORM, f"{which} ORDER BY at_us, id", values)]

    def decisions(self, subject: str, since: datetime) -> Sequence[Decision]:
        """The decisions about all quantities of a subject since an instant, oldest first."""
        # A key is the JSON of subject and quantity: those of a subject begin alike, and the next sign is a quote.
        begin = key_column(SeriesKey(subject, "")).removesuffix('""]')
        which = "WHERE key >= ? AND key < ? AND at_us >= ? ORDER BY id"
        values = (begin, f"{begin}~", to_us(since))
        return [each for _, each in self._good(checked_rows.DECISION_FORM, which, values)]

    def changes(
        self, since: datetime | None, until: datetime | None, kinds: Collection[ChangeKind], limit: int
    ) -> Sequence[Change]:
        """What changed on the host between two times, newest first; what cannot be read is left out."""
        found = self._good(
            checked_rows.CHANGE_FORM,
            "WHERE at_us BETWEEN ? AND ? AND (? OR json_extract(body, '$.kind') IN (SELECT value FROM json_each(?)))"
            " ORDER BY at_us DESC, id DESC LIMIT ?",
            (
                -LARGEST if since is None else to_us(since),
                LARGEST if until is None else to_us(until),
                not kinds,
                json.dumps([each.value for each in kinds]),
                _within(limit),
            ),
        )
        return [each for _, each in found]

    def samples(self, key: SeriesKey, since: datetime, until: datetime) -> Sequence[Sample]:
        """A series' samples, oldest first, both ends included; from roll-ups where they are no longer kept."""
        with database.translated(self._path):
            return series_history.samples(self._conn, key, to_ms(since), to_ms(until))

    def samples_thinned(self, key: SeriesKey, since: datetime, until: datetime, points: int) -> Sequence[Bucket]:
        """A series' samples in at most about `points` equal stretches of time, oldest first; empty ones left out."""
        with database.translated(self._path):
            return series_history.thinned(self._conn, key, to_ms(since), to_ms(until), points)

    def answers(self, key: SeriesKey, since: datetime, until: datetime, interval_s: float) -> AnswerHistory:
        """When a service answered between two times and when it did not."""
        with database.translated(self._path):
            series = series_history.series_number(self._conn, key)
            if series is None:
                return AnswerHistory()
            asked = (series, to_ms(since), to_ms(until), interval_s)
            pieces = answer_history.pieces(self._conn, *asked)
            return history_of(pieces, outage_rows.listed(self._conn, *asked))

    def level_keys(self) -> Sequence[SeriesKey]:
        """The keys of all levels."""
        return [each.key for _, each in self._good(checked_rows.SERIES_FORM, "ORDER BY id") if each.kind is Kind.LEVEL]

    def level_samples(self, key: SeriesKey, since: datetime) -> LevelSamples:
        """One level's history since an instant, as arrays to refill a history with."""
        state = next((state for _, state in self._good(checked_rows.STORE_STATE_FORM)), None)
        until_ms = LATEST_MS if state is None else state.last_commit_at_us // 1000 + AHEAD_MS
        with database.translated(self._path):
            return series_history.level_samples(self._conn, key, to_ms(since), until_ms)

    def note(self, owner: str) -> str:
        """What an owner wrote last; empty where it never did."""
        found = self._good(checked_rows.PROBE_STATE_FORM, "WHERE owner = ?", (text_column(owner),))
        return next((text for _, text in found), "")

    def message_ids(self, threads: Collection[str]) -> set[tuple[str, str]]:
        """Notifier and message id of every delivery of these threads."""
        rows = self._conn.execute(outbox_rows.OF_THREADS, (json.dumps([text_column(each) for each in threads]),))
        return {(json.loads(notifier), number) for notifier, number in rows.fetchall()}

    def last_check_ins(self, job: str) -> LastJobReports:
        """A job's newest reports."""
        found = {
            each.failed: each
            for _, each in self._good(checked_rows.JOB_REPORT_FORM, "WHERE job = ?", (text_column(job),))
        }
        return LastJobReports(found.get(False), found.get(True))

    def inspect(self, scope: Scope, after: int, limit: int) -> int | None:
        """Check up to `limit` rows for damage; returns where the next step continues."""
        with database.translated(self._path):
            found, then = inspection.step(self._conn, scope, after, limit)
        self._damages.update({(each.form.table, each.place): each for each in found})
        return then

    def quarantined(self, since: datetime, now: datetime) -> Sequence[Quarantined]:
        """Rows that were moved away since an instant, newest first."""
        with database.translated(self._path):
            return quarantine.newest(self._conn, since, now)

    def data_version(self) -> int:
        """A number that changes once any other connection has committed (SQLite's PRAGMA data_version)."""
        return int(self._rows("PRAGMA data_version")[0][0])

    def extent(self) -> Extent:
        """How large the database is, and how far back its samples and hours go."""
        (pages,), (page_bytes,) = *self._rows("PRAGMA page_count"), *self._rows("PRAGMA page_size")
        (free,) = self._rows("PRAGMA freelist_count")[0]
        return Extent(pages * page_bytes, free * page_bytes, *(self._oldest(*each) for each in _OLDEST))

    def _oldest(self, sql: str, width_ms: int) -> datetime | None:
        (found,) = self._rows(sql)[0]
        credible = found is not None and found * width_ms < LATEST_MS
        return EPOCH + timedelta(milliseconds=found * width_ms) if credible else None

    def events(
        self,
        *,
        key: SeriesKey | None,
        before_id: int | None,
        after_id: int | None,
        entry: Entry | None,
        since: datetime | None,
        limit: int,
    ) -> Sequence[EventLine]:
        """Event log lines, newest first; with after_id oldest first. Those that cannot be read are left out."""
        asked: list[tuple[str, Any]] = [
            ("key = ?", None if key is None else key_column(key)),
            ("id < ?", None if before_id is None else _within(before_id)),
            ("id > ?", None if after_id is None else _within(after_id)),
            ("entry = ?", None if entry is None else entry.value),
            ("at_us >= ?", None if since is None else to_us(since)),
        ]
        given = [(condition, value) for condition, value in asked if value is not None]
        found: list[EventLine] = []
        last: int | None = None
        most = _within(limit) if limit > 0 else LARGEST
        # Lines that cannot be read are not counted: a page that came back shorter would be taken for the last one.
        while (wanted := most - len(found)) > 0:
            some = self._lines(given, last, wanted, oldest_first=after_id is not None)
            found += [replace(line, id=row[0]) for row, line in self._judged(checked_rows.EVENT_FORM, some)]
            if len(some) < wanted:
                break
            last = some[-1][0]
        return found

    def _lines(
        self, given: Sequence[tuple[str, Any]], last: int | None, wanted: int, *, oldest_first: bool
    ) -> list[Values]:
        """Rows of the event log that fulfil these conditions, from after the last one on."""
        beyond = [] if last is None else [("id > ?" if oldest_first else "id < ?", last)]
        every = [*given, *beyond]
        where = " AND ".join(["TRUE", *(condition for condition, _ in every)])
        order = "ASC" if oldest_first else "DESC"
        return self._rows(
            f"{checked_rows.EVENT_FORM.selected} WHERE {where} ORDER BY id {order} LIMIT ?",
            (*(value for _, value in every), wanted),
        )

    def next_delivery(self, notifier: str, passing: Collection[int]) -> Delivery | None:
        """The waiting delivery of a notifier that is due first; those that cannot be read are skipped."""
        with database.translated(self._path):
            return outbox_rows.next_for(self._conn, notifier, passing, self._damaged_delivery)

    def held_deliveries(self, notifier: str, now: datetime) -> Sequence[Delivery]:
        """The deliveries that were held for quiet hours, are due and not tried yet; unreadable ones are left out."""
        with database.translated(self._path):
            return outbox_rows.held(self._conn, notifier, to_us(now), self._damaged_delivery)

    def deliveries(self, *, only_open: bool, limit: int) -> Sequence[Delivery]:
        """Deliveries of every notifier, newest first; those that cannot be read are left out."""
        with database.translated(self._path):
            return outbox_rows.listed(
                self._conn, only_open=only_open, limit=_within(limit), damaged=self._damaged_delivery
            )

    def waiting_deliveries(self) -> Mapping[str, int]:
        """How many deliveries wait, by notifier. Only an index is read, so damaged ones count too."""
        counted = dict[str, int]()
        for name, count in self._rows(
            "SELECT notifier, count(*) FROM outbox WHERE state = 'waiting' GROUP BY notifier"
        ):
            with suppress(ValueError):  # of a damaged row
                counted[json.loads(name)] = count
        return counted

    def last_commit_at(self) -> datetime | None:
        """The instant of the newest commit; None where there is none yet, or it cannot be read."""
        return next((from_us(state.last_commit_at_us) for _, state in self._good(checked_rows.STORE_STATE_FORM)), None)

    def _rows(self, sql: str, values: Sequence[Any] | Mapping[str, Any] = ()) -> list[Any]:
        with database.translated(self._path):
            return self._conn.execute(sql, values).fetchall()

    def _good(self, form: Form[T], which: str = "", values: Sequence[Any] = ()) -> Iterator[tuple[Values, T]]:
        """Rows of a table with their records. Damaged ones are left out, and remembered for the writer to move."""
        return self._judged(form, self._rows(f"{form.selected} {which}", values))

    def _judged(self, form: Form[T], found: Iterable[Values]) -> Iterator[tuple[Values, T]]:
        for row in found:
            try:
                yield row, form.read(row)
            except RowDamaged as error:
                self._remember(form, row, error)

    def _damaged_delivery(self, row: Values, error: RowDamaged) -> None:
        self._remember(checked_rows.OUTBOX_FORM, row, error)

    def _remember(self, form: Form[Any], row: Values, error: RowDamaged) -> None:
        if len(self._damages) < DAMAGES_AT_ONCE:
            damage = checked_rows.damage_of(form, row, error)
            self._damages[form.table, damage.place] = damage

    def _instant(self, at_us: int) -> datetime | None:
        """An instant from a row that is read for nothing else; None where it is damaged."""
        try:
            return from_us(at_us)
        except StoreDamaged:
            return None


def _within(number: int) -> int:
    return max(-LARGEST, min(number, LARGEST))
