"""Changes that are kept in memory."""

from datetime import UTC, datetime

from watchkeeper.model.change import Change, ChangeKind, MemoryChangeLog


async def test_each_change_is_kept_once() -> None:
    """As the database keeps them: one that is recorded again is the same."""
    log = MemoryChangeLog()
    first, second = (
        Change(datetime(2026, 3, day, tzinfo=UTC), ChangeKind.GUEST, "hide-hub", "started") for day in (1, 2)
    )
    await log.record([first])
    await log.record([first, second])
    assert log.changes == [first, second]
