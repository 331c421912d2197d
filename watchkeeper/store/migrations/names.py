"""Rewrites the rows of version 3 in the names of version 4: what a concern is called, and fields of stored records.

A row that cannot be read stays as it is, and is then found as damaged. The same functions bring the rows of an older
damaged database up to date (store/recovery/salvage.py), so each of them accepts a row of either version.
"""

import json
import sqlite3
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from typing import Any

from watchkeeper.store import checked_rows
from watchkeeper.store.checked_rows import UNFIT, Form, RowDamaged, Values

STEP = 1000
"""Rows in memory at once."""

CONCERNS = {"silent": "not_answering", "unsound": "faulty", "stale": "not_reporting"}
"""The values of `concern` that have another name since version 4."""

KINDS = {"returned": "after-reboot"}
"""Kinds of probes that have another name since version 4, and a state."""

Rewrite = Callable[[Values], Values]


@dataclass(frozen=True, slots=True)
class Renamed:
    """One table. old: its form up to version 3; new: since version 4. rewrite: from the old values to the new ones."""

    old: Form[Any]
    new: Form[Any]
    rewrite: Rewrite

    def rewritten(self, values: Values) -> Values:
        """The values in the names of version 4. Raises RowDamaged where they cannot be read."""
        try:
            return self.rewrite(values)
        except UNFIT as error:
            raise RowDamaged(f"its content cannot be read ({error})") from error


def rename(conn: sqlite3.Connection) -> None:
    """Rewrite every row whose content is what was written, inside the caller's transaction."""
    with damaged_text(conn), checked_rows.wrong_indexes_allowed(conn):
        for each in TABLES:
            _rename(conn, each)
        _copy_states(conn)
    conn.execute("REINDEX findings")
    conn.execute("REINDEX alerts")


def _copy_states(conn: sqlite3.Connection) -> None:
    """Give a probe without a name of its own what it knew under the old name of its kind."""
    form = BY_NAME["probe_states"].old
    for old, new in KINDS.items():
        with suppress(RowDamaged):
            for row in conn.execute(f"{form.selected} WHERE owner = ?", (json.dumps(old),)).fetchall():
                form.verify(row)
                values = (json.dumps(new), row[2])
                sql = "INSERT OR IGNORE INTO notes (owner, body, crc) VALUES (?, ?, ?)"
                conn.execute(sql, (*values, checked_rows.checksum(*values)))


def _rename(conn: sqlite3.Connection, table: Renamed) -> None:
    old = table.old
    columns = ", ".join(f"{name} = ?" for name in (*old.columns, "crc"))
    where = " AND ".join(f"{name} = ?" for name in old.place)
    update = f"UPDATE {old.table} SET {columns} WHERE {where}"  # noqa: S608  fixed texts
    for some in steps(conn, old):
        conn.executemany(update, list(_changes(table, some)))


def _changes(table: Renamed, some: list[Values]) -> Iterator[Values]:
    """New values, checksum and place of the rows that change."""
    for row in some:
        values = table.old.values_of(row)
        try:
            table.old.verify(row)
            after = table.rewritten(values)
        except RowDamaged:
            continue
        if after != values:
            yield (*after, checked_rows.checksum(*after), *row[: len(table.old.place)])


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
_MESSAGE = {"telling": "kind"}
_OBSERVATION = {"sound": "ok", "may_be_full": "not_judged"}


def _record(text: str, fields: Mapping[str, str]) -> str:
    """A stored record with its fields and its concern renamed; the same text where nothing is."""
    record = json.loads(text)
    after = {fields.get(name, name): value for name, value in record.items()}
    if after.get("concern") in CONCERNS:
        after["concern"] = CONCERNS[after["concern"]]
    details = after.get("details")
    if details and details.get("event") == "tell":
        after["details"] = details | {"event": "notify"}
    return text if after == record else json.dumps(after, separators=(",", ":"))


def _last(**fields: str) -> Rewrite:
    """For tables whose last column is the record."""
    return lambda values: (*values[:-1], _record(values[-1], fields))


def _with_concern(**fields: str) -> Rewrite:
    """For findings and alerts, whose concern is in a column too."""
    return lambda values: (values[0], CONCERNS.get(values[1], values[1]), _record(values[2], fields))


def _unchanged(values: Values) -> Values:
    return values


def _table(
    form: Form[Any],
    rewrite: Rewrite = _unchanged,
    *,
    table: str = "",
    columns: Mapping[str, str] | None = None,
) -> Renamed:
    """One table. table, columns: its name up to version 3, and the old names of its columns by the new ones."""
    before = tuple((columns or {}).get(name, name) for name in form.columns)

    def decode(values: Values) -> Any:  # noqa: ANN401  the form's own record
        return form.decode(rewrite(values))

    return Renamed(Form(table or form.table, form.place, before, decode, form.subject), form, rewrite)


TABLES = (
    _table(checked_rows.SERIES_FORM),
    _table(checked_rows.LATEST_FORM, _last(**_OBSERVATION)),
    _table(checked_rows.FINDING_FORM, _with_concern()),
    _table(checked_rows.ALERT_FORM, _with_concern(**_ALERT)),
    _table(
        checked_rows.STORE_STATE_FORM,
        table="life",
        columns={"last_commit_at_us": "alive_at_us", "events_from_us": "journal_from_us"},
    ),
    _table(checked_rows.OUTBOX_FORM, _last(**_MESSAGE), columns={"attempts": "tries", "error": "trouble"}),
    _table(checked_rows.PROBE_STATE_FORM, table="notes", columns={"state": "body"}),
    _table(checked_rows.JOB_REPORT_FORM, table="check_ins", columns={"message": "said"}),
    _table(checked_rows.EVENT_FORM, _last(), table="journal"),
)
"""Every table with a checksum."""

BY_NAME = {each.new.table: each for each in TABLES}
