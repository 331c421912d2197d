"""Writes rows within a transaction that the caller has opened (commit_queue.py), with the SQL of samples and alerts.

Not here: the outbox's order (outbox_rows.py), transactions, threads.
"""

import sqlite3
from collections.abc import Mapping, Sequence
from contextlib import suppress
from datetime import datetime
from itertools import islice
from typing import assert_never

from watchkeeper.clock import Clock
from watchkeeper.model.alert import Alert, Concern
from watchkeeper.model.change import Change
from watchkeeper.model.finding import Finding
from watchkeeper.model.observation import Answer, Condition, Deadline, Kind, Level, Observation, SeriesKey, Unit
from watchkeeper.model.probe_state import JobReport
from watchkeeper.model.records import Commit, Delivery, EventLine, Quarantined, Seen
from watchkeeper.store.history import change_rows, decision_rows, outage_rows
from watchkeeper.store.history.rollup import Chore, Step
from watchkeeper.store.recovery import inspection, quarantine, replacement
from watchkeeper.store.recovery.inspection import Scope
from watchkeeper.store.replication.cursor import LATE_OWNER, Late, late_of, late_text, with_late, without_late
from watchkeeper.store.rows import checked_rows, event_lines, forecast_rows, outbox_rows
from watchkeeper.store.rows.checked_rows import Damage, RowDamaged, SeriesRow, StoreState
from watchkeeper.store.rows.codec import ALERT, FINDING, OBSERVATION, key_column, text_column
from watchkeeper.store.rows.timestamps import to_ms, to_us

SWEEP_STEP = 500
"""Rows in memory at once during a full check."""

MOVED_AT_ONCE = 200
"""Damaged rows moved in one transaction; the rest is found again."""

# A second sample of the same millisecond (a leap second's repeated stamp, a clock set back) replaces the first: a
# series has one value at a time, and the later reading is the better one.
_SAMPLE = "INSERT OR REPLACE INTO samples (series, at_ms, value, bound) VALUES (?, ?, ?, ?)"
_NEWEST = "SELECT max(at_ms) FROM samples WHERE series = ?"
_LATEST = (
    "INSERT INTO latest (series, at_us, observation, crc) VALUES (?, ?, ?, ?)"
    " ON CONFLICT (series) DO UPDATE SET"
    " at_us = excluded.at_us, observation = excluded.observation, crc = excluded.crc"
)
_FINDING = (
    "INSERT INTO findings (key, concern, body, crc) VALUES (?, ?, ?, ?)"
    " ON CONFLICT (key, concern) DO UPDATE SET body = excluded.body, crc = excluded.crc"
)
_ALERT = (
    "INSERT INTO alerts (key, concern, body, crc) VALUES (?, ?, ?, ?)"
    " ON CONFLICT (key, concern) DO UPDATE SET body = excluded.body, crc = excluded.crc"
)
_NOTE = (
    "INSERT INTO probe_states (owner, state, crc) VALUES (?, ?, ?)"
    " ON CONFLICT (owner) DO UPDATE SET state = excluded.state, crc = excluded.crc"
)
_CHECK_IN = (
    "INSERT INTO job_reports (job, failed, at_us, message, crc) VALUES (?, ?, ?, ?, ?)"
    " ON CONFLICT (job, failed) DO UPDATE SET at_us = excluded.at_us, message = excluded.message, crc = excluded.crc"
)

Described = tuple[Kind, Unit | None, str, float]
"""The content of a series' row besides its key: kind, unit, probe, interval_s."""


class Writer:
    """Writes into the open transaction, and caches the series' numbers."""

    def __init__(self, conn: sqlite3.Connection) -> None:
        """conn: a connection of open_writing(), used in this thread only."""
        self._conn = conn
        self._known: dict[SeriesKey, tuple[int, Described]] = {}
        self._found: dict[tuple[SeriesKey, Concern], Finding] = {}
        self._samples: list[tuple[int, int, float | None, float | None]] = []
        self._latest: list[tuple[int, int, str, int]] = []
        self._newest_ms: dict[int, int] = {}
        self._late_ms: dict[int, int] = {}
        self._down: set[int] = set()
        self._alive_at: datetime | None = None
        self._events_from_us: int | None = None

    def forget(self) -> None:
        """Drop what is cached after a rollback: what that transaction wrote is not in the database."""
        self._known.clear()
        self._found.clear()
        self._newest_ms.clear()
        self._down.clear()
        self._events_from_us = None
        self._done()

    def flush(self) -> None:
        """Write the rows that were gathered; the caller does so before every COMMIT.

        Samples come in many small units of work that share a transaction: one executemany for all of them costs less.
        """
        self._conn.executemany(_SAMPLE, self._samples)
        self._conn.executemany(_LATEST, self._latest)
        if self._late_ms:
            self.write_note(LATE_OWNER, late_text(with_late(self._late(), self._late_ms)))
        if self._alive_at is not None:
            replacement.write_store_state(self._conn, StoreState(to_us(self._alive_at), self._events_from()))
        self._done()

    def _late(self) -> dict[int, Late]:
        row = self._conn.execute(
            f"{checked_rows.PROBE_STATE_FORM.selected} WHERE owner = ?", (text_column(LATE_OWNER),)
        ).fetchone()
        with suppress(RowDamaged):
            return late_of(checked_rows.PROBE_STATE_FORM.read(row)) if row is not None else {}
        return {}

    def late_copied(self, copied: Mapping[int, Late]) -> None:
        """Forget late samples that were copied into the archive."""
        self.write_note(LATE_OWNER, late_text(without_late(self._late(), copied)))

    def _events_from(self) -> int:
        """Since when the event log is kept. 0 where that cannot be read: the next deletion of lines sets it again."""
        if self._events_from_us is None:
            with suppress(RowDamaged):
                state = checked_rows.store_state(self._conn)
                self._events_from_us = 0 if state is None else state.events_from_us
        return self._events_from_us or 0

    def _done(self) -> None:
        self._samples, self._latest, self._alive_at, self._late_ms = [], [], None, {}

    def commit(self, commit: Commit) -> None:
        """Write all of a unit of work. Raises StoreError for what cannot be stored, sqlite3.Error."""
        seen_at = self._write_seen(commit.seen)
        if findings := self._new_findings(commit):
            texts = FINDING.dumps_each(findings)
            found = [(key_column(f.key), f.concern.value, text) for f, text in zip(findings, texts, strict=True)]
            self._conn.executemany(_FINDING, checked_rows.with_checksums(found))
        for alert in commit.alerts:
            self._write_alert(alert)
        for line in commit.events:
            self.write_line(line)
        forecast_rows.write(self._conn, commit.forecasts)
        decision_rows.write(self._conn, commit.decisions)
        for delivery in commit.deliveries:
            outbox_rows.insert(self._conn, delivery)
        self._alive_at = _newest(commit, seen_at) or self._alive_at

    def delivery_done(self, delivery: Delivery, line: EventLine | None) -> None:
        """Write what became of a delivery, with its event log line."""
        outbox_rows.update(self._conn, delivery)
        if line is not None:
            self.write_line(line)
            self._alive_at = line.at

    def put_together(self, one: Delivery, held: Sequence[tuple[Delivery, EventLine]]) -> None:
        """Add a delivery in place of others."""
        outbox_rows.insert(self._conn, one)
        for each, line in held:
            self.delivery_done(each, line)

    def chore(self, chore: Chore, limit: int, after: int) -> Step:
        """Take one step of retention, on at most `limit` rows."""
        self.flush()  # the step sees what came before it in the same transaction
        step = chore(self._conn, limit, after)
        self._events_from_us = None
        if step.gone:
            self._known.clear()
            self._found.clear()
        return step

    def set_aside(self, damages: Sequence[Damage], at: datetime) -> Sequence[Quarantined]:
        """Move damaged rows to the quarantine, and write what can be known in their place."""
        self.flush()
        moved = quarantine.set_aside(self._conn, damages, at)
        self._known.clear()
        self._found.clear()
        self._events_from_us = None
        return moved

    def sweep(self, scopes: tuple[Scope, ...], at: datetime, *, rebuild: bool) -> Sequence[Quarantined]:
        """Check the rows of these scopes, and move the damaged ones. rebuild: rebuild their tables' indexes."""
        found = list(islice(inspection.every(self._conn, scopes, SWEEP_STEP), MOVED_AT_ONCE))
        moved = self.set_aside(found, at)
        for table in {scope.form.table for scope in scopes} if rebuild else ():
            self._conn.execute(f"REINDEX {table}")
        outbox_rows.recrown(self._conn)
        return moved

    def reindex(self, name: str, why: str, at: datetime) -> None:
        """Rebuild an index, once no damaged row is in its way, and record why."""
        self.sweep(inspection.WHOLE, at, rebuild=False)
        self._conn.execute(f'REINDEX "{name}"')
        quarantine.record(
            self._conn, quarantine.SCHEMA, name, why, f"the index {name} was wrong: it was built again", "", at
        )

    def hand_back(self, pages: int, spare_share: float) -> int:
        """Return at most `pages` free pages to the file system, except a share of all; returns how many that were."""
        (free,) = self._conn.execute("PRAGMA freelist_count").fetchone()
        (every,) = self._conn.execute("PRAGMA page_count").fetchone()
        count: int = max(0, min(pages, free - int(every * spare_share)))
        for _ in range(count):
            # One at a time: Python's sqlite3 makes a single step of a statement that has no columns, and this one frees
            # a page at each step.
            self._conn.execute("PRAGMA incremental_vacuum(1)")
        return count

    def report_tree(self, table: str, why: str, at: datetime) -> None:
        """Record that the pages of a table are damaged: only a restart repairs that."""
        about = f"the table {table} is damaged: restart the daemon, which then keeps all that can be read"
        quarantine.record(self._conn, quarantine.SCHEMA, table, why, about, "", at)

    def write_note(self, owner: str, text: str) -> None:
        """Replace an owner's notes."""
        values = (text_column(owner), text_column(text))
        self._conn.execute(_NOTE, (*values, checked_rows.checksum(*values)))

    def write_check_in(self, check_in: JobReport) -> None:
        """Write a job report in place of the previous one with the same result."""
        said = text_column(check_in.message)
        values = (text_column(check_in.job), int(check_in.failed), to_us(check_in.at), said)
        self._conn.execute(_CHECK_IN, (*values, checked_rows.checksum(*values)))

    def write_changes(self, changes: Sequence[Change]) -> None:
        """Write what changed on the host; what is there already is not written twice."""
        change_rows.write(self._conn, changes)

    def write_line(self, line: EventLine) -> None:
        """Append to the event log."""
        event_lines.append(self._conn, line)

    def _new_findings(self, commit: Commit) -> list[Finding]:
        """The findings that are not stored yet. One that is the same as at the sample before is as old as the newest
        sample of its series, which is stored in any case: so the reader knows its time (Reader.findings).
        """
        new, seen = [], {each.observation.key for each in commit.seen}
        for each in commit.findings:
            place = each.key, each.concern
            stored = self._found.get(place)
            if stored is None or each.key not in seen or each.at < stored.at or not each.repeats(stored):
                self._found[place] = each
                new.append(each)
        return new

    def _write_seen(self, seen: tuple[Seen, ...]) -> datetime | None:
        """Gather what was seen; returns its newest instant."""
        newest, at, at_ms, at_us = None, None, 0, 0
        latest = []
        for each, text in zip(seen, OBSERVATION.dumps_each([each.observation for each in seen]), strict=True):
            found = each.observation
            if each.at is not at:  # the observations of a unit of work share their instant
                at, at_ms, at_us = each.at, to_ms(each.at), to_us(each.at)
                newest = at if newest is None else max(newest, at)
            series = self._series_of(each, found)
            self._samples.append((series, at_ms, *sample_of(found)))
            if at_ms > self._newest_ms.get(series, -1):
                self._newest_ms[series] = at_ms
            else:
                self._late_ms[series] = min(at_ms, self._late_ms.get(series, at_ms))
            latest.append((series, at_us, text))
            if isinstance(found, Answer):
                self._write_reason(series, at_ms, found)
        self._latest += checked_rows.with_checksums(latest)
        return newest

    def _write_reason(self, series: int, at_ms: int, found: Answer) -> None:
        """Write why it stopped answering; of a service that still does not answer, again after a start."""
        if found.answered:
            self._down.discard(series)
        elif series not in self._down:
            self._down.add(series)
            outage_rows.note(self._conn, series, at_ms, found.reason)

    def _series_of(self, seen: Seen, found: Observation) -> int:
        """The series' number; its row is brought up to date."""
        described = (found.kind, getattr(found, "unit", None), seen.probe, seen.interval_s)
        known = self._known.get(found.key)
        if known is None or known[1] != described:
            known = (self._upsert_series(found.key, described, seen.at), described)
            self._known[found.key] = known
            if known[0] not in self._newest_ms:
                (newest,) = self._conn.execute(_NEWEST, known[:1]).fetchone()
                self._newest_ms[known[0]] = -1 if newest is None else newest
        return known[0]

    def _upsert_series(self, key: SeriesKey, described: Described, at: datetime) -> int:
        row, (kind, unit, probe, interval_s) = self._series_row(key), described
        number, first_at_us = (self._next_series(), to_us(at)) if row is None else (row.id, row.first_at_us)
        replacement.write_series(self._conn, SeriesRow(number, key, kind, unit, probe, interval_s, first_at_us))
        return number

    def _series_row(self, key: SeriesKey) -> SeriesRow | None:
        """The series' own row; a damaged one is repaired first, so that it does not get a valid checksum."""
        for _ in range(2):
            row = self._conn.execute(
                f"{checked_rows.SERIES_FORM.selected} WHERE key = ?", (key_column(key),)
            ).fetchone()
            try:
                return None if row is None else checked_rows.SERIES_FORM.read(row)
            except RowDamaged as error:
                damage = checked_rows.damage_of(checked_rows.SERIES_FORM, row, error)
                quarantine.set_aside(self._conn, [damage], Clock().now())
        return None

    def _next_series(self) -> int:
        (newest,) = self._conn.execute("SELECT max(id) FROM series").fetchone()
        return 1 + int(newest or 0)

    def _write_alert(self, alert: Alert) -> None:
        where = (key_column(alert.key), alert.concern.value)
        if alert == Alert(alert.key, alert.concern):
            self._conn.execute("DELETE FROM alerts WHERE key = ? AND concern = ?", where)
        else:
            values = (*where, ALERT.dumps(alert))
            self._conn.execute(_ALERT, (*values, checked_rows.checksum(*values)))


def sample_of(observation: Observation) -> tuple[float | None, float | None]:
    """What is kept of an observation as one sample: value and bound, as defined by records.Sample."""
    match observation:
        case Level():
            return float(observation.used), float(observation.capacity)
        case Deadline():
            return None if observation.due_at is None else observation.due_at.timestamp(), None
        case Answer():
            # A sample without a value is a missing answer: one that came without a time took none.
            return (observation.took_s or 0.0) if observation.answered else None, None
        case Condition():
            return float(observation.ok), None
        case _:
            assert_never(observation)


def _newest(commit: Commit, seen_at: datetime | None) -> datetime | None:
    """The instant at which a unit of work was made: the newest that it contains (an alert's own may be long past)."""
    instants = [] if seen_at is None else [seen_at]
    instants += [found.at for found in commit.findings]
    instants += [line.at for line in commit.events]
    instants += [delivery.made_at for delivery in commit.deliveries]
    return max(instants, default=None)
