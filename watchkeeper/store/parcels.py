"""The outbox's rows: which parcel is next, and what became of it.

One thread's parcels leave in the order in which they were made. Only the first waiting one of each thread and notifier
carries head = 1, and only heads are looked at for the next parcel, so that it is one seek in an index however many
wait. A parcel that is due before those that it must wait for brings them forward: an alarm does not wait for a caution
that may wait for the morning. Every change of a parcel's state passes through here, because it may make another parcel
the head.
"""

import json
import sqlite3
from collections.abc import Collection, Sequence
from dataclasses import replace
from typing import Any

from watchkeeper.core.records import Parcel, Parceled
from watchkeeper.errors import StoreError
from watchkeeper.store.codec import MESSAGE, text_column
from watchkeeper.store.instants import from_us, to_us

_INSERT = (
    "INSERT INTO outbox (notifier, thread, state, head, due_at_us, made_at_us, done_at_us, tries, trouble, message)"
    " VALUES (?, ?, ?, 0, ?, ?, ?, ?, ?, ?)"
)
_UPDATE = (
    "UPDATE outbox SET state = ?, head = 0, due_at_us = ?, done_at_us = ?, tries = ?, trouble = ?, message = ?"
    " WHERE id = ? RETURNING notifier, thread"
)
_OF_THREAD = "notifier = ? AND thread = ? AND state = 'waiting'"
_FORWARD = f"UPDATE outbox SET due_at_us = ? WHERE {_OF_THREAD} AND due_at_us > ?"  # noqa: S608  fixed text
_BEHIND = f"SELECT message FROM outbox WHERE {_OF_THREAD} AND id > ? ORDER BY id"  # noqa: S608  fixed text
_COLUMNS = "SELECT id, notifier, state, due_at_us, made_at_us, done_at_us, tries, trouble, message FROM outbox"

# Candidates: the best head, and whatever stands first behind a head that counts as done.
NEXT = (
    _COLUMNS + " WHERE notifier = :name AND id IN ("  # noqa: S608  fixed text
    " SELECT id FROM (SELECT id FROM outbox WHERE notifier = :name AND head = 1"
    "  AND id NOT IN (SELECT value FROM json_each(:passed)) ORDER BY due_at_us, id LIMIT 1)"
    " UNION ALL"
    " SELECT (SELECT min(next.id) FROM outbox AS next WHERE next.notifier = done.notifier"
    "  AND next.thread = done.thread AND next.state = 'waiting' AND next.head = 0"
    "  AND next.id NOT IN (SELECT value FROM json_each(:passed)))"
    " FROM json_each(:passed) CROSS JOIN outbox AS done ON done.id = value AND done.head = 1"
    ") ORDER BY due_at_us, id LIMIT 1"
)


def insert(conn: sqlite3.Connection, parcel: Parcel) -> None:
    """Put a new parcel at the end of its thread."""
    notifier, thread = text_column(parcel.notifier), text_column(parcel.message.thread)
    due_at_us = to_us(parcel.due_at)
    if parcel.state is Parceled.WAITING:
        conn.execute(_FORWARD, (due_at_us, notifier, thread, due_at_us))
    conn.execute(
        _INSERT,
        (
            *(notifier, thread, parcel.state.value, due_at_us, to_us(parcel.made_at)),
            None if parcel.done_at is None else to_us(parcel.done_at),
            *(parcel.tries, text_column(parcel.trouble), MESSAGE.dumps(parcel.message)),
        ),
    )
    crown(conn, notifier, thread)


def update(conn: sqlite3.Connection, parcel: Parcel) -> None:
    """Write a stored parcel's new state, and let the next of its thread step forward. Raises StoreError without one."""
    # fetchall: an UPDATE with RETURNING that is not read to its end leaves its statement open.
    found = conn.execute(
        _UPDATE,
        (
            *(parcel.state.value, to_us(parcel.due_at)),
            None if parcel.done_at is None else to_us(parcel.done_at),
            *(parcel.tries, text_column(parcel.trouble), MESSAGE.dumps(parcel.message), parcel.id),
        ),
    ).fetchall()
    if not found:
        raise StoreError(f"there is no parcel {parcel.id} in the outbox ({parcel.message.id} for {parcel.notifier})")
    crown(conn, *found[0])


def crown(conn: sqlite3.Connection, notifier: str, thread: str) -> None:
    """Make the first waiting parcel of a thread its head, and no other."""
    conn.execute(f"UPDATE outbox SET head = 0 WHERE {_OF_THREAD} AND head = 1", (notifier, thread))  # noqa: S608  fixed text
    conn.execute(
        f"UPDATE outbox SET head = 1 WHERE id = (SELECT min(id) FROM outbox WHERE {_OF_THREAD} AND head = 0)",  # noqa: S608  fixed text
        (notifier, thread),
    )


def next_for(conn: sqlite3.Connection, notifier: str, passing: Collection[int]) -> Parcel | None:
    """The head that is due first; parcels in `passing` count as done, so the next of their thread stands for them."""
    row = conn.execute(NEXT, {"name": text_column(notifier), "passed": json.dumps(list(passing))}).fetchone()
    if row is None:
        return None
    found = _parcel(row)
    thread = text_column(found.message.thread)
    later = conn.execute(_BEHIND, (text_column(notifier), thread, found.id)).fetchall()
    return replace(found, behind=tuple(MESSAGE.loads(each) for (each,) in later))


def listed(conn: sqlite3.Connection, *, only_open: bool, limit: int) -> Sequence[Parcel]:
    """Parcels of every notifier, newest first."""
    which = "WHERE state <> 'delivered'" if only_open else ""
    return [_parcel(row) for row in conn.execute(f"{_COLUMNS} {which} ORDER BY id DESC LIMIT ?", (limit,)).fetchall()]


def _parcel(row: tuple[Any, ...]) -> Parcel:
    number, notifier, state, due_at_us, made_at_us, done_at_us, tries, trouble, message = row
    return Parcel(
        notifier=json.loads(notifier),
        message=MESSAGE.loads(message),
        made_at=from_us(made_at_us),
        due_at=from_us(due_at_us),
        state=Parceled(state),
        tries=tries,
        trouble=json.loads(trouble),
        done_at=None if done_at_us is None else from_us(done_at_us),
        id=number,
    )
