"""How samples become hours, and hours days: moved from table to table in small steps, however late they arrive.

A step moves rows: what it adds to the coarser table it deletes from the finer one in the same transaction. So nothing
is counted twice and nothing is lost when the process is killed between two steps, and a late sample (the clock was set
back) is added to its hour as if it had been in time. Not here: when a sample is old (retention_limits.py).
"""

import sqlite3
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime

from watchkeeper.store.rows.timestamps import to_ms

HOUR_MS, DAY_MS = 3_600_000, 86_400_000
HOURS_A_DAY = 24

LATEST_MS = 2**47
"""Milliseconds until the year 6429: SQLite keeps such instants in 6 bytes."""

MOST_SAMPLES = 1_000_000_000
"""More samples than a day can hold, at ten a millisecond. A larger count is damage, and adding to it would overflow."""

# Samples and roll-ups have no checksum. Impossible values are left out of every sum and chart, and are deleted with the
# rest at the end of their retention. 9e999 is infinity.
CREDIBLE_SAMPLE = "coalesce(abs(value), 0) < 9e999 AND coalesce(abs(bound), 0) < 9e999"
CREDIBLE_STRETCH = (
    f"samples BETWEEN 1 AND {MOST_SAMPLES} AND without BETWEEN 0 AND samples AND last_ms BETWEEN 0 AND {DAY_MS}"
    " AND coalesce(abs(least), 0) < 9e999 AND coalesce(abs(most), 0) < 9e999 AND coalesce(abs(last), 0) < 9e999"
    " AND coalesce(abs(bound), 0) < 9e999"
    " AND iif(without = samples, least IS NULL AND most IS NULL, least <= most AND total IS NOT NULL)"
)

_ADD = f"""
ON CONFLICT (series, stretch) DO UPDATE SET
    samples = min(max(samples, 0), {MOST_SAMPLES}) + excluded.samples,
    without = min(max(without, 0), {MOST_SAMPLES}) + excluded.without,
    least = min(coalesce(least, excluded.least), coalesce(excluded.least, least)),
    total = coalesce(total + excluded.total, total, excluded.total),
    most = max(coalesce(most, excluded.most), coalesce(excluded.most, most)),
    -- The right sides all see the row as it was.
    last = iif(excluded.last_ms >= last_ms, excluded.last, last),
    bound = iif(excluded.last_ms >= last_ms, excluded.bound, bound),
    last_ms = max(last_ms, excluded.last_ms)
"""

_FOLD_SAMPLES = (
    f"""
INSERT INTO hours (series, stretch, samples, without, least, total, most, last_ms, last, bound)
SELECT :series, stretch, n, n - valued, least, total, most, last_at_ms - stretch * {HOUR_MS}, value, bound
FROM (
    SELECT at_ms / {HOUR_MS} AS stretch, count(*) AS n, count(value) AS valued,
        min(value) AS least, sum(value) AS total, max(value) AS most, max(at_ms) AS last_at_ms
    FROM samples WHERE series = :series AND at_ms < :cut AND {CREDIBLE_SAMPLE} GROUP BY stretch
) CROSS JOIN samples ON series = :series AND at_ms = last_at_ms
WHERE TRUE"""  # noqa: S608  fixed text
    + _ADD
)

_FOLD_HOURS = (
    f"""
INSERT INTO days (series, stretch, samples, without, least, total, most, last_ms, last, bound)
SELECT :series, day, n, missing, low, sum, high, (newest % {HOURS_A_DAY}) * {HOUR_MS} + last_ms, last, bound
FROM (
    SELECT stretch / {HOURS_A_DAY} AS day, sum(samples) AS n, sum(without) AS missing,
        min(least) AS low, sum(total) AS sum, max(most) AS high, max(stretch) AS newest
    FROM hours WHERE series = :series AND stretch < :cut AND {CREDIBLE_STRETCH} GROUP BY day
) CROSS JOIN hours ON series = :series AND stretch = newest
WHERE TRUE"""  # noqa: S608  fixed text
    + _ADD
)


@dataclass(frozen=True, slots=True)
class Step:
    """What one small step did. rows: moved or deleted. after: where the next step continues; None: there is none.

    gone: series may have been deleted, so that cached series numbers are no longer valid.
    """

    rows: int
    after: int | None
    gone: bool = False


Chore = Callable[[sqlite3.Connection, int, int], Step]
"""One retention task: works on a limited number of rows, from where the previous step ended (0 for the first)."""

Fold = Callable[[sqlite3.Connection, int, int], None]
"""Keeps something of a series' rows from before a key, which are about to be deleted."""


def _nothing(_conn: sqlite3.Connection, _series: int, _cut: int) -> None:
    """Hours and days lose nothing."""


def fold_samples(before: datetime, first: Fold = _nothing) -> Chore:
    """Turn samples from before an instant into hours. first: keeps what hours would lose, in the same transaction."""
    return _by_series("samples", "at_ms", to_ms(before), _FOLD_SAMPLES, first)


def fold_hours(before: datetime) -> Chore:
    """Turn hours that ended before an instant into days."""
    return _by_series("hours", "stretch", to_ms(before) // HOUR_MS, _FOLD_HOURS)


def drop_days(before: datetime) -> Chore:
    """Delete days that ended before an instant."""
    return _by_series("days", "stretch", to_ms(before) // DAY_MS, "")


def _by_series(table: str, column: str, before: int, fold: str, first: Fold = _nothing) -> Chore:
    """Process the oldest rows of one series after another. fold: the statement that adds them up elsewhere, if any."""
    oldest = f"SELECT {column} FROM {table} WHERE series = ? AND {column} < ? ORDER BY {column} LIMIT 1 OFFSET ?"  # noqa: S608  fixed texts
    delete = f"DELETE FROM {table} WHERE series = ? AND {column} < ?"  # noqa: S608  fixed texts

    def of_series(conn: sqlite3.Connection, series: int, limit: int) -> int:
        if conn.execute(oldest, (series, before, 0)).fetchone() is None:
            return 0
        beyond = conn.execute(oldest, (series, before, limit)).fetchone()
        cut = before if beyond is None else beyond[0]
        first(conn, series, cut)
        if fold:
            conn.execute(fold, {"series": series, "cut": cut})
        return conn.execute(delete, (series, cut)).rowcount

    def step(conn: sqlite3.Connection, limit: int, after: int) -> Step:
        rows = 0
        for (series,) in conn.execute("SELECT id FROM series WHERE id > ? ORDER BY id", (after,)).fetchall():
            rows += of_series(conn, series, limit - rows)
            if rows >= limit:
                return Step(rows, series - 1)
        return Step(rows, None)

    return step
