"""Samples become hours, and hours days: the same as numpy computes from the samples, in any order and any steps."""

import asyncio
import sqlite3
from collections.abc import Sequence
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.store.material import DAY, HOUR, MINUTE, START, asked, level, samples
from watchkeeper.model.records import Commit
from watchkeeper.store import Store
from watchkeeper.store import connection as database
from watchkeeper.store.history.retention_limits import RetentionLimits
from watchkeeper.store.history.rollup import DAY_MS, HOUR_MS, Chore, drop_days, fold_hours, fold_samples
from watchkeeper.store.rows.timestamps import to_ms

Sample = tuple[int, int, float | None, float | None]
"""Series, instant in ms, value and bound."""

BEGIN_MS = to_ms(datetime(2026, 3, 1, tzinfo=UTC))
NOW = datetime(2027, 1, 1, tzinfo=UTC)

VALUES = st.none() | st.integers(0, 2**40) | st.floats(-1e15, 1e15)
SAMPLES = st.lists(
    st.tuples(st.integers(1, 3), st.integers(BEGIN_MS, BEGIN_MS + 4 * DAY_MS), VALUES, st.just(1e12)),
    max_size=60,
    unique_by=lambda each: each[:2],
)


def _open(path: Path) -> sqlite3.Connection:
    conn = database.open_writing(path)
    for number in (1, 2, 3):
        conn.execute(
            "INSERT OR IGNORE INTO series VALUES (?, ?, 'level', 'bytes', '', 60.0, 0, NULL)",
            (number, f'["{number}","x"]'),
        )
    return conn


def _finish(conn: sqlite3.Connection, chore: Chore, limit: int) -> int:
    """Run steps until none is left; returns how many rows they moved."""
    rows, after = 0, 0
    for _ in range(100_000):
        step = chore(conn, limit, after)
        assert step.rows <= limit
        rows += step.rows
        if step.after is None:
            return rows
        after = step.after
    raise AssertionError("it does not come to its end")


def _expected(every: Sequence[Sample], width_ms: int) -> dict[tuple[int, int], tuple[object, ...]]:
    """The roll-up of these samples, computed with numpy."""
    found: dict[tuple[int, int], list[Sample]] = {}
    for each in every:
        found.setdefault((each[0], each[1] // width_ms), []).append(each)
    out: dict[tuple[int, int], tuple[object, ...]] = {}
    for key, group in found.items():
        values = np.array([value for _, _, value, _ in group if value is not None], dtype=float)
        some = len(values) > 0
        newest = max(group, key=lambda each: each[1])
        out[key] = (
            *(len(group), len(group) - len(values)),
            *(values.min() if some else None, values.sum() if some else None, values.max() if some else None),
            *(newest[1] - key[1] * width_ms, newest[2], newest[3]),
        )
    return out


def _stored(conn: sqlite3.Connection, table: str) -> dict[tuple[int, int], tuple[object, ...]]:
    return {row[:2]: row[2:] for row in conn.execute(f"SELECT * FROM {table}")}


def _same(found: dict[tuple[int, int], tuple[object, ...]], wanted: dict[tuple[int, int], tuple[object, ...]]) -> None:
    assert found.keys() == wanted.keys()
    for key, row in found.items():
        # The last digits of a sum depend on the order of addition; sums that cancel out consist only of those digits.
        for one, other in zip(row, wanted[key], strict=True):
            assert one == other or one == pytest.approx(other, rel=1e-12, abs=1.0), key


@given(data=st.data(), every=SAMPLES, limit=st.integers(1, 70))
@settings(deadline=None, max_examples=30, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_hours_are_what_numpy_makes_of_the_samples(
    tmp_path_factory: pytest.TempPathFactory, data: st.DataObject, every: list[Sample], limit: int
) -> None:
    """Whatever order the samples arrive in (late ones too), whatever is rolled up in between, and in whatever steps."""
    # Closed also where the generator gives an example up in its middle.
    with closing(_open(tmp_path_factory.mktemp("hours") / "watchkeeper.db")) as conn:
        left = list(every)
        while left:
            count = data.draw(st.integers(1, len(left)))
            batch, left = left[:count], left[count:]
            conn.executemany("INSERT INTO samples VALUES (?, ?, ?, ?)", batch)
            until_ms = data.draw(st.integers(BEGIN_MS, BEGIN_MS + 5 * DAY_MS))
            _finish(conn, fold_samples(datetime.fromtimestamp(until_ms / 1000, UTC)), limit)
        _finish(conn, fold_samples(NOW), limit)
        assert conn.execute("SELECT count(*) FROM samples").fetchone() == (0,)
        _same(_stored(conn, "hours"), _expected(every, HOUR_MS))


@given(every=SAMPLES, cut=st.integers(BEGIN_MS, BEGIN_MS + 5 * DAY_MS), limit=st.integers(1, 30))
@settings(deadline=None, max_examples=30, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_days_are_what_numpy_makes_of_the_samples(
    tmp_path_factory: pytest.TempPathFactory, every: list[Sample], cut: int, limit: int
) -> None:
    """Through hours, some of which arrive when their day already exists."""
    conn = _open(tmp_path_factory.mktemp("days") / "watchkeeper.db")
    for part in (every[::2], every[1::2]):
        conn.executemany("INSERT INTO samples VALUES (?, ?, ?, ?)", part)
        _finish(conn, fold_samples(NOW), 500)
        _finish(conn, fold_hours(datetime.fromtimestamp(cut / 1000, UTC)), limit)
    hours = _stored(conn, "hours")
    assert all(stretch * HOUR_MS >= cut // HOUR_MS * HOUR_MS for _, stretch in hours)
    _finish(conn, fold_hours(NOW), limit)
    _same(_stored(conn, "days"), _expected(every, DAY_MS))
    days = len(_stored(conn, "days"))
    assert _finish(conn, drop_days(NOW), limit) == days
    assert _stored(conn, "days") == {}
    conn.close()


def test_a_step_takes_no_more_than_it_may(tmp_path: Path) -> None:
    """The oldest are moved first, series after series, and the next step continues where this one ended."""
    conn = _open(tmp_path / "watchkeeper.db")
    conn.executemany(
        "INSERT INTO samples VALUES (?, ?, 1.0, 2.0)", [(s, BEGIN_MS + n) for s in (1, 2) for n in range(10)]
    )
    chore = fold_samples(NOW)
    first = chore(conn, 7, 0)
    assert (first.rows, first.after) == (7, 0)
    assert conn.execute("SELECT min(at_ms) FROM samples WHERE series = 1").fetchone() == (BEGIN_MS + 7,)
    second = chore(conn, 7, 0)
    assert (second.rows, second.after) == (7, 1)
    assert conn.execute("SELECT series, count(*) FROM samples GROUP BY series").fetchall() == [(2, 6)]
    last = chore(conn, 7, 1)
    assert (last.rows, last.after) == (6, None)
    conn.close()


async def test_keeping_by_the_horizons(store: Store, path: Path) -> None:
    """Only data older than its horizon is moved; nothing is counted twice if it is done again."""
    every = [level(float(n), START - 3 * DAY + n * HOUR) for n in range(72)]
    await store.commit(Commit(seen=tuple(every)))
    cut = (START - DAY).replace(minute=0)
    for _ in range(2):
        await store.keep(RetentionLimits(samples=cut, hours=cut.replace(hour=0)))
    assert asked(path, f"SELECT min(at_ms) >= {to_ms(cut)} FROM samples") == [(1,)]
    counts = [
        asked(path, f"SELECT coalesce(sum({what}), 0) FROM {table}")
        for what, table in (("1", "samples"), ("samples", "hours"), ("samples", "days"))
    ]
    assert sum(int(str(count)) for ((count,),) in counts) == 72
    assert all(count != [(0,)] for count in counts)
    await store.keep(RetentionLimits(samples=FAR, hours=FAR, days=FAR))
    assert asked(path, "SELECT count(*) FROM days") == [(0,)]
    assert len(await store.latest()) == 1


FAR = datetime(2100, 1, 1, tzinfo=UTC)


async def test_a_series_that_returns_is_written_after_its_number_is_gone(store: Store, path: Path) -> None:
    """After a series was deleted completely, its next sample creates it again; no sample is without a series."""
    await store.commit(samples(3))
    later = START + 400 * DAY
    kept = await store.keep(RetentionLimits(samples=later, hours=later, days=later, gone=later))
    assert kept == 3 + 1 + 1 + 2
    assert await store.series() == []
    assert asked(path, "SELECT count(*) FROM series") == [(0,)]
    await store.commit(Commit(seen=(level(5.0, later),)))
    (series,) = await store.series()
    assert series.first_at == later
    assert [s.value for s in await store.samples(series.key, START, FAR)] == [5.0]


async def test_a_turn_that_shares_a_transaction_with_keeping(store: Store, path: Path) -> None:
    """A unit of work committed together with a step is visible to it, and both take effect."""
    await asyncio.gather(
        store.commit(samples(10)),
        store.keep(RetentionLimits(samples=START + 5 * MINUTE, gone=START + HOUR)),
        store.commit(Commit(seen=(level(7.0, START + timedelta(days=1)),))),
    )
    assert asked(path, "PRAGMA foreign_key_check") == []
    assert len(await store.latest()) == 1
