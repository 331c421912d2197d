"""The tables whose rows carry a checksum: which columns it covers, how a row is checked, and how it is decoded.

The checksum is CRC-32 as zlib computes it (polynomial 0x04C11DB7, as in IEEE 802.3 and RFC 1952 8). It finds every
single burst of up to 32 bits, every change of up to three bits in a row of up to 11 kB (P. Koopman, "32-Bit Cyclic
Redundancy Codes for Internet Applications", 2002: Hamming distance 4 up to 91,607 bits), and misses one in 2**32 of all
others. It protects against damage, not against somebody who edits the file.

It covers every column that decides what the row says. Not covered: derived values (outbox.head), and numbers that only
order rows (events.id, outbox.id): a change of one breaks the order of its tree, which SQLite's own checks find.

SQLite keeps text as it is, damaged or not, so text is read with `text_of`, which keeps bytes that are not UTF-8. Not
here: what happens to a damaged row (store/recovery/quarantine.py). Samples have no checksum: it would take an eighth of
each.
"""

import json
import math
import sqlite3
import zlib
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from functools import lru_cache
from typing import Any, Generic, NamedTuple, TypeVar

from watchkeeper.errors import StoreDamaged, StoreError
from watchkeeper.model.alert import Alert
from watchkeeper.model.change import Change
from watchkeeper.model.finding import Finding
from watchkeeper.model.forecast_record import KeptForecast
from watchkeeper.model.observation import Kind, Observation, SeriesKey, Unit
from watchkeeper.model.operator.decision import Decision
from watchkeeper.model.probe_state import JobReport
from watchkeeper.model.records import Delivery, DeliveryState, Entry, EventLine
from watchkeeper.store.rows.codec import (
    ALERT,
    CHANGE,
    DECISION,
    FINDING,
    KEPT_FORECAST,
    LINE,
    MESSAGE,
    OBSERVATION,
    key_of,
)
from watchkeeper.store.rows.timestamps import from_us, to_us

T = TypeVar("T")
A = TypeVar("A")
B = TypeVar("B")
Values = tuple[Any, ...]

UNFIT = (StoreError, ValueError, TypeError, KeyError, AttributeError, ArithmeticError, RecursionError)
"""The errors that reading a damaged row may raise. None of them is about the file or the machine."""

SERIES = ("id", "key", "kind", "unit", "probe", "interval_s", "first_at_us")
LATEST = ("series", "at_us", "observation")
BODIES = ("key", "concern", "body")
STORE_STATE = ("last_commit_at_us", "events_from_us")
EVENTS = ("at_us", "entry", "key", "body")
OUTBOX = (
    *("notifier", "thread", "state", "due_at_us", "made_at_us", "done_at_us", "attempts", "error"),
    "message",
)
FORECASTS = ("key", "at_us", "body")
DECISIONS = FORECASTS
CHANGES = ("at_us", "body")
OUTAGES = ("series", "begin_ms", "end_ms", "down_ms", "reason")
PROBE_STATES = ("owner", "state")
JOB_REPORTS = ("job", "failed", "at_us", "message")


class RowDamaged(StoreDamaged):
    """One stored row cannot be read, or is not what was written. The others are not affected."""


class IndexWrong(RowDamaged):
    """The row is as it was written, and an index disagrees with it."""


class SeriesRow(NamedTuple):
    """A series' own row, as values."""

    id: int
    key: SeriesKey
    kind: Kind
    unit: Unit | None
    probe: str
    interval_s: float
    first_at_us: int


class OutageRow(NamedTuple):
    """An outage, in milliseconds since 1970. down_ms: how much of it was measured; 0: only its reason is known yet."""

    series: int
    begin_ms: int
    end_ms: int | None
    down_ms: int
    reason: str


class StoreState(NamedTuple):
    """last_commit_at_us: the newest commit. events_from_us: lines of the event log from before may be deleted."""

    last_commit_at_us: int
    events_from_us: int


def checksum(*values: object) -> int:
    """The checksum of a row's covered values, as a signed number: that takes 4 bytes, where an unsigned one may take 6.

    JSON text contains no line break, so the values cannot run into each other.
    """
    found = zlib.crc32("\n".join(map(str, values)).encode("utf-8", "surrogateescape"))
    return found - ((found & 0x80000000) << 1)


def with_checksums(rows: Iterable[tuple[A, B, str]]) -> list[tuple[A, B, str, int]]:
    """Rows of three values that are ASCII, each with the same; for those of every run, in two thirds of the time."""
    checked = []
    for one, two, text in rows:
        found = zlib.crc32(f"{one}\n{two}\n{text}".encode())
        checked.append((one, two, text, found - ((found & 0x80000000) << 1)))
    return checked


def text_of(raw: bytes) -> str:
    """Stored text; bytes that are not UTF-8 become lone surrogates (PEP 383), so that they can be written back."""
    return raw.decode("utf-8", "surrogateescape")


@dataclass(frozen=True, slots=True)
class Form(Generic[T]):
    """One table. place: the columns that identify a row. columns: those that the checksum covers, in this order.

    decode: turns the covered values into a record; raises one of UNFIT where they are not valid. subject: what a row
    is, in plain words.
    """

    table: str
    place: tuple[str, ...]
    columns: tuple[str, ...]
    decode: Callable[[Values], T]
    subject: str

    @property
    def selected(self) -> str:
        """The query whose rows read() and values_of() take."""
        return f"SELECT {', '.join((*self.place, *self.columns))}, crc FROM {self.table}"  # noqa: S608  fixed texts

    def values_of(self, row: Values) -> Values:
        """The covered values."""
        return row[len(self.place) : -1]

    def verify(self, row: Values) -> None:
        """Raise RowDamaged where the checksum is not that of the values."""
        if row[-1] is None:
            raise RowDamaged("it has no checksum")
        if row[-1] != checksum(*self.values_of(row)):
            raise RowDamaged("its checksum does not match its content")

    def read(self, row: Values) -> T:
        """Check a row and return the record. Raises RowDamaged."""
        self.verify(row)
        return self.understood(self.values_of(row))

    def understood(self, values: Values) -> T:
        """The record that these values represent, without checking the checksum. Raises RowDamaged."""
        try:
            return self.decode(values)
        except UNFIT as error:
            raise RowDamaged(f"its content cannot be read ({error})") from error


class Damage(NamedTuple):
    """A row found to be damaged. place: the values of its form's place. index_only: the row itself is good."""

    form: Form[Any]
    place: Values
    why: str
    index_only: bool = False


def damage_of(form: Form[Any], row: Values, error: RowDamaged) -> Damage:
    """The damage of a row that could not be read."""
    return Damage(form, row[: len(form.place)], str(error), isinstance(error, IndexWrong))


# What the values mean -------------------------------------------------------------------------------------------------


@lru_cache(maxsize=8192)  # as key_column()
def key_from(column: str) -> SeriesKey:
    """The key in a column. Raises one of UNFIT where there is none."""
    key = key_of(column)
    if type(key.subject) is not str or type(key.quantity) is not str:
        raise ValueError(f"{column} is no key of a series")
    return key


def _text(column: str) -> str:
    found = json.loads(column)
    if type(found) is not str:
        raise ValueError(f"{column[:80]} is not the text that should stand there")
    return found


def _agree(*, columns: object, body: object) -> None:
    if columns != body:
        raise ValueError(f"its columns say {columns} and its body says {body}")


def _series(values: Values) -> SeriesRow:
    number, key, kind, unit, probe, interval_s, first_at_us = values
    if not 0 < interval_s < math.inf:
        raise ValueError(f"{interval_s} s is no interval")
    from_us(first_at_us)
    kept_unit = None if unit is None else Unit(unit)
    return SeriesRow(number, key_from(key), Kind(kind), kept_unit, _text(probe), interval_s, first_at_us)


def _latest(values: Values) -> Observation:
    from_us(values[1])
    return OBSERVATION.loads(values[2])


def _finding(values: Values) -> Finding:
    found = FINDING.loads(values[2])
    _agree(columns=(key_from(values[0]), values[1]), body=(found.key, found.concern))
    return found


def _alert(values: Values) -> Alert:
    found = ALERT.loads(values[2])
    _agree(columns=(key_from(values[0]), values[1]), body=(found.key, found.concern))
    return found


def _forecast(values: Values) -> KeptForecast:
    found = KEPT_FORECAST.loads(values[2])
    _agree(columns=(key_from(values[0]), values[1]), body=(found.key, to_us(found.at)))
    return found


def _decision(values: Values) -> Decision:
    found = DECISION.loads(values[2])
    _agree(columns=(key_from(values[0]), values[1]), body=(found.key, to_us(found.at)))
    return found


def _change(values: Values) -> Change:
    found = CHANGE.loads(values[1])
    _agree(columns=values[0], body=to_us(found.at))
    return found


def _outage(values: Values) -> OutageRow:
    series, begin_ms, end_ms, down_ms, reason = values
    if not 0 <= begin_ms <= (begin_ms if end_ms is None else end_ms) or down_ms < 0:
        raise ValueError(f"it cannot last from {begin_ms} to {end_ms}, of which {down_ms} ms were measured")
    return OutageRow(series, begin_ms, end_ms, down_ms, _text(reason))


def _line(values: Values) -> EventLine:
    at_us, entry, key, body = values
    found = LINE.loads(body)
    columns = (at_us, Entry(entry), None if key is None else key_from(key))
    _agree(columns=columns, body=(to_us(found.at), found.entry, found.key))
    return found


def _delivery(values: Values) -> Delivery:
    notifier, thread, state, due_at_us, made_at_us, done_at_us, tries, trouble, message = values
    found = MESSAGE.loads(message)
    _agree(columns=_text(thread), body=found.thread)
    return Delivery(
        notifier=_text(notifier),
        message=found,
        made_at=from_us(made_at_us),
        due_at=from_us(due_at_us),
        state=DeliveryState(state),
        tries=tries,
        trouble=_text(trouble),
        done_at=None if done_at_us is None else from_us(done_at_us),
    )


def _probe_state(values: Values) -> str:
    _text(values[0])
    return _text(values[1])


def _job_report(values: Values) -> JobReport:
    job, failed, at_us, said = values
    return JobReport(_text(job), from_us(at_us), bool(failed), _text(said))


def _store_state(values: Values) -> StoreState:
    from_us(values[0])
    from_us(values[1])
    return StoreState(*values)


SERIES_FORM = Form("series", ("id",), SERIES, _series, "a series")
LATEST_FORM = Form("latest", ("series",), LATEST, _latest, "the newest sample of a series")
FINDING_FORM = Form("findings", ("id",), BODIES, _finding, "a finding")
ALERT_FORM = Form("alerts", ("id",), BODIES, _alert, "an alert")
STORE_STATE_FORM = Form("store_state", ("id",), STORE_STATE, _store_state, "the time of the newest commit")
FORECAST_FORM = Form("forecasts", ("id",), FORECASTS, _forecast, "a forecast that was kept")
DECISION_FORM = Form("decisions", ("id",), DECISIONS, _decision, "why something was or was not sent")
CHANGE_FORM = Form("changes", ("id",), CHANGES, _change, "a change of the host")
OUTAGE_FORM = Form("outages", ("id",), OUTAGES, _outage, "an outage")
EVENT_FORM = Form("events", ("id",), EVENTS, _line, "a line of the event log")
OUTBOX_FORM = Form("outbox", ("id",), OUTBOX, _delivery, "a message")
PROBE_STATE_FORM = Form("probe_states", ("owner",), PROBE_STATES, _probe_state, "the state of a probe")
JOB_REPORT_FORM = Form("job_reports", ("job", "failed"), JOB_REPORTS, _job_report, "a report")

FORMS: tuple[Form[Any], ...] = (
    *(SERIES_FORM, LATEST_FORM, FINDING_FORM, ALERT_FORM, STORE_STATE_FORM),
    *(OUTBOX_FORM, PROBE_STATE_FORM, JOB_REPORT_FORM, EVENT_FORM, FORECAST_FORM),
    *(DECISION_FORM, CHANGE_FORM, OUTAGE_FORM),
)
"""Every table with a checksum; series first, because the others are repaired from them."""


def store_state(conn: sqlite3.Connection) -> StoreState | None:
    """When the newest commit was; None where that is unknown. Raises RowDamaged."""
    row = conn.execute(STORE_STATE_FORM.selected).fetchone()
    return None if row is None else STORE_STATE_FORM.read(row)


@contextmanager
def wrong_indexes_allowed(conn: sqlite3.Connection) -> Iterator[None]:
    """Allow changing a row that an index lacks, which SQLite does only in this mode (OP_IdxDelete in its sources)."""
    conn.execute("PRAGMA writable_schema = ON")
    try:
        yield
    finally:
        conn.execute("PRAGMA writable_schema = OFF")
