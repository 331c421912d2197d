"""Delays that run out are told at that moment, with the real clock."""

import asyncio
from datetime import UTC

from tests.support.house import Desk, Shelf, watched
from watchkeeper.clock import Clock
from watchkeeper.core.observation import Answer, SeriesKey
from watchkeeper.core.records import Entry
from watchkeeper.core.rules import Rules, SilentRule
from watchkeeper.pipeline import Pipeline

HUB = SeriesKey("service hide-hub", "answer")


async def test_a_delay_that_runs_out_is_told_at_that_moment() -> None:
    """The next steady look may be far off: what a delay held back is told when the delay is over, in real time."""
    store, clock = Shelf(), Clock()
    pipeline = Pipeline(store, Desk(), clock, "gannet", UTC)
    rules = Rules(silent=SilentRule(warning_s=0.3, alarm_s=0.6))
    reviewing = asyncio.create_task(pipeline.review_in_time(30))
    await asyncio.sleep(0)
    began = clock.now()
    await pipeline.run(watched([Answer(HUB, answered=False)], rules=rules, every_s=3600))
    async with asyncio.timeout(30):
        while len(store.parcels) < 2:  # noqa: ASYNC110  the shelf is a list
            await asyncio.sleep(0.01)
    reviewing.cancel()
    waited = [(line.at - began).total_seconds() for line in store.journal if line.entry is Entry.TRANSITION]
    assert 0.3 <= waited[0] < 0.6 <= waited[1] < 3
    assert pipeline.reviewed_at is None


async def test_a_look_that_is_due_at_what_is_gone_does_no_harm() -> None:
    """A series that was let go while a delay of it ran is looked at no more, and the steady look still comes."""
    clock = Clock()
    pipeline = Pipeline(Shelf(), Desk(), clock, "gannet", UTC)
    pipeline._waking._due[HUB] = clock.now()
    async with asyncio.timeout(30):
        await pipeline.review_in_time(0.05)
    assert pipeline.reviewed_at is not None
