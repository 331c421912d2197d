"""Recent changes: stored first, at hand for messages, and listed in the message of what began after them."""

from collections.abc import Sequence

import pytest

from tests.support.house import HOUR, MINUTE, START, House, watched
from watchkeeper.errors import StoreFull
from watchkeeper.model.change import Change, ChangeKind, MemoryChangeLog
from watchkeeper.model.observation import Answer, SeriesKey
from watchkeeper.runtime.recent_changes import MOST, RecentChanges

HUB = SeriesKey("service hide-hub", "answer")
UPGRADED = Change(START - HOUR, ChangeKind.PACKAGE, "openssl", "upgraded", "from 3.0.9 to 3.0.11")


class Full:
    """A log without room."""

    async def record(self, changes: Sequence[Change]) -> None:
        """Keep nothing."""
        raise StoreFull(f"no room for {len(changes)} changes")


async def test_stored_once_and_found_again() -> None:
    """The same change is stored once; after a restart what the store holds is at hand."""
    log = MemoryChangeLog()
    recent = RecentChanges(log)
    await recent.record([UPGRADED])
    await recent.record([UPGRADED])
    assert log.changes == [UPGRADED]
    again = RecentChanges(log)
    assert again.before(START) == ()
    again.restore(log.changes)
    assert again.before(START) == (UPGRADED,)


async def test_what_is_not_stored_is_not_remembered() -> None:
    """So that it is recorded again with the next look; and memory is bounded."""
    recent = RecentChanges(Full())
    with pytest.raises(StoreFull):
        await recent.record([UPGRADED])
    assert recent.before(START) == ()
    recent.restore([UPGRADED] * (MOST + 5))
    assert len(recent.before(START)) == MOST


async def test_a_message_lists_what_changed_before_it_began() -> None:
    """When it is raised, not when it ends; what came later is not in it."""
    house = House()
    later = Change(START + HOUR, ChangeKind.PACKAGE, "tar", "removed")
    await house.pipeline.state.changes.record([UPGRADED, later])
    await house.pipeline.changed(ChangeKind.NOTE, "the operator", "noted:", "Swept the hide.")
    up, down = Answer(HUB, answered=True), Answer(HUB, answered=False, reason="connection refused")
    probe = watched([down], [down], [up], [up])
    for _ in range(4):
        await house.run(probe)
        await house.wait(MINUTE)
    raised, ended = (each.message.body for each in house.store.deliveries)
    assert "Changed in the 24 hours before it began (not necessarily the cause):" in raised
    assert "package openssl upgraded from 3.0.9 to 3.0.11" in raised
    assert "the operator noted: Swept the hide." in raised
    assert "package tar" not in raised
    assert "Changed in" not in ended


async def test_a_change_of_people_that_cannot_be_stored_stops_nobody() -> None:
    """It is in the event log; the action goes on."""
    house = House()
    house.pipeline.state.changes = RecentChanges(Full())
    await house.pipeline.changed(ChangeKind.CONFIGURATION, "watchkeeper's configuration", "reloaded", "")
    assert house.pipeline.state.changes.before(START + HOUR) == ()
