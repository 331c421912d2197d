"""An alert whose delay expires is sent at that moment, with the real clock."""

import asyncio
from datetime import UTC, datetime

from tests.support.house import HOUR, MINUTE, SECOND, START, Desk, Shelf, watched
from watchkeeper.alerting.alert_book import AlertBook
from watchkeeper.alerting.evaluator import SeriesEvaluator
from watchkeeper.alerting.rules import NotAnsweringRule, Rules
from watchkeeper.clock import Clock
from watchkeeper.model.observation import Answer, Kind, SeriesKey
from watchkeeper.model.records import Entry
from watchkeeper.runtime.evaluation_timer import EvaluationTimer
from watchkeeper.runtime.pipeline import Pipeline
from watchkeeper.runtime.pipeline_state import PipelineState
from watchkeeper.runtime.runner import Runner
from watchkeeper.runtime.series_registry import SeriesEntry

HUB = SeriesKey("service hide-hub", "answer")


async def test_a_delay_that_runs_out_is_told_at_that_moment() -> None:
    """The next regular review may be far off: a delayed alert is sent when its delay is over, in real time."""
    store, clock = Shelf(), Clock()
    pipeline = Pipeline(PipelineState(store, Desk(), clock, "gannet", UTC))
    rules = Rules(not_answering=NotAnsweringRule(warning_s=0.3, alarm_s=0.6))
    probe = watched([Answer(HUB, answered=False)], rules=rules, every_s=3600)
    runner = Runner(pipeline, [probe])
    reviewing = asyncio.create_task(runner.review_in_time(30))
    await asyncio.sleep(0)
    began = clock.now()
    await runner.run(probe.label)
    async with asyncio.timeout(10):
        while len(store.deliveries) < 2:  # noqa: ASYNC110  the store's deliveries are a plain list
            await asyncio.sleep(0.01)
    reviewing.cancel()
    waited = [(line.at - began).total_seconds() for line in store.events if line.entry is Entry.TRANSITION]
    assert 0.3 <= waited[0] < 0.6 <= waited[1] < 3
    assert pipeline.state.reviewed_at is None


async def test_a_look_that_is_due_at_what_was_dropped_does_no_harm() -> None:
    """A series that was dropped during its delay is not evaluated again, and the regular review still happens."""
    clock = Clock()
    pipeline = Pipeline(PipelineState(Shelf(), Desk(), clock, "gannet", UTC))
    rules = Rules(not_answering=NotAnsweringRule(warning_s=0.02))
    probe = watched([Answer(HUB, answered=False)], rules=rules, every_s=3600)
    runner = Runner(pipeline, [probe])
    await runner.run(probe.label)
    del pipeline.state.registry[HUB]
    async with asyncio.timeout(10):
        await runner.review_in_time(0.05)
    assert pipeline.state.reviewed_at is not None
    assert HUB not in pipeline.state.registry


def entry_of(rules: Rules, at: datetime) -> SeriesEntry:
    """A service that stopped answering at a given time."""
    evaluator = SeriesEvaluator(HUB, Kind.ANSWER, 60.0, rules, AlertBook())
    evaluator.take(Answer(HUB, answered=False), at)
    return SeriesEntry(evaluator, watched(()))


def lost(after_s: float) -> SeriesEntry:
    """A service that stopped answering now, and is reported after `after_s` seconds."""
    return entry_of(Rules(not_answering=NotAnsweringRule(warning_s=after_s, alarm_s=None)), START)


def test_each_series_is_due_once_and_in_its_turn() -> None:
    """Exactly at its time; a later one is not forgotten because of it."""
    timer, soon, late = EvaluationTimer(), lost(60.0), lost(120.0)
    assert timer.take_due([soon, late], START + HOUR) == []
    for entry in (late, soon):
        timer.plan(entry, START)
    assert (soon.next_evaluation, late.next_evaluation) == (START + MINUTE, START + 2 * MINUTE)
    assert timer.take_due([soon, late], START + MINUTE - SECOND) == []
    assert timer.take_due([soon, late], START + MINUTE) == [soon]
    assert soon.next_evaluation is None
    assert timer.take_due([soon, late], START + MINUTE) == []
    assert timer.take_due([soon, late], START + 2 * MINUTE) == [late]
    assert timer.take_due([soon, late], START + HOUR) == []


def test_what_is_no_longer_due_is_not_planned() -> None:
    """It answers again."""
    timer, entry = EvaluationTimer(), lost(60.0)
    timer.plan(entry, START)
    entry.evaluator.take(Answer(HUB, answered=True), START + SECOND)
    timer.plan(entry, START + SECOND)
    assert entry.next_evaluation is None
    assert timer.take_due([entry], START + HOUR) == []


async def test_a_sleep_ends_at_the_next_moment_or_after_its_longest() -> None:
    """Measured in order: the one that would end last is still asleep."""
    timer, entry = EvaluationTimer(), lost(0.05)
    async with asyncio.timeout(10):
        await timer.sleep(START, 0.01)
        timer.plan(entry, START)
        await timer.sleep(START, 3_600.0)


async def test_a_sleep_is_woken_by_an_earlier_moment_and_by_no_later_one() -> None:
    """Otherwise anything scheduled meanwhile waits for the next regular review."""
    timer = EvaluationTimer()
    timer.plan(lost(1_800.0), START)
    asleep = asyncio.create_task(timer.sleep(START, 3_600.0))
    await asyncio.sleep(0)
    timer.plan(lost(3_000.0), START)
    for _ in range(5):
        await asyncio.sleep(0)
    assert not asleep.done()
    timer.plan(lost(60.0), START)
    async with asyncio.timeout(10):
        await asleep
