"""Probes run by the active configuration; after a gap their runs are rescheduled."""

import asyncio
from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, timedelta
from pathlib import Path

import pytest

from tests.support.house import DAY, HOUR, MINUTE, START, Desk, Hands, House, Script, Shelf, watched
from watchkeeper.alerting.rules import NotAnsweringRule, Rules
from watchkeeper.clock import Clock
from watchkeeper.config.types import ProbeSettings
from watchkeeper.errors import ProbeError
from watchkeeper.model.alert import Concern
from watchkeeper.model.observation import Answer, Condition, Observation, SeriesKey
from watchkeeper.periodic.scheduler import Scheduler
from watchkeeper.runtime.pipeline import Pipeline
from watchkeeper.runtime.pipeline_state import PipelineState
from watchkeeper.runtime.runner import CAUSE_WAIT_S, REVIEW_S, Runner, look_at_all
from watchkeeper.runtime.scheduled_probe import ProbeWork, ScheduledProbe
from watchkeeper.store.store import Store

HUB = SeriesKey("service hide-hub", "answer")
UP: Sequence[Observation] = (Answer(HUB, answered=True),)


class Slow(Script):
    """A probe that waits until the test releases it."""

    def __init__(self, *runs: Sequence[Observation]) -> None:
        super().__init__(*runs)
        self.began, self.gate = asyncio.Event(), asyncio.Event()

    async def observe(self) -> Sequence[Observation]:
        self.began.set()
        await self.gate.wait()
        return await super().observe()


async def under_way(runner: Runner, slow: Slow) -> asyncio.Task[None]:
    """A run of the slow probe that has begun."""
    task = asyncio.create_task(runner.run("hub"))
    async with asyncio.timeout(10):
        await slow.began.wait()
    return task


async def test_what_is_looked_at_during_a_stop_is_discarded() -> None:
    """A host that shuts down stops what it runs: that is not an alert."""
    house, slow = House(), Slow(UP)
    runner = Runner(house.pipeline, [ScheduledProbe("hub", 60.0, slow, Rules())])
    task = await under_way(runner, slow)
    runner.stopping.set()
    slow.gate.set()
    await task
    assert house.store.commits == []


async def test_a_run_that_is_under_way_at_a_reload_is_judged_by_the_new_rules() -> None:
    """Its probe continues unchanged, and so does its run."""
    house, slow = House(), Slow(UP)
    old = ScheduledProbe("hub", 60.0, slow, Rules())
    runner = Runner(house.pipeline, [old])
    task = await under_way(runner, slow)
    new = replace(old, rules=Rules(not_answering=NotAnsweringRule(warning_s=5.0)))
    after = Pipeline(house.pipeline.state, before=house.pipeline)
    runner.switch(after, [new])
    slow.gate.set()
    await task
    assert house.registry[HUB].evaluator.rules is new.rules
    assert runner.pipeline is after


async def test_a_run_of_a_probe_that_has_left_ends_by_the_old_configuration() -> None:
    """Its result is still stored."""
    house, slow = House(), Slow(UP)
    runner = Runner(house.pipeline, [ScheduledProbe("hub", 60.0, slow, Rules())])
    task = await under_way(runner, slow)
    runner.switch(Pipeline(house.pipeline.state, before=house.pipeline), [])
    slow.gate.set()
    await task
    assert next(seen.observation.key for seen in house.store.seen) == HUB
    with pytest.raises(KeyError):
        await runner.run("hub")


async def test_the_daemons_own_probes_outlive_every_configuration() -> None:
    """They run, and are not among those that the page offers."""
    house = House()
    runner = Runner(house.pipeline, [watched(UP)])
    own = watched([Condition(SeriesKey("clock of this host", "x"), ok=True)], label=" clock")
    runner.add_own(own)
    await runner.run(" clock")
    assert list(house.registry.runs) == [" clock"], "it runs before there is another configuration"
    runner.switch(Pipeline(house.pipeline.state, before=house.pipeline), [])
    await runner.run(" clock")
    assert runner.probes == ()
    assert list(house.registry.runs) == [" clock"]
    await runner.pipeline.review()
    assert house.registry.orphans == []


class Plan:
    """Counts how often runs are rescheduled."""

    def __init__(self) -> None:
        self.realigned = 0

    def realign(self) -> None:
        self.realigned += 1


class Quick(Hands):
    """A manual clock in which a review takes all the time that it may."""

    def monotonic_s(self) -> float:
        self.ran += timedelta(seconds=1)
        self.at += timedelta(seconds=1)
        return super().monotonic_s()


def quick_runner(*probes: ScheduledProbe) -> tuple[Runner, Quick]:
    """A runner whose clock advances without the test."""
    clock = Quick()
    state = PipelineState(Shelf(), Desk(), clock, "gannet", UTC)
    return Runner(Pipeline(state), probes), clock


async def test_runs_are_planned_again_once_after_each_gap() -> None:
    """A sleep, and a clock that was set, once each; an ordinary interval not at all."""
    runner, clock = quick_runner(watched(UP, every_s=1.0))
    plan, counts = Plan(), list[int]()
    for happens in (None, clock.suspend, None, clock.set, None):
        if happens is not None:
            happens(HOUR)
        await runner.review_round(plan)
        counts.append(plan.realigned)
    assert counts == [0, 1, 1, 2, 2]
    assert runner.pipeline.state.breaks == 2


async def test_a_gap_before_this_life_plans_nothing_again(tmp_path: Path) -> None:
    """The schedule has only just started."""
    runner, clock = quick_runner(watched(UP, every_s=1.0))
    clock.run(DAY)
    async with await Store.open(tmp_path / "watch.db") as store:
        await runner.start(store, START, last_commit_at=START)
    assert runner.pipeline.state.breaks == 1
    plan = Plan()
    await runner.review_round(plan)
    assert plan.realigned == 0


async def test_a_real_schedule_is_planned_again() -> None:
    """Runs planned for hours from now by the old clock happen soon."""
    runner, clock = quick_runner(watched(UP, every_s=1.0))
    schedule = Scheduler(clock)
    schedule.every("daily", DAY.total_seconds(), asyncio.Event().wait)  # type: ignore[arg-type]  # never run
    schedule.start()
    await runner.review_round(schedule)
    schedule._scheduler.get_job("daily").modify(next_run_time=clock.at + DAY)
    clock.suspend(HOUR)
    await runner.review_round(schedule)
    assert schedule._scheduler.get_job("daily").next_run_time - clock.at < MINUTE
    await schedule.stop(1.0)


class Measured(Runner):
    """Records how long it would have waited."""

    async def review_in_time(self, within_s: float) -> None:
        self.waited_s = within_s


@pytest.mark.parametrize(("every_s", "waited_s"), [(3_600.0, 15.0), (2.0, 2.0)])
async def test_reviews_come_as_often_as_the_quickest_probe(every_s: float, waited_s: float) -> None:
    """And at least every 15 s, even without a probe."""
    pipeline = House().pipeline
    for probes, expected in (([watched(UP), watched(UP, every_s=every_s)], waited_s), ([], REVIEW_S)):
        runner = Measured(pipeline, probes)
        await runner.review_round(Plan())
        assert runner.waited_s == expected


async def test_all_probes_look_at_the_same_time() -> None:
    """Each waits for the other: run one after the other they would never end. A failure is in its own condition."""
    first, second = Slow(UP), Slow(UP)

    async def release() -> None:
        await first.began.wait()
        await second.began.wait()
        first.gate.set()
        second.gate.set()

    probes = [ScheduledProbe(name, 60.0, each, Rules()) for name, each in (("first", first), ("second", second))]
    probes.append(watched(ZeroDivisionError("division by zero"), label="third"))
    async with asyncio.timeout(10):
        looks, _ = await asyncio.gather(look_at_all(probes), release())
    assert [probe.label for probe, _, _ in looks] == ["first", "second", "third"]
    assert [(list(observed), own.ok) for _, observed, own in looks] == [
        (list(UP), True),
        (list(UP), True),
        ([], False),
    ]


async def test_a_look_in_real_time_ends_with_a_review() -> None:
    """If nothing is due, the given time passes, and then everything is evaluated."""
    pipeline = Pipeline(PipelineState(Shelf(), Desk(), Clock(), "gannet", UTC))
    runner = Runner(pipeline, [])
    async with asyncio.timeout(10):
        await runner.review_in_time(0.05)
    assert pipeline.state.reviewed_at is not None


async def test_the_runs_of_a_probe_are_counted() -> None:
    """With how long the last one took and when it ended; a failed one counts as both."""
    house = House()

    class Timed(Script):
        async def observe(self) -> Sequence[Observation]:
            house.clock.run(timedelta(seconds=2))
            if self.fails:
                raise ProbeError("no answer")
            return UP

        fails = False

    probe = Timed()
    runner = Runner(house.pipeline, [ScheduledProbe("hub", 60.0, probe, Rules())])
    await runner.run("hub")
    assert runner.runs["hub"] == ProbeWork(1, 0, 2.0, START + timedelta(seconds=2))
    probe.fails = True
    await runner.run("hub")
    assert runner.runs["hub"] == ProbeWork(2, 1, 2.0, START + timedelta(seconds=4))


POOL, GUEST = SeriesKey("pool skerry", "health"), SeriesKey("guest hide-hub", "state")
SUSPENDED = (Condition(POOL, ok=False, reason="suspended: no space left", grave=True),)
PAUSED = (Condition(GUEST, ok=False, reason="paused: I/O error", grave=True),)
LOOKED = timedelta(seconds=6)
"""More than CAUSE_FRESH_S."""


def pool_and_guest(pool: Script, *guest: Sequence[Observation], circle: tuple[str, ...] = ()) -> tuple[House, Runner]:
    """A pool that is looked at once a day, and a guest on it that is looked at every minute.

    circle: what the pool depends on.
    """
    house = House({"guests": ("pool skerry",), "zfs": circle})
    day_s = DAY.total_seconds()
    probes = [ScheduledProbe("zfs", day_s, pool, Rules()), watched(*guest, label="guests")]
    return house, Runner(house.pipeline, probes)


async def test_a_cause_is_looked_at_as_soon_as_something_on_it_fails() -> None:
    """The pool would be looked at tomorrow; so its guest is not reported, and the pool is."""
    fine, running = (Condition(POOL, ok=True),), (Condition(GUEST, ok=True),)
    house, runner = pool_and_guest(Script(fine, SUSPENDED), running, PAUSED)
    for label in ("zfs", "guests"):
        await runner.run(label)
    house.clock.run(LOOKED)
    async with asyncio.timeout(30):
        await runner.run("guests")
    assert house.told == ["pool skerry faulty since 06:00: suspended: no space left"]
    alert = house.store.alerts[GUEST, Concern.FAULTY]
    assert alert.held_by == POOL
    count = len(house.store.seen)
    house.clock.run(LOOKED)
    await runner.run("guests")  # still paused: nothing new, so the pool is left alone
    assert [seen.observation.key for seen in house.store.seen[count:]] == [GUEST]


@pytest.mark.parametrize(("later_s", "looked_at"), [(0.0, False), (4.999, False), (5.0, True)])
async def test_a_cause_that_was_just_looked_at_is_not_looked_at_again(later_s: float, *, looked_at: bool) -> None:
    """Many things may fail in the same seconds."""
    fine, running = (Condition(POOL, ok=True),), (Condition(GUEST, ok=True),)
    house, runner = pool_and_guest(Script(fine, SUSPENDED), running, PAUSED)
    await runner.run("guests")
    await runner.run("zfs")
    house.clock.run(timedelta(seconds=later_s))
    await runner.run("guests")
    assert any("pool" in each for each in house.told) == looked_at


def test_a_cause_is_waited_for_as_long_as_a_probe_may_take() -> None:
    """By default: a longer wait would hold up what has failed, a shorter one would miss its cause."""
    assert ProbeSettings.model_fields["timeout"].default == CAUSE_WAIT_S


async def test_two_that_depend_on_each_other_do_not_wait_for_each_other() -> None:
    """A mistake in the configuration: each is looked at once."""
    fine, running = (Condition(POOL, ok=True),), (Condition(GUEST, ok=True),)
    house, runner = pool_and_guest(Script(fine, SUSPENDED), running, PAUSED, circle=("guest hide-hub",))
    for label in ("zfs", "guests"):
        await runner.run(label)
    house.clock.run(LOOKED)
    async with asyncio.timeout(30):
        await runner.run("guests")
    assert {POOL, GUEST} <= house.registry.down.keys()


async def test_a_cause_that_hangs_holds_nothing_up_for_long(monkeypatch: pytest.MonkeyPatch) -> None:
    """After a while what failed is processed without its cause; one look serves all who ask."""
    monkeypatch.setattr("watchkeeper.runtime.runner.CAUSE_WAIT_S", 0.05)
    slow = Slow(SUSPENDED)
    house, runner = pool_and_guest(slow, (Condition(GUEST, ok=True),), PAUSED)
    house.pipeline.state.registry.expect(("zfs", "guests"), START)
    runner.pipeline.correlation.dependencies.place("pool skerry", "zfs")
    await runner.run("guests")
    async with asyncio.timeout(30):
        await runner.run("guests")
    assert slow.began.is_set()
    assert house.told == ["guest hide-hub faulty since 06:00: paused: I/O error"]
    (asked,) = runner._asked.values()
    slow.gate.set()
    async with asyncio.timeout(30):
        await asked
    assert "Already reported, and part of this event: guest hide-hub." in house.messages[-1].body.replace("\n", " ")


async def test_a_cause_that_a_reload_removed_is_not_missed() -> None:
    """The schedule no longer knows it."""

    async def unknown(label: str) -> None:
        raise KeyError(label)

    fine, running = (Condition(POOL, ok=True),), (Condition(GUEST, ok=True),)
    house, runner = pool_and_guest(Script(fine), running, PAUSED)
    for label in ("zfs", "guests"):
        await runner.run(label)
    house.clock.run(LOOKED)
    runner.look_now = unknown
    await runner.run("guests")
    assert house.told == ["guest hide-hub faulty since 06:00: paused: I/O error"]
