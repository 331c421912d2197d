"""The rows of outages: the same before and after roll-ups, with what was seen, bounded, and lost alone when damaged."""

import random
import sqlite3
from collections.abc import Sequence
from contextlib import closing
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest

from tests.store.material import DAY, HIDE_HUB, HOUR, MINUTE, START, asked
from watchkeeper.model.history.availability import Outage, availability
from watchkeeper.model.observation import Answer, Condition
from watchkeeper.model.records import Commit, Seen
from watchkeeper.store import Store, schema
from watchkeeper.store.history import outage_rows
from watchkeeper.store.history.retention_limits import RetentionLimits
from watchkeeper.store.recovery.inspection import FREQUENT
from watchkeeper.store.rows.checked_rows import OUTAGE_FORM, RowDamaged

MIDNIGHT = datetime(2026, 3, 1, tzinfo=UTC)
AT_S = MIDNIGHT.timestamp()
REFUSED = "connection refused"


async def write(store: Store, states: str, start_min: int = 0, reason: str = REFUSED) -> None:
    """A sample each minute: `u` answered, `d` not, a space for none; each in a unit of work of its own."""
    for n, state in enumerate(states, start=start_min):
        if state != " ":
            up = state == "u"
            seen = Answer(HIDE_HUB, answered=up, reason="" if up else reason, took_s=0.1 if up else None)
            await store.commit(Commit(seen=(Seen(MIDNIGHT + n * MINUTE, seen, "hide-hub", 60.0),)))


async def listed(store: Store, since_min: float = 0, until_min: float = 10_000) -> Sequence[Outage]:
    """The outages, with times in minutes after midnight."""
    (series,) = await store.series()
    found = await store.answers(series, MIDNIGHT + since_min * MINUTE, MIDNIGHT + until_min * MINUTE)
    return [
        Outage(
            (each.begin_s - AT_S) / 60,
            None if each.end_s is None else (each.end_s - AT_S) / 60,
            each.down_s / 60,
            each.reason,
        )
        for each in found.outages
    ]


async def roll_up(store: Store, until_min: int) -> None:
    """Turn samples from before a time into hours."""
    await store.keep(RetentionLimits(samples=MIDNIGHT + until_min * MINUTE))


def expected(states: str) -> list[Outage]:
    """What each state of a minute says, counted one by one. A pause of up to three minutes counts as measured."""
    found: list[Outage] = []
    known = [(minute, state == "d") for minute, state in enumerate(states) if state != " "]
    for (minute, down), following in zip(known, [*known[1:], None], strict=True):
        length = 1 if following is None or following[0] - minute > 3 else following[0] - minute
        lasting = bool(found) and found[-1].end_s is None
        if down and not lasting:
            found.append(Outage(minute, None, length, REFUSED))
        elif down:
            found[-1] = replace(found[-1], down_s=found[-1].down_s + length)
        elif lasting:
            found[-1] = replace(found[-1], end_s=minute)
    return found


@pytest.mark.parametrize("seed", range(6))
async def test_roll_ups_change_nothing_that_is_listed(store: Store, seed: int) -> None:
    """Ten hours of answers, outages and pauses; rolled up little by little, at any minute."""
    chance = random.Random(seed)
    states = "".join(chance.choice("uuud ") * chance.randint(1, 25) for _ in range(60))[:600]
    await write(store, states)
    known = expected(states)
    assert await listed(store) == known
    (series,) = await store.series()
    for until_min in sorted(chance.sample(range(600), 5)):
        await roll_up(store, until_min)
        assert await listed(store) == known
        answers = await store.answers(series, MIDNIGHT, MIDNIGHT + DAY)
        found = availability(answers, AT_S, AT_S + DAY.total_seconds())
        assert (found.outages, found.at_least) == (len(known), False)
    for begin, end in ((0, 300), (200, 420), (599, 600)):
        inside = [each.begin_s for each in known if each.begin_s < end and (each.end_s is None or each.end_s > begin)]
        assert [each.begin_s for each in await listed(store, begin, end)] == inside


async def test_an_outage_of_weeks_over_restarts(path: Path) -> None:
    """It keeps its begin and its first reason; while the daemon did not run nothing is added."""
    async with await Store.open(path) as store:
        await write(store, "uu" + "d" * 58)
        await roll_up(store, 40)
    async with await Store.open(path) as store:
        await write(store, "d" * 60, 180, "status 502")
        assert await listed(store) == [Outage(2, None, 118, REFUSED)]
        await roll_up(store, 200)
        await write(store, "ddu", 240, "status 502")
        assert await listed(store) == [Outage(2, 242, 120, REFUSED)]
        await roll_up(store, 10_000)
        assert await listed(store) == [Outage(2, 242, 120, REFUSED)]
        assert await listed(store, 242) == []
    assert asked(path, "SELECT count(*) FROM samples") == [(0,)]


async def test_an_outage_that_had_not_ended_ends_before_what_is_asked(store: Store) -> None:
    """Its end is found in samples from before."""
    await write(store, "uddd" + "u" * 100)
    await roll_up(store, 3)
    assert await listed(store, 50) == []
    assert await listed(store, 3.5) == [Outage(1, 4, 3, REFUSED)]


async def test_a_late_sample_is_no_outage(store: Store) -> None:
    """The clock was set back to hours that are rolled up: the order is not known any more."""
    await write(store, "uuu" * 20)
    await roll_up(store, 40)
    await write(store, "d", 10)
    await roll_up(store, 50)
    assert await listed(store) == []


async def test_conditions_have_no_outages(store: Store, path: Path) -> None:
    """Only what answers is listed."""
    seen = Seen(MIDNIGHT, Condition(HIDE_HUB, ok=False, reason="stopped"), "guests", 60.0)
    await store.commit(Commit(seen=(seen,)))
    await roll_up(store, 100)
    assert asked(path, "SELECT * FROM outages") == []


async def test_they_are_bounded(store: Store, path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The oldest are deleted; their hours then count at least."""
    monkeypatch.setattr(outage_rows, "MOST", 5)
    await write(store, "ud" * 60)
    await roll_up(store, 110)
    found = await listed(store)
    assert [each.begin_s for each in found][-2:] == [117, 119]
    assert asked(path, "SELECT count(*) FROM outages") == [(5,)]
    await store.keep(RetentionLimits(days=MIDNIGHT + 115 * MINUTE))
    assert [each.begin_s for each in await listed(store)] == [111, 113, 115, 117, 119]


async def test_they_go_with_their_series(store: Store, path: Path) -> None:
    """A later series with its number has none of them."""
    await write(store, "ud" * 5 + "u")
    await roll_up(store, 1_000)
    far = MIDNIGHT + 5 * DAY
    await store.keep(RetentionLimits(hours=far))
    await store.keep(RetentionLimits(days=far - 4 * DAY, gone=far))
    assert asked(path, "SELECT * FROM outages") == []
    await store.keep(RetentionLimits(days=far, gone=far))
    assert asked(path, "SELECT * FROM series") == []


async def test_a_damaged_one_is_lost_alone(path: Path) -> None:
    """It is left out and moved to the quarantine; it is not among what is checked most often."""
    async with await Store.open(path) as store:
        await write(store, "uduuddu")
        await roll_up(store, 1_000)
    with closing(sqlite3.connect(path)) as conn, conn:
        conn.execute("UPDATE outages SET down_ms = down_ms + 1 WHERE begin_ms = (SELECT min(begin_ms) FROM outages)")
    async with await Store.open(path) as store:
        assert await listed(store) == [Outage(4, 6, 2, REFUSED)]
        await store.inspect(whole=True)
        moved = await store.quarantined(START, START + 40_000 * DAY)
        assert [(each.source, each.about) for each in moved] == [("outages", "an outage")]
    assert "outages" not in {scope.form.table for scope in FREQUENT}


@pytest.mark.parametrize(
    "values",
    [(1, 5, 4, 1, '"x"'), (1, -1, None, 1, '"x"'), (1, 5, 6, -1, '"x"'), (1, 5, 6, 1, "x"), (1, "a", 6, 1, '"x"')],
)
def test_values_that_cannot_be(values: tuple[object, ...]) -> None:
    """An outage does not end before it begins."""
    with pytest.raises(RowDamaged, match="cannot be read"):
        OUTAGE_FORM.understood(values)


async def test_a_broken_database_keeps_them(path: Path) -> None:
    """Where a table is missing, salvage reads them as every other row."""
    async with await Store.open(path) as store:
        await write(store, "uduu")
        await roll_up(store, 1_000)
    with closing(sqlite3.connect(path)) as conn:
        conn.execute("PRAGMA writable_schema = ON")
        conn.execute("DELETE FROM sqlite_schema WHERE name = 'days'")
        conn.commit()
    async with await Store.open(path, repair_at=START) as store:
        assert await listed(store) == [Outage(1, 2, 1, REFUSED)]


async def test_a_database_of_the_version_before(path: Path) -> None:
    """What is rolled up already counts at least; what is rolled up from then on is listed."""
    path.parent.mkdir(exist_ok=True)
    with closing(sqlite3.connect(path, isolation_level=None)) as conn:
        schema.prepare_empty(conn)
        schema.migrate(conn, schema.MIGRATIONS[:8])
    async with await Store.open(path) as store:
        await write(store, "ud" * 30)
        await store.keep(RetentionLimits(samples=MIDNIGHT + HOUR))
        # As the version before rolled up: without rows of outages.
        with closing(sqlite3.connect(path)) as conn, conn:
            conn.execute("DELETE FROM outages")
        await write(store, "ud" * 10 + "u", 60)
        await roll_up(store, 1_000)
        (series,) = await store.series()
        found = availability(await store.answers(series, MIDNIGHT, MIDNIGHT + DAY), AT_S, AT_S + 86_400)
        assert (found.outages, found.at_least, len(await listed(store))) == (11, True, 10)
