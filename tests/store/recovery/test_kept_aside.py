"""What the database cannot take is kept beside it, and the next run finds what the database does not contain."""

from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from random import Random

import pytest

from tests.support.messages import messages
from watchkeeper.model.alert import Alert, Concern, Priority, State
from watchkeeper.model.observation import SeriesKey
from watchkeeper.model.records import Commit, Delivery, DeliveryState, Entry, EventLine
from watchkeeper.store.files.reserve import Reserve
from watchkeeper.store.recovery.kept_aside import reserve_of
from watchkeeper.store.store import Store

NOW = datetime(2026, 11, 30, 18, 0, tzinfo=UTC)
ALERT = Alert(SeriesKey("service hide-hub", "answer"), Concern.NOT_ANSWERING, State.ACTIVE, Priority.ALARM, 1, 2, NOW)
LINE = EventLine(NOW, Entry.NOTE, "the hide was swept")
FIRST, SECOND = (Delivery("mail", replace(messages()[0], id=f"thread-{n}", number=n), NOW, NOW) for n in (1, 2))
KEPT = Commit(alerts=(ALERT,), events=(LINE,), deliveries=(FIRST, SECOND))


async def next_run(path: Path) -> Commit:
    """What the next run finds."""
    async with await Store.open(path) as store:
        return await store.kept_aside()


async def test_what_is_kept_is_found_by_the_next_run(tmp_path: Path) -> None:
    """Alerts, event log lines and messages as they were, until they are committed; then nothing."""
    path = tmp_path / "watchkeeper.db"
    async with await Store.open(path) as store:
        assert await store.kept_aside() == Commit()
        assert await store.keep_aside(KEPT)
    assert await next_run(path) == KEPT
    async with await Store.open(path) as store:
        await store.commit(await store.kept_aside(), with_kept=True)
        assert [each.message.id for each in await store.deliveries()] == ["thread-2", "thread-1"]
    assert await next_run(path) == Commit()


async def test_a_kill_between_the_commit_and_the_next_record_brings_nothing_back(tmp_path: Path) -> None:
    """The database has taken the record over: its alerts are older, and only what is not in the outbox counts."""
    path = tmp_path / "watchkeeper.db"
    async with await Store.open(path) as store:
        await store.kept_aside()
        await store.keep_aside(KEPT)
        await store.commit(replace(KEPT, deliveries=(SECOND,)), with_kept=True)  # the first one is on its way
        later = replace(ALERT, state=State.NORMAL, priority=None, message_count=3)
        await store.commit(Commit(alerts=(later,)))
    assert await next_run(path) == Commit(deliveries=(FIRST,))


async def test_a_commit_of_somebody_else_does_not_count(tmp_path: Path) -> None:
    """A digest that is written while others wait takes nothing over."""
    path = tmp_path / "watchkeeper.db"
    async with await Store.open(path) as store:
        await store.kept_aside()
        await store.keep_aside(KEPT)
        await store.commit(Commit(events=(LINE,)))
    assert await next_run(path) == KEPT


async def test_history_is_left_out_where_it_does_not_fit(tmp_path: Path) -> None:
    """Alerts and what waits are kept; lines of the event log and messages that have left are not."""
    chance, path = Random(1), tmp_path / "watchkeeper.db"
    long = tuple(replace(LINE, text=chance.randbytes(2_000).hex()) for _ in range(200))
    left = replace(FIRST, state=DeliveryState.DELIVERED)
    async with await Store.open(path) as store:
        await store.kept_aside()
        assert await store.keep_aside(Commit(alerts=(ALERT,), events=long, deliveries=(left, SECOND)))
        assert not await store.keep_aside(Commit(deliveries=tuple(_large(chance) for _ in range(200))))
    assert await next_run(path) == Commit(alerts=(ALERT,), deliveries=(SECOND,))


def _large(chance: Random) -> Delivery:
    return replace(SECOND, message=replace(SECOND.message, body=chance.randbytes(2_000).hex()))


async def test_without_a_place_nothing_is_kept(tmp_path: Path) -> None:
    """Something else has its name: that is said, and the caller knows. Once it is gone, the file is made."""
    path = tmp_path / "watchkeeper.db"
    reserve_of(path).mkdir()
    async with await Store.open(path) as store:
        assert not await store.keep_aside(KEPT)
        assert await store.kept_aside() == Commit()
        assert not await store.keep_aside(KEPT)
        reserve_of(path).rmdir()
        assert await store.keep_aside(KEPT)
        reserve_of(path).unlink()
        assert await store.keep_aside(KEPT)
    assert await next_run(path) == KEPT


async def test_a_record_that_cannot_be_read_is_said_and_left(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    """Whole by its checksum, and nothing that this version knows."""
    path = tmp_path / "watchkeeper.db"
    opened = Reserve(reserve_of(path))
    opened.write(7, '{"alerts": 5}')
    opened.close()
    assert await next_run(path) == Commit()
    assert "cannot be read" in caplog.text
