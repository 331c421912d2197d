"""Checks the stored rows for damage, step by step.

A damaged row is found when it is read. Some are rarely read, and a message whose notifier's name is damaged is never
asked for: so all rows are checked from time to time. Not here: when (watchkeeper/periodic/retention.py), and what
happens to a damaged row (quarantine.py).
"""

import sqlite3
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from watchkeeper.store.rows import checked_rows
from watchkeeper.store.rows.checked_rows import Damage, Form, RowDamaged

OPEN = "state <> 'delivered'"
FIRST = -(2**63)


@dataclass(frozen=True, slots=True)
class Scope:
    """Rows of one table. condition: which; empty for all."""

    form: Form[Any]
    condition: str = ""


SELDOM = (
    *(checked_rows.OUTBOX_FORM, checked_rows.EVENT_FORM),
    *(checked_rows.FORECAST_FORM, checked_rows.DECISION_FORM, checked_rows.CHANGE_FORM, checked_rows.OUTAGE_FORM),
)

FREQUENT = (
    *(Scope(form) for form in checked_rows.FORMS if form not in SELDOM),
    Scope(checked_rows.OUTBOX_FORM, OPEN),
)
"""What the daemon works with. It is small, whatever the retention: checked often."""

WHOLE = tuple(Scope(form) for form in checked_rows.FORMS)
"""Everything, including the event log and completed deliveries."""


def step(conn: sqlite3.Connection, scope: Scope, after: int, limit: int) -> tuple[list[Damage], int | None]:
    """Check rows after the one with the number `after`; returns the damaged, and where the next step continues.

    A table without row numbers is small, and checked in one step.
    """
    name = scope.form.place[0]
    conditions = [scope.condition] if scope.condition else []
    if not numbered(scope.form):
        found = conn.execute(scope.form.selected).fetchall()
        return list(damaged(scope.form, found)), None
    where = " AND ".join([*conditions, f"{name} > ?"])
    found = conn.execute(f"{scope.form.selected} WHERE {where} ORDER BY {name} LIMIT ?", (after, limit)).fetchall()
    return list(damaged(scope.form, found)), found[-1][0] if len(found) == limit else None


def numbered(form: Form[Any]) -> bool:
    """Does each row have a number?"""
    return form.place[0] in ("id", "series")


def damaged(form: Form[Any], found: list[checked_rows.Values]) -> Iterator[Damage]:
    """The damaged ones of these rows."""
    for row in found:
        try:
            form.read(row)
        except RowDamaged as error:
            yield checked_rows.damage_of(form, row, error)


def every(conn: sqlite3.Connection, scopes: tuple[Scope, ...], limit: int) -> Iterator[Damage]:
    """All damaged rows, found in steps of `limit` rows."""
    for scope in scopes:
        after: int | None = FIRST
        while after is not None:
            found, after = step(conn, scope, after, limit)
            yield from found
