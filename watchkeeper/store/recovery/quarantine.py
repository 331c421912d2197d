"""Moves a row that cannot be read out of its table, into `quarantine`, so that it blocks nothing.

The copy, the deletion, and the row's replacement (replacement.py) share one transaction. A bit that changed in an
indexed column leaves an index with the old value: deleting such a row fails in SQLite unless that is allowed, so it is
allowed for this one statement, and the table's indexes are rebuilt. Not here: how damaged rows are found
(inspection.py), and how it is reported (store/writer.py).
"""

import json
import logging
import re
import sqlite3
from collections.abc import Sequence
from datetime import datetime, timedelta
from typing import Any

from watchkeeper.logs.fields import Event
from watchkeeper.logs.fields import about as fields
from watchkeeper.model.observation import SeriesKey
from watchkeeper.model.records import DeliveryState, Entry, EventLine, Quarantined
from watchkeeper.store.recovery import replacement
from watchkeeper.store.recovery.definitions import Difference
from watchkeeper.store.rows import checked_rows, event_lines, outbox_rows
from watchkeeper.store.rows.checked_rows import Damage, Form, RowDamaged, Values
from watchkeeper.store.rows.timestamps import from_us, to_us

log = logging.getLogger(__name__)

STORED_ROWS = SeriesKey("watchkeeper", "stored rows")
"""The series that reports moved rows (probes/own/self_check.py)."""

KEPT = 1_000
"""Rows in quarantine, the newest: enough to see what happened, and not a second database."""

CONTENT_LIMIT = 65_536
"""Characters of one row's content that are kept. A message has about two thousand."""

AHEAD = timedelta(days=1)
"""A row that was found more than this after now was found with a wrong clock."""

SCHEMA = "sqlite_schema"
"""The source of entries that are not rows: a definition that was not ours, or a wrong index."""

_INSERT = "INSERT INTO quarantine (source, row, found_at_us, why, about, content) VALUES (?, ?, ?, ?, ?, ?)"
_KNOWN = "SELECT 1 FROM quarantine WHERE source = ? AND row = ? AND content = ?"
_BOUND = f"DELETE FROM quarantine WHERE id <= (SELECT max(id) FROM quarantine) - {KEPT}"  # noqa: S608  fixed text


def set_aside(conn: sqlite3.Connection, damages: Sequence[Damage], at: datetime) -> list[Quarantined]:
    """Move those of these rows that are still damaged, inside the caller's transaction."""
    moved: list[tuple[Damage, Values, Quarantined]] = []
    # What refers to a series is repaired before the transaction ends.
    conn.execute("PRAGMA defer_foreign_keys = ON")
    for each in damages:
        row = _damaged(conn, each)
        if row is not None and (found := _move(conn, each, row, at)) is not None:
            moved.append((each, row, found))
    wrong = [each.form for each in damages if each.index_only]
    for table in dict.fromkeys(form.table for form in (*(each.form for each, _, _ in moved), *wrong)):
        conn.execute(f"REINDEX {table}")
    for each, row, _ in moved:
        replacement.replace_row(conn, each.form, each.form.values_of(row), at)
    if checked_rows.OUTBOX_FORM in (*(each.form for each, _, _ in moved), *wrong):
        outbox_rows.recrown(conn)
    return [found for _, _, found in moved]


def note_definition(conn: sqlite3.Connection, each: Difference, at: datetime) -> Quarantined:
    """Keep a definition that is not ours."""
    done = "it was made again" if each.ours else "it was removed"
    return record(conn, SCHEMA, each.name, str(each), f"the {each.kind} {each.name}: {done}", each.there, at)


def record(
    conn: sqlite3.Connection, source: str, row: str, why: str, about: str, content: str, at: datetime
) -> Quarantined:
    """Write one row of the quarantine, and report it in the log and in the event log."""
    found = keep(conn, source, row, why, about, content, at)
    text = f"the database: {found.about}; {found.why}"
    log.error("%s", text, extra=fields(Event.DATABASE, key=STORED_ROWS))
    event_lines.append(conn, EventLine(at, Entry.NOTE, text, STORED_ROWS, details={"table": source, "row": row}))
    return found


def keep(
    conn: sqlite3.Connection, source: str, row: str, why: str, about: str, content: str, at: datetime
) -> Quarantined:
    """Write one row of the quarantine."""
    conn.execute(_INSERT, (source, row, to_us(at), _plain(why), _plain(about), content[:CONTENT_LIMIT]))
    conn.execute(_BOUND)
    return Quarantined(source, row, at, _plain(why), _plain(about))


def newest(conn: sqlite3.Connection, since: datetime, now: datetime) -> list[Quarantined]:
    """What was found since an instant, newest first."""
    found = conn.execute(
        "SELECT source, row, found_at_us, why, about FROM quarantine WHERE found_at_us BETWEEN ? AND ?"
        " ORDER BY id DESC",
        (to_us(since), to_us(now + AHEAD)),
    ).fetchall()
    return [Quarantined(source, row, from_us(at_us), why, about) for source, row, at_us, why, about in found]


def _damaged(conn: sqlite3.Connection, damage: Damage) -> Values | None:
    """The row as it is now; None where it is gone, or was written again since."""
    form, count = damage.form, len(damage.form.place)
    row: Values | None = conn.execute(f"{form.selected} WHERE {_where(form)}", _bound(damage.place)).fetchone()
    if row is None:  # its number may be what is damaged, and then it is not where its number says
        every = conn.execute(form.selected)
        row = next((each for each in every if each[:count] == damage.place), None)
        every.close()
    try:
        if row is not None:
            form.read(row)
    except RowDamaged:
        return row
    return None


def _move(conn: sqlite3.Connection, damage: Damage, row: Values, at: datetime) -> Quarantined | None:
    """Copy and delete; None where it was copied before and the row cannot be deleted."""
    form, values = damage.form, damage.form.values_of(row)
    place, content = _place_text(damage.place), content_of(form, row)
    if conn.execute(_KNOWN, (form.table, place, content[:CONTENT_LIMIT])).fetchone() is not None:
        return None
    found = record(conn, form.table, place, damage.why, about(form, values), content, at)
    with checked_rows.wrong_indexes_allowed(conn):
        gone = conn.execute(f"DELETE FROM {form.table} WHERE {_where(form)}", _bound(damage.place)).rowcount  # noqa: S608  fixed texts
    if not gone and form not in (checked_rows.EVENT_FORM, checked_rows.OUTBOX_FORM):
        _rebuild(conn, form)
    return found


def _rebuild(conn: sqlite3.Connection, form: Form[Any]) -> None:
    """Keep the good rows of a table in which a row cannot be found by its own key."""
    names = (*form.place, *form.columns, "crc")
    good = [dict(zip(names, row, strict=True)) for row in conn.execute(form.selected).fetchall() if _reads(form, row)]
    conn.execute(f"DELETE FROM {form.table}")  # noqa: S608  fixed texts
    columns = tuple(dict.fromkeys(names))
    marks = ", ".join(f":{name}" for name in columns)
    conn.executemany(f"INSERT OR IGNORE INTO {form.table} ({', '.join(columns)}) VALUES ({marks})", good)  # noqa: S608  fixed texts


def _reads(form: Form[Any], row: Values) -> bool:
    try:
        form.read(row)
    except RowDamaged:
        return False
    return True


def _where(form: Form[Any]) -> str:
    """Text is bound as bytes: it may not be UTF-8."""
    text = form.place[0] in ("owner", "job")
    return " AND ".join(f"{n} = {'CAST(? AS TEXT)' if text and n != 'failed' else '?'}" for n in form.place)


def _bound(place: Values) -> Values:
    return tuple(each.encode("utf-8", "surrogateescape") if isinstance(each, str) else each for each in place)


def _place_text(place: Values) -> str:
    return str(place[0]) if len(place) == 1 and isinstance(place[0], int) else json.dumps(place)


def content_of(form: Form[Any], row: Values) -> str:
    """A row as JSON; text that is not UTF-8 as hexadecimal bytes."""
    names = (*form.place, *form.columns, "crc")
    return json.dumps({name: _shown(value) for name, value in zip(names, row, strict=True)})


def _shown(value: object) -> object:
    if isinstance(value, str):
        raw = value.encode("utf-8", "surrogateescape")
        return value if _plain(value) == value else {"hex": raw.hex()}
    return value if value is None or isinstance(value, int) else repr(value)


def _plain(text: str) -> str:
    """Text without the characters that SQLite does not accept."""
    return text.encode("utf-8", "replace").decode().replace("\0", "?")


# What it was ----------------------------------------------------------------------------------------------------------

_LONGEST = 160
_TEXT = r'"((?:[^"\\]|\\.){0,400})"'


def about(form: Form[Any], values: Values) -> str:
    """What a damaged row was, as far as can still be read, and what its loss means."""
    named = dict(zip(form.columns, values, strict=True))
    match form.table:
        case "outbox":
            return _of_message(named)
        case "alerts":
            return f"an alert{_subject(named)}: it is raised again if its cause is still there, and has ended if not"
        case "latest" | "findings":
            return f"{form.subject}{_subject(named)}: the next sample replaces it"
        case "series":
            return f"{form.subject}{_subject(named)}: its samples are kept"
        case "probe_states":
            return f"{form.subject} ({_short(named['owner'])}): what it remembered is lost, and it starts afresh"
        case "job_reports":
            return f"{form.subject} of {_short(named['job'])}: it counts as not reported"
        case _:
            return f"{form.subject}{_subject(named)}"


def _of_message(named: dict[str, Any]) -> str:
    headline = _field("headline", named["message"])
    said = f" ({headline})" if headline else ""
    sent = (
        "it was delivered before" if named["state"] == DeliveryState.DELIVERED.value else "it may never have been sent"
    )
    return f"a message for {_short(named['notifier'])}{_subject(named)}{said}: {sent}"


def _subject(named: dict[str, Any]) -> str:
    """` about SUBJECT: QUANTITY`, from whatever part still has it."""
    for name in ("key", "body", "observation", "message"):
        text = str(named.get(name) or "")
        try:
            return f" about {checked_rows.key_from(text)}"
        except checked_rows.UNFIT:
            subject, quantity = _field("subject", text), _field("quantity", text)
        if subject:
            return f" about {subject}{': ' + quantity if quantity else ''}"
    return ""


def _field(name: str, text: str) -> str:
    """The first field of that name in a damaged JSON text; empty where there is none."""
    found = re.search(f'"{name}":{_TEXT}', text)
    return _short(f'"{found[1]}"') if found else ""


def _short(column: str) -> str:
    """A stored text in readable form, on one line."""
    try:
        text = str(json.loads(column))
    except checked_rows.UNFIT:
        text = column.strip('"')
    return " ".join(_plain(text).split())[:_LONGEST] or "?"
