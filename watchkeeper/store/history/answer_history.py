"""When a service answered and when it did not: runs of equal samples, and roll-ups where samples are no longer kept.

Only the ends of runs leave the database, so that two weeks of samples every second are read as a few rows. Not here:
sums and periods (model/history/availability.py).
"""

import sqlite3
from collections.abc import Iterable, Iterator, Sequence
from operator import attrgetter
from typing import Any

from watchkeeper.model.history.availability import GAP_INTERVALS, Piece
from watchkeeper.store.history.rollup import CREDIBLE_SAMPLE, CREDIBLE_STRETCH
from watchkeeper.store.history.series_history import ROLLED

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


def pieces(conn: sqlite3.Connection, series: int, since_ms: int, until_ms: int, interval_s: float) -> Sequence[Piece]:
    """What was measured between two times, oldest first. interval_s: seconds between the probe's samples."""
    found = list(exact_pieces(conn, series, since_ms, until_ms, interval_s))
    asked = {"series": series, "since": since_ms, "until": until_ms}
    for table, width_ms in ROLLED:
        found += of_stretches(_rolled(conn, table, width_ms, asked), width_ms, interval_s)
    return sorted(found, key=attrgetter("begin_s"))


def exact_pieces(
    conn: sqlite3.Connection, series: int, since_ms: int, until_ms: int, interval_s: float
) -> Iterator[Piece]:
    """What the samples between two times say, oldest first."""
    asked = {"series": series, "since": since_ms, "until": until_ms, "gap": int(GAP_INTERVALS * interval_s * 1000)}
    rows = conn.execute(_RUNS, asked).fetchall()
    last_ms = conn.execute(_LAST, asked).fetchone()[0] if rows else 0
    return of_runs(rows, last_ms, until_ms, interval_s)


def of_runs(rows: Sequence[tuple[Any, ...]], last_ms: int, until_ms: int, interval_s: float) -> Iterator[Piece]:
    """The pieces of runs. rows: first sample, whether it is no answer, sample before. last_ms: the last of all."""
    gap_ms = int(GAP_INTERVALS * interval_s * 1000)
    following = [*((at_ms, before_ms) for at_ms, _, before_ms in rows[1:]), (None, last_ms)][: len(rows)]
    for (begin_ms, down, _), (next_ms, newest_ms) in zip(rows, following, strict=True):
        end_ms = newest_ms + int(interval_s * 1000)
        if next_ms is not None and next_ms - newest_ms <= gap_ms:
            end_ms = next_ms
        end_ms = min(end_ms, until_ms)
        length_s = max(0.0, (end_ms - begin_ms) / 1000)
        yield Piece(begin_ms / 1000, end_ms / 1000, length_s, length_s if down else 0.0, bool(down))


def _rolled(conn: sqlite3.Connection, table: str, width_ms: int, asked: dict[str, int]) -> Sequence[tuple[Any, ...]]:
    return conn.execute(
        "SELECT stretch, samples, without, last IS NULL"  # noqa: S608  fixed texts
        f" FROM {table} WHERE series = :series AND stretch BETWEEN :first AND :final AND {CREDIBLE_STRETCH}",
        {
            "series": asked["series"],
            "first": asked["since"] // width_ms,
            "final": asked["until"] // width_ms,
        },
    ).fetchall()


def of_stretches(rows: Iterable[tuple[Any, ...]], width_ms: int, interval_s: float) -> Iterator[Piece]:
    """The pieces of roll-ups: stretch, samples, how many of them without an answer, whether the last one is."""
    for stretch, samples, without, ends_down in rows:
        measured_s = min(width_ms / 1000, samples * interval_s)
        begin_s = stretch * width_ms / 1000
        down_s = measured_s * without / samples
        yield Piece(begin_s, begin_s + width_ms / 1000, measured_s, down_s, bool(ends_down), exact=False)
