"""The whole way from a question to its answer: record and limits from the operator's own database and configuration."""

import asyncio
from datetime import timedelta
from pathlib import Path

import pytest

from tests.planning.houses import GIB, HOUSE, NOW, POOL
from watchkeeper.config.paths import StoreSettings
from watchkeeper.inventory.capacity import limits, room
from watchkeeper.model.observation import Level, SeriesKey
from watchkeeper.model.records import Commit, Seen
from watchkeeper.planning.capacity.answer import Fit
from watchkeeper.planning.capacity.question import BadQuestion, Question
from watchkeeper.planning.host_state import StoreKind
from watchkeeper.probes.guests.settings import GuestsSettings
from watchkeeper.probes.storage.lvm.volume_groups import LvmSettings
from watchkeeper.probes.storage.zfs.pools import ZfsSettings
from watchkeeper.settings import Settings, known_model
from watchkeeper.store import Store


def configured(path: Path) -> Settings:
    """A configuration without probes of its own."""
    return known_model()(watch_host=False, store=StoreSettings(path=path))


async def test_an_answer_depends_on_the_database(tmp_path: Path) -> None:
    """40 days at 3 GiB a day and a peak of 12 GiB of memory; 424 GiB last for 141 days."""
    async with await Store.open(tmp_path / "watchkeeper.db") as store:
        for hour in range(40 * 24, -1, -1):
            at = NOW - timedelta(hours=hour)
            levels = (
                Level(POOL.key, (600 - hour / 8) * GIB, 1024 * GIB),
                Level(SeriesKey("memory", "in use"), (12 if hour == 100 else 9) * GIB, 16 * GIB),
            )
            await store.commit(Commit(seen=tuple(Seen(at, each, "gannet", 3600.0) for each in levels)))
        question = Question(disk_bytes=32 * GIB, memory_bytes=2 * GIB, cpus=2, store="pool skerry")
        found = await room(configured(tmp_path / "watchkeeper.db"), store, HOUSE, question)
        again = await room(configured(tmp_path / "watchkeeper.db"), store, HOUSE, question)
        (pool,) = found.stores
        assert pool.after is not None
        assert pool.after.likely_d == pytest.approx(141, rel=0.01)
        assert pool.after.straight_d == pytest.approx(141, rel=0.01)
        assert (found.memory.peak_bytes, found.fit, found.at) == (12 * GIB, Fit.YES, NOW)
        assert again == found
        only_memory = await room(configured(tmp_path / "watchkeeper.db"), store, HOUSE, Question(memory_bytes=GIB))
        assert only_memory.stores == ()


async def test_the_loop_goes_on_while_it_is_worked_out(tmp_path: Path) -> None:
    """The daemon's own work is not held up: other tasks have their turns before the answer is there."""
    turns, answered = 0, False

    async def count() -> None:
        nonlocal turns
        while not answered:
            turns += 1
            await asyncio.sleep(0)

    async with await Store.open(tmp_path / "watchkeeper.db") as store:
        other = asyncio.create_task(count())
        await room(configured(tmp_path / "watchkeeper.db"), store, HOUSE, Question(disk_bytes=GIB))
        answered = True
        await other
    assert turns > 1


async def test_a_bad_question_is_refused_before_anything_is_read(tmp_path: Path) -> None:
    """Even of a store that is closed."""
    store = await Store.open(tmp_path / "watchkeeper.db")
    await store.close()
    with pytest.raises(BadQuestion, match="nothing is asked"):
        await room(configured(tmp_path / "watchkeeper.db"), store, HOUSE, Question())


def test_limits_are_the_keepers() -> None:
    """Of each kind of store the lowest limit that is set, and the guests' share of memory."""
    found = limits(
        [
            ZfsSettings(name="a", overcommit_limit=1.5),
            ZfsSettings(name="b", overcommit_limit=1.2),
            ZfsSettings(name="c"),
            LvmSettings(overcommit_limit=2.0),
            GuestsSettings(sockets=("/run/guests/*.qmp",), memory_limit=0.8),
        ]
    )
    assert found.promised_share == {StoreKind.ZFS: 1.2, StoreKind.THIN: 2.0}
    assert found.memory_share == 0.8
    assert limits([]).memory_share == 1.0
