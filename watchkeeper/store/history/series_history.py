"""A series' history assembled from samples, hours and days: as samples, as buckets for a chart, for a forecast history.

Hours and days hold only what is no longer in the finer table (rollup.py), so the three add up to the whole past. Not
here: how it is used (forecast/).
"""

import sqlite3
from collections.abc import Iterable, Iterator, Sequence
from operator import attrgetter
from typing import Any

import numpy as np

from watchkeeper.forecast.history import HOURS, RECENT
from watchkeeper.model.line import Floats
from watchkeeper.model.observation import SeriesKey
from watchkeeper.model.records import Bucket, LevelSamples, Sample
from watchkeeper.store.history.rollup import CREDIBLE_SAMPLE, CREDIBLE_STRETCH, DAY_MS, HOUR_MS, LATEST_MS
from watchkeeper.store.rows.codec import key_column

ROLLED = (("hours", HOUR_MS), ("days", DAY_MS))
"""The tables of roll-ups, the finer first, and the length of their stretches."""

_PLACES_MS = (0, HOUR_MS // 2, HOUR_MS - 1)
"""Where in an hour its representative samples are placed in a history."""

FEW_FOR_TRIM = 4
"""With fewer values in a stretch, leaving out the least and the most leaves too little."""

_THINNED_SAMPLES = f"""
SELECT n, samples, valued, least, total, most, last_ms, value, bound, first_ms, missing_ms
FROM (
    SELECT (at_ms - :since) / :width AS n, count(*) AS samples, count(value) AS valued,
        min(value) AS least, sum(value) AS total, max(value) AS most, max(at_ms) AS last_ms,
        min(at_ms) AS first_ms, min(CASE WHEN value IS NULL THEN at_ms END) AS missing_ms
    FROM samples WHERE series = :series AND at_ms BETWEEN :since AND :until AND {CREDIBLE_SAMPLE} GROUP BY n
) CROSS JOIN samples ON series = :series AND at_ms = last_ms
"""  # noqa: S608  fixed text

# A stretch belongs to the bucket that contains its middle.
_THINNED_ROLLED = """
SELECT n, those.samples, valued, low, sum, high, newest * :each + last_ms, last, bound,
    oldest * :each, missing * :each + :each / 2
FROM (
    SELECT (stretch * :each + :each / 2 - :since) / :width AS n, sum(samples) AS samples,
        sum(samples - without) AS valued, min(least) AS low, sum(total) AS sum, max(most) AS high,
        max(stretch) AS newest, min(stretch) AS oldest, min(CASE WHEN without > 0 THEN stretch END) AS missing
    FROM {table} WHERE series = :series AND stretch * :each + :each / 2 BETWEEN :since AND :until
        AND stretch BETWEEN :since / :each AND :until / :each AND {credible} GROUP BY n
) AS those CROSS JOIN {table} ON series = :series AND stretch = newest
"""

# For a history: start in ms, number of values, least, total, most, last and bound. A day's points lie at its noon.
# Levels only: a series that once was of another kind has samples and stretches without a capacity.
_NEWEST = f"""
SELECT max(coalesce((SELECT max(at_ms) FROM samples WHERE series = :series AND at_ms <= :until), 0),
    coalesce((SELECT max(stretch) FROM hours WHERE series = :series AND stretch <= :until / {HOUR_MS}), 0) * {HOUR_MS})
"""  # noqa: S608  fixed text
_HOURS_OF_SAMPLES = f"""
SELECT stretch * {HOUR_MS}, valued, least, total, most, value, bound
FROM (
    SELECT at_ms / {HOUR_MS} AS stretch, count(*) AS valued, min(value) AS least, sum(value) AS total,
        max(value) AS most, max(at_ms) AS last_ms
    FROM samples WHERE series = :series AND at_ms >= :since AND at_ms < :recent
        AND value IS NOT NULL AND bound IS NOT NULL AND {CREDIBLE_SAMPLE} GROUP BY stretch
) CROSS JOIN samples ON series = :series AND at_ms = last_ms
"""  # noqa: S608  fixed text
_HOURS = f"""
SELECT stretch * {HOUR_MS}, samples - without, least, total, most, last, bound
FROM hours WHERE series = :series AND stretch >= max(:first, :whole) AND stretch <= :until / {HOUR_MS}
    AND bound IS NOT NULL AND last IS NOT NULL AND {CREDIBLE_STRETCH}
"""  # noqa: S608  fixed text
_DAYS_OF_HOURS = f"""
SELECT day * {DAY_MS} + {DAY_MS // 2}, valued, low, sum, high, last, bound
FROM (
    SELECT stretch / 24 AS day, sum(samples - without) AS valued, min(least) AS low, sum(total) AS sum,
        max(most) AS high, max(stretch) AS newest
    FROM hours WHERE series = :series AND stretch >= :first AND stretch < :whole
        AND bound IS NOT NULL AND last IS NOT NULL AND {CREDIBLE_STRETCH} GROUP BY day
) CROSS JOIN hours ON series = :series AND stretch = newest
"""  # noqa: S608  fixed text
_DAYS = f"""
SELECT stretch * {DAY_MS} + {DAY_MS // 2}, samples - without, least, total, most, last, bound
FROM days WHERE series = :series AND stretch BETWEEN :day AND :until / {DAY_MS}
    AND bound IS NOT NULL AND last IS NOT NULL AND {CREDIBLE_STRETCH}
"""  # noqa: S608  fixed text


def series_number(conn: sqlite3.Connection, key: SeriesKey) -> int | None:
    """A series' number; None where there is no such series."""
    found = conn.execute("SELECT id FROM series WHERE key = ?", (key_column(key),)).fetchone()
    return None if found is None else int(found[0])


# Samples ----------------------------------------------------------------------------------------------------------


def samples(conn: sqlite3.Connection, key: SeriesKey, since_ms: int, until_ms: int) -> Sequence[Sample]:
    """Samples of a series, oldest first, both ends included; Store.samples() describes what represents a roll-up."""
    series = series_number(conn, key)
    rows = conn.execute(
        f"SELECT at_ms, value, bound FROM samples WHERE series = ? AND at_ms BETWEEN ? AND ? AND {CREDIBLE_SAMPLE}"  # noqa: S608  fixed text
        " ORDER BY at_ms",
        (series, since_ms, until_ms),
    ).fetchall()
    kept = [Sample(at_ms / 1000, value, bound) for at_ms, value, bound in rows]
    older = [
        each
        for table, width_ms in ROLLED
        for row in _rolled(conn, table, series, since_ms // width_ms, until_ms // width_ms)
        for each in stand_ins(row, width_ms)
        if since_ms <= each.at_s * 1000 <= until_ms
    ]
    return sorted([*older, *kept], key=attrgetter("at_s")) if older else kept


def _rolled(conn: sqlite3.Connection, table: str, series: int | None, first: int, last: int) -> list[Any]:
    return conn.execute(
        "SELECT stretch, samples, without, least, most, last_ms, last, bound"  # noqa: S608  fixed texts
        f" FROM {table} WHERE series = ? AND stretch BETWEEN ? AND ? AND {CREDIBLE_STRETCH} ORDER BY stretch",
        (series, first, last),
    ).fetchall()


def stand_ins(row: tuple[Any, ...], width_ms: int) -> Iterator[Sample]:
    """The few samples that represent a whole stretch."""
    stretch, count, without, least, most, last_ms, last, bound = row
    start_ms = stretch * width_ms
    if without and count > 1:
        yield Sample((start_ms + width_ms // 2) / 1000, None, bound)
    if count == 1 or least == most:
        yield Sample((start_ms + last_ms) / 1000, last, bound)
        return
    first, second = _in_order(least, most, last)
    yield Sample((start_ms + width_ms // 4) / 1000, first, bound)
    yield Sample((start_ms + 3 * width_ms // 4) / 1000, second, bound)


def _in_order(least: float, most: float, last: float | None) -> tuple[float, float]:
    """The least and the most; the one that is nearer to the last value comes second."""
    falls = last is not None and last - least < most - last
    return (most, least) if falls else (least, most)


# Stretches for a chart ----------------------------------------------------------------------------------------------


def thinned(conn: sqlite3.Connection, key: SeriesKey, since_ms: int, until_ms: int, points: int) -> Sequence[Bucket]:
    """A series' history in at most about `points` equal stretches of time, oldest first; empty ones left out."""
    series = series_number(conn, key)
    grains = [each for each in ROLLED if _any_in(conn, *each, series, since_ms, until_ms)]
    width_ms = max(1, -(-(until_ms - since_ms) // max(1, points)), *(width for _, width in grains))
    asked = {"series": series, "since": since_ms, "until": until_ms, "width": width_ms}
    parts = {n: rest for n, *rest in conn.execute(_THINNED_SAMPLES, asked)}
    for table, each in grains:
        for n, *rest in conn.execute(
            _THINNED_ROLLED.format(table=table, credible=CREDIBLE_STRETCH), {**asked, "each": each}
        ):
            parts[n] = joined(parts[n], rest) if n in parts else rest
    return [bucket(since_ms + n * width_ms, width_ms, parts[n]) for n in sorted(parts)]


def _any_in(
    conn: sqlite3.Connection, table: str, width_ms: int, series: int | None, since_ms: int, until_ms: int
) -> bool:
    sql = f"SELECT 1 FROM {table} WHERE series = ? AND stretch BETWEEN ? AND ? LIMIT 1"  # noqa: S608  fixed texts
    return conn.execute(sql, (series, since_ms // width_ms, until_ms // width_ms)).fetchone() is not None


def joined(one: Sequence[Any], other: Sequence[Any]) -> list[Any]:
    """Merge two parts of one stretch, as bucket() takes them."""
    newer = max(one, other, key=lambda part: part[5])
    return [
        one[0] + other[0],
        one[1] + other[1],
        min(_known(one[2], other[2]), default=None),
        sum(_known(one[3], other[3])) if _known(one[3], other[3]) else None,
        max(_known(one[4], other[4]), default=None),
        *newer[5:8],
        min(one[8], other[8]),
        min(_known(one[9], other[9]), default=None),
    ]


def _known(*values: float | None) -> list[float]:
    return [each for each in values if each is not None]


def bucket(start_ms: int, width_ms: int, part: Sequence[Any]) -> Bucket:
    """A stretch from its part, as the queries of thinned() return it."""
    count, valued, least, total, most, last_ms, last, bound, first_ms, missing_ms = part
    return Bucket(
        start_s=start_ms / 1000,
        width_s=width_ms / 1000,
        samples=count,
        without=count - valued,
        least=least,
        # A mean lies between them, whatever rounding or an overflowing total (of values near 1e308) yields.
        mean=None if not valued else min(max(total / valued, least), most),
        most=most,
        last_s=last_ms / 1000,
        last=last,
        bound=bound,
        first_s=first_ms / 1000,
        missing_s=None if missing_ms is None else min(missing_ms, last_ms) / 1000,
    )


# For a history ------------------------------------------------------------------------------------------------------


def level_samples(conn: sqlite3.Connection, key: SeriesKey, since_ms: int, until_ms: int = LATEST_MS) -> LevelSamples:
    """One level's history since an instant: the newest samples, before them three per hour, long before three per day.

    until_ms: what is later is not credible.

    A history keeps no more detail than that (forecast/history.py), and reading every sample of two weeks only to
    condense it again would make the start of a large host take most of a minute.
    """
    series = series_number(conn, key)
    recent_ms = max(since_ms, _recent_from(conn, series, until_ms))
    kept = _table(
        conn.execute(
            "SELECT at_ms, value, bound FROM samples WHERE series = ? AND at_ms BETWEEN ? AND ?"  # noqa: S608  fixed text
            f" AND value IS NOT NULL AND bound IS NOT NULL AND {CREDIBLE_SAMPLE}",
            (series, recent_ms, until_ms),
        ),
        3,
    )
    every = np.concatenate([_points(_older(conn, series, (since_ms, recent_ms, until_ms))), kept])
    every = every[np.argsort(every[:, 0], kind="stable")]
    return LevelSamples(key, at_s=every[:, 0] / 1000, used=every[:, 1].copy(), capacity=every[:, 2].copy())


def _recent_from(conn: sqlite3.Connection, series: int | None, until_ms: int) -> int:
    """The start of the hour that contains the first of the newest samples that a history keeps unchanged."""
    found = conn.execute(
        "SELECT at_ms FROM samples WHERE series = ? AND at_ms <= ? ORDER BY at_ms DESC LIMIT 1 OFFSET ?",
        (series, until_ms, RECENT - 1),
    ).fetchone()
    return 0 if found is None else int(found[0]) // HOUR_MS * HOUR_MS


def _older(conn: sqlite3.Connection, series: int | None, span_ms: tuple[int, int, int]) -> Floats:
    """What is before the recent samples: start in ms, number of values, least, total, most, last and bound of each.

    span_ms: since when, where the recent samples begin, until when.
    """
    since_ms, recent_ms, until_ms = span_ms
    asked = {"series": series, "since": since_ms, "recent": recent_ms, "until": until_ms}
    (newest_ms,) = conn.execute(_NEWEST, asked).fetchone()
    hours_ms = (newest_ms - HOURS * HOUR_MS) // DAY_MS * DAY_MS - DAY_MS
    asked |= {"first": since_ms // HOUR_MS, "whole": hours_ms // HOUR_MS, "day": since_ms // DAY_MS}
    return _table(
        (row for sql in (_DAYS, _DAYS_OF_HOURS, _HOURS, _HOURS_OF_SAMPLES) for row in conn.execute(sql, asked)), 7
    )


def _table(rows: Iterable[Any], width: int) -> Floats:
    return np.array(list(rows), dtype=np.float64).reshape(-1, width)


def _points(rolled: Floats) -> Floats:
    """Three samples for each stretch: least, middle and most in the order in which it moved; or its only one.

    They lie at the start, in the middle and at the end of one hour, so that a history, which counts its hours from its
    first sample, takes them for one hour with this middle, this least and this most. The middle is the mean without the
    least and the most: one outlier does not move it, and of a straight line it is the middle, like the median that a
    history keeps of the samples themselves.
    """
    start, count, least, total, most, last, bound = rolled.T
    trimmed = count >= FEW_FOR_TRIM
    left = np.where(trimmed, count - 2, count)
    middle = np.clip((total - np.where(trimmed, least + most, 0.0)) / left, least, most)
    falls = last - least < most - last
    values = (np.where(falls, most, least), middle, np.where(falls, least, most))
    points = [np.stack([start + at, used, bound], axis=1) for at, used in zip(_PLACES_MS, values, strict=True)]
    wanted = np.stack([count > 0, count > 1, count > 1], axis=1)
    every: Floats = np.stack(points, axis=1)[wanted]
    return every
