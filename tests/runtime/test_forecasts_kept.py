"""Forecasts are kept with the samples that they were made from, through a restart and a full disk, on a real store."""

from dataclasses import dataclass
from datetime import UTC, timedelta
from pathlib import Path

from tests.support.house import START, Desk, Hands, House, Shelf, watched
from watchkeeper.forecast.scoring import summary
from watchkeeper.model.forecast_record import KeptForecast, Outcome
from watchkeeper.model.observation import Level, SeriesKey
from watchkeeper.runtime.pipeline import Pipeline
from watchkeeper.runtime.pipeline_state import PipelineState
from watchkeeper.runtime.runner import Runner
from watchkeeper.runtime.scheduled_probe import ScheduledProbe, look
from watchkeeper.store import Store

POOL = SeriesKey("pool skerry", "space")
EVERY, DAY = timedelta(minutes=30), timedelta(days=1)
GROWS_AT = START + 2 * DAY


@dataclass
class Pool:
    """A pool that is quiet for two days and then fills within four."""

    clock: Hands

    async def observe(self) -> list[Level]:
        """What is used now."""
        grown = max((self.clock.now() - GROWS_AT) / (4 * DAY), 0.0)
        return [Level(POOL, min(400 + 600 * grown, 1000.0), 1000.0)]

    async def close(self) -> None:
        """Nothing to release."""


async def lived(store: Store, clock: Hands, time: timedelta) -> Runner:
    """Start a daemon on the store, and let it monitor for a time."""
    state = PipelineState(store, Desk(), clock, "gannet", UTC)
    probe = ScheduledProbe("pools", EVERY.total_seconds(), Pool(clock), watched([]).rules)
    runner = Runner(Pipeline(state), [probe])
    await runner.start(store, START - DAY, await store.last_commit_at())
    for _ in range(int(time / EVERY)):
        clock.run(EVERY)
        observed, own = await look(probe)
        await runner.pipeline.take(probe, observed, own)
    return runner


async def test_a_record_goes_on_after_a_restart(tmp_path: Path) -> None:
    """Forecasts that one daemon kept are decided by the next one, and the width of the ranges is the same after it."""
    clock, path = Hands(), tmp_path / "state" / "watchkeeper.db"
    async with await Store.open(path) as store:
        await lived(store, clock, 4 * DAY)
        kept = await store.forecasts(POOL)
        assert kept
        assert all(each.outcome is None for each in kept)
        assert kept[-1].warned
    async with await Store.open(path) as store:
        runner = await lived(store, clock, 2.2 * DAY)
        decided = await store.forecasts(POOL)
        assert [each.at for each in decided][: len(kept)] == [each.at for each in kept]
        assert {each.outcome for each in decided} == {Outcome.FILLED}
        found = summary(decided)
        assert (found.fills, found.warned) == (1, 1)
        assert found.held > 0.8 * found.count
        width = runner.pipeline.state.forecasts.width
        assert width != 1
    async with await Store.open(path) as store:
        again = await lived(store, clock, timedelta())
        assert again.pipeline.state.forecasts.width == width


async def test_what_a_full_disk_held_back_is_written_later() -> None:
    """A forecast that was made while nothing could be written is in the first commit after it."""
    house = House()
    probe = watched([Level(POOL, 1, 2)], every_s=1800.0)
    pool, shelf = Pool(house.clock), house.store
    assert isinstance(shelf, Shelf)
    for step in range(2 * 24 * 3):
        if step == 55:
            shelf.fill()
        if step == 120:
            assert not kept(shelf)
            shelf.free()
        house.clock.run(EVERY)
        _, own = await look(probe)
        await house.pipeline.take(probe, await pool.observe(), own)
    found = kept(shelf)
    assert found
    assert min(each.at for each in found) < START + 120 * EVERY


def kept(shelf: Shelf) -> list[KeptForecast]:
    """All forecasts that were committed."""
    return [each for commit in shelf.commits for each in commit.forecasts]
