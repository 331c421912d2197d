"""When a service answered and when it did not: runs of equal samples, and roll-ups where samples are no longer kept.

Only the ends of runs leave the database, so that two weeks of samples every second are read as a few rows. Not here:
sums and periods (model/history/availability.py).
"""

import sqlite3
from collections.abc import Iterator, Sequence
from operator import attrgetter

from watchkeeper.model.history.availability import GAP_INTERVALS, Piece
from watchkeeper.model.observation import SeriesKey
from watchkeeper.store.history.rollup import CREDIBLE_SAMPLE, CREDIBLE_STRETCH
from watchkeeper.store.history.series_history import ROLLED, series_number

# The first sample of each run, with the time of the sample before it; then the last sample of all.
_RUNS = f"""
SELECT at_ms, down, before_ms FROM (
    SELECT at_ms, value IS NULL AS down, lag(value IS NULL) OVER times AS was_down, lag(at_ms) OVER times AS before_ms
    FROM samples WHERE series = :series AND at_ms BETWEEN :since AND :until AND {CREDIBLE_SAMPLE}
    WINDOW times AS (ORDER BY at_ms)
) WHERE was_down IS NULL OR down <> was_down OR at_ms - before_ms > :gap
ORDER BY at_ms
"""  # noqa: S608  fixed text
_LAST = f"""
SELECT max(at_ms) FROM samples WHERE series = :series AND at_ms BETWEEN :since AND :until AND {CREDIBLE_SAMPLE}
"""  # noqa: S608  fixed text


def pieces(
    conn: sqlite3.Connection, key: SeriesKey, since_ms: int, until_ms: int, interval_s: float
) -> Sequence[Piece]:
    """What was measured between two times, oldest first. interval_s: seconds between the probe's samples."""
    series = series_number(conn, key)
    asked = {"series": series, "since": since_ms, "until": until_ms, "gap": int(GAP_INTERVALS * interval_s * 1000)}
    rolled = [piece for table, width_ms in ROLLED for piece in _rolled(conn, table, width_ms, asked, interval_s)]
    return sorted([*rolled, *_runs(conn, asked, interval_s)], key=attrgetter("begin_s"))


def _runs(conn: sqlite3.Connection, asked: dict[str, int | None], interval_s: float) -> Iterator[Piece]:
    rows = conn.execute(_RUNS, asked).fetchall()
    if not rows:
        return
    (last_ms,) = conn.execute(_LAST, asked).fetchone()
    following = [*((at_ms, before_ms) for at_ms, _, before_ms in rows[1:]), (None, last_ms)]
    for (begin_ms, down, _), (next_ms, newest_ms) in zip(rows, following, strict=True):
        end_ms = newest_ms + int(interval_s * 1000)
        if next_ms is not None and next_ms - newest_ms <= (asked["gap"] or 0):
            end_ms = next_ms
        end_ms = min(end_ms, asked["until"] or end_ms)
        length_s = max(0.0, (end_ms - begin_ms) / 1000)
        yield Piece(begin_ms / 1000, end_ms / 1000, length_s, length_s if down else 0.0, bool(down))


def _rolled(
    conn: sqlite3.Connection, table: str, width_ms: int, asked: dict[str, int | None], interval_s: float
) -> Iterator[Piece]:
    rows = conn.execute(
        "SELECT stretch, samples, without, last IS NULL"  # noqa: S608  fixed texts
        f" FROM {table} WHERE series = :series AND stretch BETWEEN :first AND :final AND {CREDIBLE_STRETCH}",
        {
            "series": asked["series"],
            "first": (asked["since"] or 0) // width_ms,
            "final": (asked["until"] or 0) // width_ms,
        },
    ).fetchall()
    for stretch, samples, without, ends_down in rows:
        measured_s = min(width_ms / 1000, samples * interval_s)
        begin_s = stretch * width_ms / 1000
        down_s = measured_s * without / samples
        yield Piece(begin_s, begin_s + width_ms / 1000, measured_s, down_s, bool(ends_down), exact=False)
