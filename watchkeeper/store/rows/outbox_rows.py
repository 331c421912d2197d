"""The outbox's rows: which delivery is next, and what became of it.

Deliveries of one thread leave in the order in which they were made. Only the first waiting one of each thread and
notifier has head = 1, and only heads are considered for the next delivery, so finding it is one seek in an index
however many wait. A delivery that is due before those that it must wait for brings them forward: an alarm does not wait
for a caution that may wait for the morning. Every change of a delivery's state goes through this module, because it may
make another delivery the head.
"""

import json
import sqlite3
from collections.abc import Callable, Collection, Iterable, Iterator, Sequence
from contextlib import suppress
from dataclasses import replace

from watchkeeper.errors import StoreError
from watchkeeper.model.message import Message
from watchkeeper.model.records import Delivery, DeliveryState
from watchkeeper.store.rows import checked_rows
from watchkeeper.store.rows.checked_rows import OUTBOX_FORM, IndexWrong, RowDamaged, Values
from watchkeeper.store.rows.codec import MESSAGE, text_column
from watchkeeper.store.rows.timestamps import to_us

DAMAGED_AT_ONCE = 1_000
"""The most damaged rows skipped at once; when those are moved away, the next ones are found."""

MOST_TOGETHER = 200
"""The most messages that become one."""

_INSERT = (
    "INSERT INTO outbox (id, notifier, thread, state, head, due_at_us, made_at_us, done_at_us, attempts, error,"
    " message, crc) VALUES (?, ?, ?, ?, 0, ?, ?, ?, ?, ?, ?, ?)"
)
_UPDATE = (
    "UPDATE outbox SET notifier = ?, thread = ?, state = ?, head = 0, due_at_us = ?, made_at_us = ?, done_at_us = ?,"
    " attempts = ?, error = ?, message = ?, crc = ? WHERE id = ?"
)
_OF_THREAD = "notifier = ? AND thread = ? AND state = 'waiting'"
_LATER = f"{OUTBOX_FORM.selected} WHERE {_OF_THREAD} AND due_at_us > ?"
_FORWARD = "UPDATE outbox SET due_at_us = ?, crc = ? WHERE id = ?"
_BEHIND = f"{OUTBOX_FORM.selected} WHERE {_OF_THREAD} AND id > ? ORDER BY id"
_HELD = (
    f"{OUTBOX_FORM.selected} WHERE notifier = ? AND state = 'waiting' AND attempts = 0"
    " AND due_at_us > made_at_us AND due_at_us <= ? ORDER BY id LIMIT ?"
)
_MOVED = "SELECT 1 FROM quarantine WHERE source = 'outbox' AND row = ?"
_DUE = OUTBOX_FORM.columns.index("due_at_us")

# Threads whose head is not the first waiting delivery.
_WRONG_HEADS = """
SELECT notifier, thread FROM outbox WHERE state = 'waiting' GROUP BY notifier, thread
HAVING sum(head) <> 1 OR min(iif(head = 1, id, NULL)) <> min(id)
"""

OF_THREADS = (
    "SELECT notifier, json_extract(message, '$.id') FROM outbox"
    " WHERE thread IN (SELECT value FROM json_each(?)) AND json_valid(message)"
)

# Candidates: the best head, and the first row behind a head that counts as done.
NEXT = (
    OUTBOX_FORM.selected + " WHERE notifier = :name AND id IN ("  # noqa: S608  fixed text
    " SELECT id FROM (SELECT id FROM outbox WHERE notifier = :name AND head = 1"
    "  AND id NOT IN (SELECT value FROM json_each(:passed)) ORDER BY due_at_us, id LIMIT 1)"
    " UNION ALL"
    " SELECT (SELECT min(next.id) FROM outbox AS next WHERE next.notifier = done.notifier"
    "  AND next.thread = done.thread AND next.state = 'waiting' AND next.head = 0"
    "  AND next.id NOT IN (SELECT value FROM json_each(:passed)))"
    " FROM json_each(:passed) CROSS JOIN outbox AS done ON done.id = value AND done.head = 1"
    ") ORDER BY due_at_us, id LIMIT 1"
)


def insert(conn: sqlite3.Connection, delivery: Delivery, number: int | None = None) -> None:
    """Append a new delivery to its thread. number: its id, if it had one before."""
    values = _values(delivery)
    notifier, thread, due_at_us = values[0], values[1], values[_DUE]
    if delivery.state is DeliveryState.WAITING:
        _bring_forward(conn, notifier, thread, due_at_us)
    conn.execute(_INSERT, (number, *values, checked_rows.checksum(*values)))
    update_head(conn, notifier, thread)


def _values(delivery: Delivery) -> checked_rows.Values:
    """The columns that the checksum covers."""
    return (
        *(text_column(delivery.notifier), text_column(delivery.message.thread), delivery.state.value),
        *(to_us(delivery.due_at), to_us(delivery.made_at)),
        None if delivery.done_at is None else to_us(delivery.done_at),
        *(delivery.tries, text_column(delivery.trouble), MESSAGE.dumps(delivery.message)),
    )


def _bring_forward(conn: sqlite3.Connection, notifier: str, thread: str, due_at_us: int) -> None:
    """Make a thread's waiting deliveries due no later than this. A damaged one keeps its wrong checksum."""
    for row in conn.execute(_LATER, (notifier, thread, due_at_us)).fetchall():
        with suppress(RowDamaged):
            OUTBOX_FORM.verify(row)
            values = list(OUTBOX_FORM.values_of(row))
            values[_DUE] = due_at_us
            conn.execute(_FORWARD, (due_at_us, checked_rows.checksum(*values), row[0]))


def update(conn: sqlite3.Connection, delivery: Delivery) -> None:
    """Write a stored delivery's new state, and make the next of its thread the head. Raises StoreError without one.

    One that was moved to the quarantine in the meantime is put back: this is its content from before the damage.
    """
    values = _values(delivery)
    if conn.execute(_UPDATE, (*values, checked_rows.checksum(*values), delivery.id)).rowcount:
        update_head(conn, values[0], values[1])
    elif conn.execute(_MOVED, (str(delivery.id),)).fetchone():
        insert(conn, delivery, delivery.id)
    else:
        raise StoreError(
            f"there is no delivery {delivery.id} in the outbox ({delivery.message.id} for {delivery.notifier})"
        )


def update_head(conn: sqlite3.Connection, notifier: str, thread: str) -> None:
    """Make the first waiting delivery of a thread its head, and no other."""
    conn.execute(f"UPDATE outbox SET head = 0 WHERE {_OF_THREAD} AND head = 1", (notifier, thread))  # noqa: S608  fixed text
    conn.execute(
        f"UPDATE outbox SET head = 1 WHERE id = (SELECT min(id) FROM outbox WHERE {_OF_THREAD} AND head = 0)",  # noqa: S608  fixed text
        (notifier, thread),
    )


def recrown(conn: sqlite3.Connection) -> None:
    """Give every thread the right head."""
    conn.execute("UPDATE outbox SET head = 0 WHERE head = 1 AND state <> 'waiting'")
    for notifier, thread in conn.execute(_WRONG_HEADS).fetchall():
        with suppress(UnicodeEncodeError):  # of a damaged row, which is found as such
            update_head(conn, notifier, thread)


def next_for(
    conn: sqlite3.Connection, notifier: str, passing: Collection[int], damaged: Callable[[Values, RowDamaged], None]
) -> Delivery | None:
    """The head that is due first; deliveries in `passing` count as done, so the next of their thread replaces them.

    damaged: called with rows that cannot be read, which count as done as well.
    """
    passed = list(passing)
    for _ in range(DAMAGED_AT_ONCE):
        row = conn.execute(NEXT, {"name": text_column(notifier), "passed": json.dumps(passed)}).fetchone()
        if row is None:
            return None
        try:
            found = _waiting(row)
        except RowDamaged as error:
            damaged(row, error)
            passed.append(row[0])
        else:
            return replace(found, behind=tuple(_behind(conn, found, damaged)))
    return None


def _waiting(row: Values) -> Delivery:
    """A delivery that an index lists as waiting."""
    found = read(row)
    if found.state is not DeliveryState.WAITING:
        raise IndexWrong(f"an index of the outbox names it as waiting, and it is {found.state.value}")
    return found


def _behind(
    conn: sqlite3.Connection, delivery: Delivery, damaged: Callable[[Values, RowDamaged], None]
) -> Iterator[Message]:
    thread = text_column(delivery.message.thread)
    for row in conn.execute(_BEHIND, (text_column(delivery.notifier), thread, delivery.id)).fetchall():
        try:
            yield read(row).message
        except RowDamaged as error:
            damaged(row, error)


def read(row: Values) -> Delivery:
    """A row as a delivery. Raises RowDamaged."""
    return replace(OUTBOX_FORM.read(row), id=row[0])


def held(
    conn: sqlite3.Connection, notifier: str, now_us: int, damaged: Callable[[Values, RowDamaged], None]
) -> Sequence[Delivery]:
    """A notifier's deliveries that were held and are due now, oldest first; without those that cannot be read."""
    return _read_each(conn.execute(_HELD, (text_column(notifier), now_us, MOST_TOGETHER)).fetchall(), damaged)


def _read_each(rows: Iterable[Values], damaged: Callable[[Values, RowDamaged], None]) -> list[Delivery]:
    found = []
    for row in rows:
        try:
            found.append(read(row))
        except RowDamaged as error:
            damaged(row, error)
    return found


def listed(
    conn: sqlite3.Connection, *, only_open: bool, limit: int, damaged: Callable[[Values, RowDamaged], None]
) -> Sequence[Delivery]:
    """Deliveries of every notifier, newest first; without those that cannot be read."""
    which = "WHERE state <> 'delivered'" if only_open else ""
    query = f"{OUTBOX_FORM.selected} {which} ORDER BY id DESC LIMIT ?"
    return _read_each(conn.execute(query, (limit,)).fetchall(), damaged)
