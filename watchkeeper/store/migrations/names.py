"""Rewrites rows in today's names, in the migration to version 5: concerns, quantities, fields of stored records.

A row that cannot be read stays as it is, and is then found as damaged. The same functions bring the rows of an older
damaged database up to date (store/recovery/salvage.py), so each of them accepts a row of any version.
"""

import json
import sqlite3
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from typing import Any

from watchkeeper.model.history.first_quantities import RENAMED, todays_key
from watchkeeper.model.observation import SeriesKey
from watchkeeper.model.records import DeliveryState
from watchkeeper.store.rows import checked_rows
from watchkeeper.store.rows.checked_rows import UNFIT, Form, RowDamaged, Values
from watchkeeper.store.rows.codec import key_column, key_of

STEP = 1000
"""Rows in memory at once."""

CONCERNS = {"silent": "not_answering", "unsound": "faulty", "stale": "not_reporting"}
"""The values of `concern` that have another name."""

KINDS = {"returned": "after-reboot"}
"""Kinds of probes that have another name, and a state."""

OWNERS = {json.dumps(" keeping"): json.dumps(" retention")}
"""Owners of a state that are no probe, and that have another name."""

Rewrite = Callable[[Values], Values]


@dataclass(frozen=True, slots=True)
class Renamed:
    """One table. old: its form up to version 3; new: its form today. rewrite: from older values to today's."""

    old: Form[Any]
    new: Form[Any]
    rewrite: Rewrite

    def rewritten(self, values: Values) -> Values:
        """The values in today's names. Raises RowDamaged where they cannot be read."""
        try:
            return self.rewrite(values)
        except UNFIT as error:
            raise RowDamaged(f"its content cannot be read ({error})") from error


def rename(conn: sqlite3.Connection) -> None:
    """Rewrite every row whose content is what was written, inside the caller's transaction.

    The tables have the form of today. A quantity keeps its name if another one has its new name already.
    """
    with damaged_text(conn), checked_rows.wrong_indexes_allowed(conn):
        for each in tables(_taken(conn)):
            _rename(conn, each)
        _copy_states(conn)
    conn.execute("REINDEX findings")
    conn.execute("REINDEX alerts")


def _taken(conn: sqlite3.Connection) -> frozenset[str]:
    """Keys, as columns, of series that have today's name of a quantity before anything is renamed."""
    names = {today for _, today in RENAMED.values()}
    sql = "SELECT key FROM series UNION SELECT key FROM findings UNION SELECT key FROM alerts"
    return frozenset(key for (key,) in conn.execute(sql) if any(key.endswith(f'"{each}"]') for each in names))


def _copy_states(conn: sqlite3.Connection) -> None:
    """Give a probe without a name of its own what it knew under the old name of its kind."""
    form = BY_NAME["probe_states"].new
    for old, new in KINDS.items():
        with suppress(RowDamaged):
            for row in conn.execute(f"{form.selected} WHERE owner = ?", (json.dumps(old),)).fetchall():
                form.verify(row)
                values = (json.dumps(new), row[2])
                sql = "INSERT OR IGNORE INTO probe_states (owner, state, crc) VALUES (?, ?, ?)"
                conn.execute(sql, (*values, checked_rows.checksum(*values)))


def _rename(conn: sqlite3.Connection, table: Renamed) -> None:
    form = table.new
    columns = ", ".join(f"{name} = ?" for name in (*form.columns, "crc"))
    where = " AND ".join(f"{name} = ?" for name in form.place)
    update = f"UPDATE {form.table} SET {columns} WHERE {where}"  # noqa: S608  fixed texts
    for some in steps(conn, form):
        conn.executemany(update, list(_changes(table, some)))


def _changes(table: Renamed, some: list[Values]) -> Iterator[Values]:
    """New values, checksum and place of the rows that change."""
    for row in some:
        values = table.new.values_of(row)
        try:
            table.new.verify(row)
            after = table.rewritten(values)
        except RowDamaged:
            continue
        if after != values:
            yield (*after, checked_rows.checksum(*after), *row[: len(table.new.place)])


def steps(conn: sqlite3.Connection, form: Form[Any]) -> Iterator[list[Values]]:
    """A table's rows, in batches. A table without row numbers has only a few rows."""
    if len(form.place) > 1 or form.place[0] not in ("id", "series"):
        yield conn.execute(form.selected).fetchall()
        return
    name, last = form.place[0], -(2**63)
    sql = f"{form.selected} WHERE {name} > ? ORDER BY {name} LIMIT {STEP}"
    while some := conn.execute(sql, (last,)).fetchall():
        yield some
        last = some[-1][0]


@contextmanager
def damaged_text(conn: sqlite3.Connection) -> Iterator[None]:
    """Read text that is not UTF-8 too."""
    factory, conn.text_factory = conn.text_factory, checked_rows.text_of
    try:
        yield
    finally:
        conn.text_factory = factory


# What is renamed ------------------------------------------------------------------------------------------------------

_ALERT = {
    "told": "notified_priority",
    "tellings": "message_count",
    "unknown_since": "unacknowledged_since",
    "falls": "recent_ends",
    "comings": "raise_count",
}
_MESSAGE = {"telling": "kind", "trial": "test"}
_OBSERVATION = {"sound": "ok", "may_be_full": "not_judged"}
_DETAILS = {"tries": "attempts", "trouble": "error"}
"""In the details of an event about a delivery."""

_QUOTED = tuple(json.dumps(quantity) for quantity in RENAMED)


class _Rewriter:
    """Gives stored records and keys their names of today. taken: keys, as columns, that no other key may become."""

    def __init__(self, taken: frozenset[str]) -> None:
        self._taken = taken

    def record(self, text: str, fields: Mapping[str, str]) -> str:
        """A stored record with its fields, its concern and its keys renamed; the same text where nothing is."""
        record = json.loads(text)
        after = {fields.get(name, name): self._value(name, value) for name, value in record.items()}
        return text if after == record else json.dumps(after, separators=(",", ":"))

    def _value(self, name: str, value: Any) -> Any:  # noqa: ANN401  JSON
        match name, value:
            case "concern", str():
                return CONCERNS.get(value, value)
            case (("key" | "held_by"), {"subject": str(), "quantity": str()}):
                return self._key(SeriesKey(**value))._asdict()
            case "details", {"event": "tell"}:
                return value | {"event": "notify"}
            case "details", {"notifier": _}:
                return {_DETAILS.get(each, each): said for each, said in value.items()}
            case _:
                return value

    def _key(self, key: SeriesKey) -> SeriesKey:
        today = todays_key(key)
        return key if key_column(today) in self._taken else today

    def key(self, column: str | None) -> str | None:
        """A key's column with today's quantity; the same text where it has another one."""
        if column is None or not any(quantity in column for quantity in _QUOTED):
            return column
        return key_column(self._key(key_of(column)))

    def last(self, **fields: str) -> Rewrite:
        """For tables whose last column is the record."""
        return lambda values: (*values[:-1], self.record(values[-1], fields))

    def with_concern(self, **fields: str) -> Rewrite:
        """For findings and alerts, whose key and concern are in columns too."""
        return lambda values: (
            self.key(values[0]),
            CONCERNS.get(values[1], values[1]),
            self.record(values[2], fields),
        )

    def series(self, values: Values) -> Values:
        """A series' own row."""
        return (values[0], self.key(values[1]), *values[2:])

    def event(self, values: Values) -> Values:
        """A line of the event log."""
        at_us, entry, key, body = values
        return at_us, entry, self.key(key), self.record(body, {})

    def delivery(self, values: Values) -> Values:
        """A message with its new field names.

        One id must never have two contents. A receiver may have accepted an earlier attempt without being able to
        confirm it, so a message that was tried before gets an id of its own.
        """
        _, _, state, *_, attempts, _, old = values
        message = self.record(old, _MESSAGE)
        if message != old and state == DeliveryState.WAITING and attempts > 0:
            named = json.loads(message)
            message = json.dumps(named | {"id": f"{named['id']}-upgraded"}, separators=(",", ":"))
        return *values[:-1], message


def _state(values: Values) -> Values:
    return OWNERS.get(values[0], values[0]), values[1]


def _unchanged(values: Values) -> Values:
    return values


def _table(
    form: Form[Any],
    rewrite: Rewrite = _unchanged,
    *,
    table: str = "",
    columns: Mapping[str, str] | None = None,
) -> Renamed:
    """One table. table, columns: its name up to version 3, and the names that its columns had, by today's."""
    before = tuple((columns or {}).get(name, name) for name in form.columns)

    def decode(values: Values) -> Any:  # noqa: ANN401  the form's own record
        return form.decode(rewrite(values))

    return Renamed(Form(table or form.table, form.place, before, decode, form.subject), form, rewrite)


def tables(taken: frozenset[str] = frozenset()) -> tuple[Renamed, ...]:
    """Every table with a checksum. taken: keys, as columns, that no other key may become."""
    of = _Rewriter(taken)
    return (
        _table(checked_rows.SERIES_FORM, of.series),
        _table(checked_rows.LATEST_FORM, of.last(**_OBSERVATION)),
        _table(checked_rows.FINDING_FORM, of.with_concern()),
        _table(checked_rows.ALERT_FORM, of.with_concern(**_ALERT)),
        _table(
            checked_rows.STORE_STATE_FORM,
            table="life",
            columns={"last_commit_at_us": "alive_at_us", "events_from_us": "journal_from_us"},
        ),
        _table(checked_rows.OUTBOX_FORM, of.delivery, columns={"attempts": "tries", "error": "trouble"}),
        _table(checked_rows.PROBE_STATE_FORM, _state, table="notes", columns={"state": "body"}),
        _table(checked_rows.JOB_REPORT_FORM, table="check_ins", columns={"message": "said"}),
        _table(checked_rows.EVENT_FORM, of.event, table="journal"),
    )


TABLES = tables()

BY_NAME = {each.new.table: each for each in TABLES}
