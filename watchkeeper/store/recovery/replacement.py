"""Replaces a row that was moved to the quarantine with what can be derived from the other rows.

Without it, losing one row would cost more than that row: samples without their series, an alert that ends though its
cause is active, an old message's number used twice. Not here: moving the row (quarantine.py).
"""

import json
import math
import sqlite3
from collections.abc import Iterator
from contextlib import suppress
from datetime import datetime
from typing import Any

from watchkeeper.model.alert import STANDING, Alert, Concern, Event, Priority, State
from watchkeeper.model.history.first_quantities import todays_key
from watchkeeper.model.observation import Answer, Condition, Deadline, Kind, Level, Observation, SeriesKey, Unit
from watchkeeper.model.records import Entry, EventLine
from watchkeeper.store.migrations import names
from watchkeeper.store.rows import checked_rows
from watchkeeper.store.rows.checked_rows import Form, RowDamaged, SeriesRow, Values
from watchkeeper.store.rows.codec import ALERT, OBSERVATION, key_column, text_column
from watchkeeper.store.rows.timestamps import from_us, to_us

LINES_LOOKED_AT = 100
"""How many of an alert's newest event log lines are read: one of them is its last transition."""

LOST = "lost series"
"""The quantity of a series of which only the number is left, with that number."""

INTERVAL_S = 60.0
"""For a series whose own interval cannot be read, until its probe runs again."""


def replace_row(conn: sqlite3.Connection, form: Form[Any], values: Values, at: datetime) -> None:
    """Write what can be known in the place of a row that is gone, inside the caller's transaction."""
    match form.table:
        case "series":
            _series(conn, values, at)
        case "latest":
            _latest(conn, values[0])
        case "alerts":
            _alert(conn, values)
        case "store_state":
            _store_state(conn, at)
        case _:
            pass  # the next sample or job report replaces it, or no other row has the information


# A series -------------------------------------------------------------------------------------------------------------


def write_series(conn: sqlite3.Connection, found: SeriesRow) -> None:
    """Write a series' own row, replacing one with its number."""
    unit = found.unit and found.unit.value
    values = (
        *(found.id, key_column(found.key), found.kind.value, unit),
        *(text_column(found.probe), float(found.interval_s), found.first_at_us),
    )
    conn.execute(
        "INSERT INTO series (id, key, kind, unit, probe, interval_s, first_at_us, crc) VALUES (?, ?, ?, ?, ?, ?, ?, ?)"
        " ON CONFLICT (id) DO UPDATE SET key = excluded.key, kind = excluded.kind, unit = excluded.unit,"
        " probe = excluded.probe, interval_s = excluded.interval_s, first_at_us = excluded.first_at_us,"
        " crc = excluded.crc",
        (*values, checked_rows.checksum(*values)),
    )


def _series(conn: sqlite3.Connection, values: Values, at: datetime) -> None:
    """Derive it from its newest observation; else reserve its number, which samples hold, with a placeholder name."""
    number = values[0]
    seen = _observation_of(conn, number)
    if seen is None or conn.execute("SELECT 1 FROM series WHERE key = ?", (key_column(seen.key),)).fetchone():
        key, kind, unit = SeriesKey("watchkeeper", f"{LOST} {number}"), Kind.CONDITION, None
        conn.execute("DELETE FROM latest WHERE series = ?", (number,))
    else:
        key, kind, unit = seen.key, seen.kind, getattr(seen, "unit", None)
    probe, interval_s = _probe(values[4]), values[5]
    interval_s = interval_s if isinstance(interval_s, float) and 0.01 <= interval_s <= 1e8 else INTERVAL_S
    write_series(conn, SeriesRow(number, key, kind, unit, probe, interval_s, _first_us(conn, number, at)))


def _probe(column: str) -> str:
    """The probe's name where it can be read; a series of an unknown probe is claimed at the next run like any other."""
    try:
        found = json.loads(column)
    except checked_rows.UNFIT:
        return ""
    return found if isinstance(found, str) else ""


def _first_us(conn: sqlite3.Connection, number: int, at: datetime) -> int:
    now_ms = to_us(at) // 1000
    sql = "SELECT min(at_ms) FROM samples WHERE series = ? AND at_ms BETWEEN 1 AND ?"
    (found_ms,) = conn.execute(sql, (number, now_ms)).fetchone()
    return 1000 * int(now_ms if found_ms is None else found_ms)


def _observation_of(conn: sqlite3.Connection, number: int) -> Observation | None:
    row = conn.execute(f"{checked_rows.LATEST_FORM.selected} WHERE series = ?", (number,)).fetchone()
    try:
        return None if row is None else checked_rows.LATEST_FORM.read(row)
    except RowDamaged:
        return None


# The newest observation -----------------------------------------------------------------------------------------------


def _latest(conn: sqlite3.Connection, number: int) -> None:
    """Derive it from the newest sample, so that an alert about the series is not taken for that of a removed one."""
    row = conn.execute(f"{checked_rows.SERIES_FORM.selected} WHERE id = ?", (number,)).fetchone()
    if row is None:
        return
    try:
        series = checked_rows.SERIES_FORM.read(row)
    except RowDamaged:
        return
    if series.key.quantity.startswith(LOST):
        return
    before_ms = _newest_ms(conn)
    sample = conn.execute(
        "SELECT at_ms, value, bound FROM samples WHERE series = ? AND at_ms BETWEEN 1 AND ?"
        " ORDER BY at_ms DESC LIMIT 1",
        (number, before_ms),
    ).fetchone()
    if sample is None or (seen := observation_from(series, *sample[1:])) is None:
        return
    values = (number, 1000 * sample[0], OBSERVATION.dumps(seen))
    sql = "INSERT OR IGNORE INTO latest (series, at_us, observation, crc) VALUES (?, ?, ?, ?)"
    conn.execute(sql, (*values, checked_rows.checksum(*values)))


def _newest_ms(conn: sqlite3.Connection) -> int:
    """The newest commit: no sample is newer."""
    try:
        state = checked_rows.store_state(conn)
    except RowDamaged:
        state = None
    return 2**47 if state is None else state.last_commit_at_us // 1000 + 1


def observation_from(series: SeriesRow, value: float | None, bound: float | None) -> Observation | None:
    """An observation of which only the sample is left; None where the sample does not fit the series' kind."""
    known = [each for each in (value, bound) if each is not None]
    if not all(map(math.isfinite, known)):
        return None
    reason = "" if value else "its reason is lost: its stored row was damaged"
    match series.kind:
        case Kind.LEVEL:
            return _level(series, value, bound)
        case Kind.DEADLINE:
            return _deadline(series.key, value)
        case Kind.ANSWER:
            return Answer(series.key, value is not None, "" if value is not None else reason, value)
        case Kind.CONDITION:
            return Condition(series.key, bool(value), reason)


def _level(series: SeriesRow, used: float | None, capacity: float | None) -> Observation | None:
    if used is None or capacity is None or capacity <= 0:
        return None
    return Level(series.key, used, capacity, series.unit or Unit.BYTES)


def _deadline(key: SeriesKey, value: float | None) -> Observation | None:
    try:
        return Deadline(key, None if value is None else from_us(int(value * 1e6)))
    except checked_rows.UNFIT:
        return None


# An alert -------------------------------------------------------------------------------------------------------------


def _alert(conn: sqlite3.Connection, values: Values) -> None:
    """As its last transition in the event log says. One that was active is notified again; what was sent is unknown."""
    for key, concern in _about(values):
        lines = _moves(conn, key, concern)
        if not lines:
            continue
        found = _from_events(key, concern, lines)
        columns = (key_column(key), concern.value, ALERT.dumps(found))
        sql = "INSERT OR IGNORE INTO alerts (key, concern, body, crc) VALUES (?, ?, ?, ?)"
        conn.execute(sql, (*columns, checked_rows.checksum(*columns)))
        return


def _about(values: Values) -> Iterator[tuple[SeriesKey, Concern]]:
    """What the alert may have been about: what its columns say, and what its body says."""
    key, concern, _ = values
    with suppress(*checked_rows.UNFIT):
        yield todays_key(checked_rows.key_from(key)), Concern.named(concern)
    try:
        # A row that was damaged before the migration has the names of its version.
        found = ALERT.loads(names.BY_NAME["alerts"].rewritten(values)[2])
    except checked_rows.UNFIT:
        return
    yield found.key, found.concern


def _moves(conn: sqlite3.Connection, key: SeriesKey, concern: Concern) -> list[EventLine]:
    """The newest transitions of an alert, newest first."""
    sql = f"{checked_rows.EVENT_FORM.selected} WHERE key = ? AND entry = ? ORDER BY id DESC LIMIT ?"
    found = []
    for row in conn.execute(sql, (key_column(key), Entry.TRANSITION.value, LINES_LOOKED_AT)).fetchall():
        try:
            found.append(checked_rows.EVENT_FORM.read(row))
        except RowDamaged:
            continue
    return [line for line in found if line.concern is concern]


def _from_events(key: SeriesKey, concern: Concern, lines: list[EventLine]) -> Alert:
    last = lines[0].details
    episode = max((int(e) for each in lines if (e := each.details.get("episode", "")).isdigit()), default=1)
    priority = next((each for each in Priority if each.word == last.get("priority")), None)
    if last.get("state") not in {state.value for state in STANDING} or priority is None:
        return Alert(key, concern, episode=episode)
    raised = next((each for each in lines if each.details.get("event") == Event.RAISE.value), lines[-1])
    # The next episode: its messages have ids of their own, and no receiver takes them for ones that it has.
    return Alert(
        key,
        concern,
        State.ACTIVE,
        priority,
        episode=episode + 1,
        raised_at=raised.at,
        changed_at=lines[0].at,
    )


# The newest commit ----------------------------------------------------------------------------------------------------


def _store_state(conn: sqlite3.Connection, at: datetime) -> None:
    """Derive it from the newest observation, which was written with it."""
    good = []
    for row in conn.execute(checked_rows.LATEST_FORM.selected).fetchall():
        try:
            checked_rows.LATEST_FORM.verify(row)
        except RowDamaged:
            continue
        good.append(row[2])
    newest_us = max((each for each in good if each <= to_us(at)), default=None)
    if newest_us is not None:
        write_store_state(conn, checked_rows.StoreState(newest_us, 0))


def write_store_state(conn: sqlite3.Connection, state: checked_rows.StoreState) -> None:
    """Write the instant of the newest commit, and since when the event log is kept."""
    conn.execute(
        "INSERT INTO store_state (id, last_commit_at_us, events_from_us, crc) VALUES (1, ?, ?, ?)"
        " ON CONFLICT (id) DO UPDATE SET last_commit_at_us = excluded.last_commit_at_us,"
        " events_from_us = excluded.events_from_us, crc = excluded.crc",
        (*state, checked_rows.checksum(*state)),
    )
