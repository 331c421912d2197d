"""Delays that run out are told at that moment, with the real clock."""

import asyncio
from datetime import UTC

from tests.support.house import Desk, Shelf, watched
from watchkeeper.clock import Clock
from watchkeeper.core.observation import Answer, SeriesKey
from watchkeeper.core.records import Entry
from watchkeeper.core.rules import Rules, SilentRule
from watchkeeper.runtime.pipeline import Pipeline
from watchkeeper.runtime.pipeline_state import PipelineState
from watchkeeper.runtime.runner import Runner

HUB = SeriesKey("service hide-hub", "answer")


async def test_a_delay_that_runs_out_is_told_at_that_moment() -> None:
    """The next steady look may be far off: what a delay held back is told when the delay is over, in real time."""
    store, clock = Shelf(), Clock()
    pipeline = Pipeline(PipelineState(store, Desk(), clock, "gannet", UTC))
    rules = Rules(silent=SilentRule(warning_s=0.3, alarm_s=0.6))
    probe = watched([Answer(HUB, answered=False)], rules=rules, every_s=3600)
    runner = Runner(pipeline, [probe])
    reviewing = asyncio.create_task(runner.review_in_time(30))
    await asyncio.sleep(0)
    began = clock.now()
    await runner.run(probe.label)
    async with asyncio.timeout(10):
        while len(store.parcels) < 2:  # noqa: ASYNC110  the shelf is a list
            await asyncio.sleep(0.01)
    reviewing.cancel()
    waited = [(line.at - began).total_seconds() for line in store.journal if line.entry is Entry.TRANSITION]
    assert 0.3 <= waited[0] < 0.6 <= waited[1] < 3
    assert pipeline.state.reviewed_at is None


async def test_a_look_that_is_due_at_what_was_dropped_does_no_harm() -> None:
    """A series that was dropped while a delay of it ran is looked at no more, and the steady look still comes."""
    clock = Clock()
    pipeline = Pipeline(PipelineState(Shelf(), Desk(), clock, "gannet", UTC))
    rules = Rules(silent=SilentRule(warning_s=0.02))
    probe = watched([Answer(HUB, answered=False)], rules=rules, every_s=3600)
    runner = Runner(pipeline, [probe])
    await runner.run(probe.label)
    del pipeline.state.registry[HUB]
    async with asyncio.timeout(10):
        await runner.review_in_time(0.05)
    assert pipeline.state.reviewed_at is not None
    assert HUB not in pipeline.state.registry
