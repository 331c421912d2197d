"""What a plan reads of the record, from a real database."""

from collections.abc import AsyncIterator
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest

from tests.planning.houses import GIB, HOUSE, NOW, POOL, SRV, THIN
from watchkeeper.inventory import growth
from watchkeeper.inventory.level_history import past_of
from watchkeeper.model.forecast_record import KeptForecast, Outcome
from watchkeeper.model.observation import Condition, Level, SeriesKey
from watchkeeper.model.records import Commit, Seen
from watchkeeper.model.units import DAY_S
from watchkeeper.planning.reclaim.gain import with_freed
from watchkeeper.store import Store

IN_USE = SeriesKey("memory", "in use")
METADATA = SeriesKey(THIN.key.subject, "metadata")


@pytest.fixture
async def store(tmp_path: Path) -> AsyncIterator[Store]:
    """An empty database."""
    async with await Store.open(tmp_path / "watchkeeper.db") as opened:
        yield opened


async def record(store: Store, key: SeriesKey, days: float, used: float, per_day: float, capacity: float) -> None:
    """A level that grew evenly, sampled every hour, and holds `used` now."""
    hours = range(int(days * 24) + 1)
    seen = tuple(
        Seen(NOW - timedelta(hours=hour), Level(key, used - per_day * hour / 24, capacity), "skerry", 3600.0)
        for hour in reversed(hours)
    )
    await store.commit(Commit(seen=seen))


async def test_growth_is_what_was_recorded(store: Store) -> None:
    """4 GiB a day over 40 days."""
    await record(store, POOL.key, 40, 600 * GIB, 4 * GIB, 1024 * GIB)
    found = (await growth.recorded(store, HOUSE, [POOL]))[POOL.key]
    assert found.growth is not None
    assert found.growth.slope == pytest.approx(4 * GIB, rel=0.01)
    assert found.recorded_d == pytest.approx(40)
    assert found.metadata is None


async def test_ranges_are_as_wide_as_the_record_of_forecasts_says(store: Store) -> None:
    """Three ranges of another level passed without a fill: the ranges of plans are wider, too."""
    await record(store, POOL.key, 40, 600 * GIB, 4 * GIB, 1024 * GIB)
    before = (await growth.recorded(store, HOUSE, [POOL]))[POOL.key].growth
    past = await past_of(store, POOL.key, NOW)
    missed = [_missed(SeriesKey(f"guest {name}", "space")) for name in ("hide-hub", "ringing-db", "tide-log")]
    await store.commit(Commit(forecasts=tuple(missed)))
    after = (await growth.recorded(store, HOUSE, [POOL]))[POOL.key].growth
    wider = await past_of(store, POOL.key, NOW)
    assert before is not None
    assert after is not None
    assert before.ends is not None
    assert after.ends is not None
    assert after.ends[0] < before.ends[0] < before.ends[1] < before.ends[2] < after.ends[2]
    assert after.ends[1] == before.ends[1]
    assert past is not None
    assert wider is not None
    assert past.range_width == 1 < wider.range_width
    law, adjusted = (with_freed(each, 10 * GIB, NOW.timestamp()) for each in (past, wider))
    assert adjusted.likely_s == law.likely_s
    assert law.latest_s is not None
    assert adjusted.latest_s is not None
    assert adjusted.latest_s > law.latest_s


def _missed(key: SeriesKey) -> KeptForecast:
    """A forecast of which the whole range passed."""
    made, end_s = NOW - timedelta(days=20), (NOW - timedelta(days=10)).timestamp()
    return KeptForecast(
        key, made, end_s - DAY_S, end_s, end_s + DAY_S, 500.0, 1000.0, 0.0, None, warned=False,
        outcome=Outcome.PASSED, decided_at=NOW - timedelta(days=8), held=False, miss=1.0,
    )  # fmt: skip


async def test_what_is_not_recorded_has_no_growth(store: Store) -> None:
    """And a record of two days is too short, and says how long it is."""
    await record(store, POOL.key, 2, 600 * GIB, 4 * GIB, 1024 * GIB)
    found = await growth.recorded(store, HOUSE, [POOL, SRV])
    assert found[POOL.key].growth is found[SRV.key].growth is None
    assert found[POOL.key].recorded_d == pytest.approx(2)
    assert found[SRV.key].recorded_d == 0.0


async def test_metadata_comes_with_its_store(store: Store) -> None:
    """Where a level of that name is watched; a condition of that name is none."""
    await record(store, THIN.key, 20, 50 * GIB, 0.0, 200 * GIB)
    await record(store, METADATA, 20, 0.3 * GIB, 0.01 * GIB, GIB)
    odd = Seen(NOW, Condition(SeriesKey(POOL.key.subject, "metadata"), ok=True), "skerry", 3600.0)
    await store.commit(Commit(seen=(odd,)))
    found = await growth.recorded(store, HOUSE, [THIN, POOL])
    metadata = found[THIN.key].metadata
    assert metadata is not None
    assert metadata.used_bytes == pytest.approx(0.3 * GIB)
    assert metadata.capacity_bytes == GIB
    assert metadata.growth is not None
    assert metadata.growth.slope == pytest.approx(0.01 * GIB, rel=0.01)
    assert found[POOL.key].metadata is None


async def test_a_full_store_still_has_its_growth(store: Store) -> None:
    """How fast it grew says how long a larger one would last."""
    await record(store, POOL.key, 40, 1024 * GIB, 4 * GIB, 1024 * GIB)
    found = (await growth.recorded(store, HOUSE, [POOL]))[POOL.key]
    assert found.growth is not None
    assert found.growth.slope == pytest.approx(4 * GIB, rel=0.01)


async def test_the_peak_of_memory_is_looked_back_on_for_a_month(store: Store) -> None:
    """An older one is no longer looked at; without a record there is none."""
    assert await growth.memory_peak(store, NOW) is None
    for days, used in ((40, 15), (20, 12), (1, 9)):
        seen = Seen(NOW - timedelta(days=days), Level(IN_USE, used * GIB, 16 * GIB), "memory", 30.0)
        await store.commit(Commit(seen=(seen,)))
    found = await growth.memory_peak(store, NOW)
    assert found is not None
    assert found.in_use_bytes == 12 * GIB
    assert found.recorded_d == pytest.approx(20)


async def test_samples_after_the_look_do_not_count(store: Store) -> None:
    """The daemon goes on recording while a plan is made."""
    await record(store, POOL.key, 40, 600 * GIB, 4 * GIB, 1024 * GIB)
    earlier = replace(HOUSE, at=NOW - timedelta(days=10))
    found = (await growth.recorded(store, earlier, [POOL]))[POOL.key]
    assert found.recorded_d == pytest.approx(30)
