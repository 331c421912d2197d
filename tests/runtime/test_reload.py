"""A reload builds a runtime from the new settings, which takes over the store and the previous runtime's state."""

import asyncio
import logging
from collections.abc import AsyncIterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import pytest

from tests.support.house import Script
from watchkeeper import settings
from watchkeeper.alerting.rules import Rules
from watchkeeper.clock import Clock
from watchkeeper.config.loading import Loaded
from watchkeeper.errors import ConfigError, Problem
from watchkeeper.model.observation import Answer, Observation, SeriesKey
from watchkeeper.model.records import Entry
from watchkeeper.notifiers.outbox.outbox import Outbox
from watchkeeper.periodic.scheduler import Scheduler
from watchkeeper.planning.capacity.question import Question
from watchkeeper.probes.base import OwnDatabase, ProbeContext
from watchkeeper.probes.support.workers import ThreadWorkers
from watchkeeper.runtime.active_config import ActiveConfig, build
from watchkeeper.runtime.pipeline_state import PipelineState
from watchkeeper.runtime.reload import (
    ActiveRuntime,
    Lasting,
    Runtime,
    ScheduledHeartbeat,
    build_runtime,
    changed_probes,
    difference,
)
from watchkeeper.runtime.runner import Runner
from watchkeeper.runtime.scheduled_probe import ScheduledProbe
from watchkeeper.settings import Settings
from watchkeeper.store.store import Store
from watchkeeper.web.planning.planner import Change

HUB = SeriesKey("service hide-hub", "answer")
MEMORY = '[[probe]]\nkind = "memory"\nevery = "1h"\n'
ITSELF = '[[probe]]\nkind = "self-check"\nevery = "1h"\n'
JOB = '[[probe]]\nkind = "job"\nname = "backup"\nwithin = "1d"\ntoken = {{ file = "{folder}/token" }}\n'
HOOK = '[[notifier]]\nkind = "webhook"\nname = "hook"\nurl = "http://127.0.0.1:9/"\n'
ALIVE = '[heartbeat]\nurl = "http://127.0.0.1:9/"\nevery = "{every}"\n'


class Shown:
    """Records refusals."""

    refused = ""


@dataclass
class Rig:
    """A runtime with everything that outlives a reload."""

    folder: Path
    lasting: Lasting
    runner: Runner
    active: ActiveRuntime
    shown: Shown

    def read(self, text: str, head: str = "") -> Loaded[Settings]:
        """The settings of a document."""
        return read(self.folder, text, head)

    async def reload(self, text: str, head: str = "") -> None:
        """Reload with another document."""
        await self.active.reload(lambda: self.read(text, head))

    @property
    def runtime(self) -> Runtime:
        return self.active.runtime

    @property
    def planned(self) -> list[str]:
        """The labels in the schedule."""
        return sorted(self.lasting.schedule._runs)

    async def journal(self) -> list[str]:
        """The event log's lines about configurations, oldest first."""
        lines = await self.lasting.store.events()
        return [line.text for line in reversed(lines) if line.entry is Entry.CONFIGURATION]


def read(folder: Path, text: str, head: str = "") -> Loaded[Settings]:
    """The settings of a document."""
    path = folder / "config.toml"
    (folder / "token").touch(mode=0o600)
    (folder / "token").write_text("a-token-of-the-hides-0123456789\n")
    path.write_text(f'watch_host = false\n{head}[store]\npath = "{folder}/watch.db"\n{text.format(folder=folder)}')
    return settings.read(path)


def beat(of: Settings) -> ScheduledHeartbeat | None:
    """A heartbeat that nobody receives."""
    nobody = asyncio.Event().wait
    return None if of.heartbeat.url is None else ScheduledHeartbeat(" heartbeat", of.heartbeat.every, nobody)  # type: ignore[arg-type]


@pytest.fixture
async def rig(tmp_path: Path) -> AsyncIterator[Rig]:
    """A runtime with two probes."""
    clock, workers, shown = Clock(), ThreadWorkers(), Shown()
    async with await Store.open(tmp_path / "watch.db") as store:
        known = read(tmp_path, MEMORY + ITSELF).settings
        own = OwnDatabase(tmp_path / "watch.db", known.store.max_size, list)
        config = build(known, ProbeContext(clock, workers, store.probe_states, database=own), clock)
        outbox = Outbox(store, config.notifiers, clock)
        state = PipelineState(store, outbox, clock, "gannet", known.host.zone)
        lasting = Lasting(store, clock, Scheduler(clock), outbox, state, shown, beat)
        runtime = build_runtime(config, lasting)
        runner = Runner(runtime.pipeline, config.probes)
        active = ActiveRuntime(runtime, runner, lasting)
        active.plan()
        yield Rig(tmp_path, lasting, runner, active, shown)
        for each in runner.probes:
            await each.probe.close()
        workers.close()


async def test_a_new_runtime_takes_over_the_state(rig: Rig) -> None:
    """Known series, stored data and times of periodic messages are kept; what derives from settings is new."""
    await rig.runner.run("memory")
    before, entries = rig.runtime, dict(rig.lasting.state.registry)
    before.periodic_messages.begin(None)
    await rig.reload(MEMORY + ITSELF, "[grouping]\nflood = 3\nflood_ends = 2\n")
    after = rig.runtime
    assert after.pipeline is not before.pipeline
    assert after.pipeline.state is before.pipeline.state is rig.lasting.state
    assert dict(rig.lasting.state.registry) == entries
    assert entries
    assert rig.runner.pipeline is after.pipeline
    assert after.pipeline.correlation.flood is not before.pipeline.correlation.flood
    assert after.pipeline.correlation.group is before.pipeline.correlation.group
    assert after.periodic_messages.memory is before.periodic_messages.memory
    assert after.retention.memory is before.retention.memory
    assert after.planner.queue is before.planner.queue
    assert after.planner is not before.planner
    assert await rig.journal() == ["the configuration was reloaded; probes and notifiers are unchanged"]


async def test_probes_that_stay_go_on_and_others_begin_and_end(rig: Rig) -> None:
    """The schedule has the new probe and not the old one; the old one is closed; a kept one is the same object."""
    memory = rig.runner.all_probes["memory"].probe
    closed = asyncio.Event()

    class Closing(Script):
        async def close(self) -> None:
            closed.set()

    gone = replace(rig.runner.all_probes["self-check"], probe=Closing(()))
    config = replace(rig.runtime.config, probes=(rig.runner.all_probes["memory"], gone))
    rig.active.runtime = replace(rig.runtime, config=config)
    assert rig.planned == ["memory", "self-check"]
    await rig.reload(MEMORY + JOB)
    assert rig.planned == ["backup", "memory"]
    assert closed.is_set()
    assert rig.runner.all_probes["memory"].probe is memory
    assert list(rig.lasting.state.registry.runs) == ["memory", "backup"]
    assert await rig.journal() == ["the configuration was reloaded; new: probe backup; removed: probe self-check"]


async def test_what_is_under_way_ends_by_the_old_configuration(rig: Rig) -> None:
    """A running probe that is removed is awaited, and its result is stored."""
    began, gate = asyncio.Event(), asyncio.Event()

    class Slow(Script):
        async def observe(self) -> Sequence[Observation]:
            began.set()
            await gate.wait()
            return [Answer(HUB, answered=True)]

    slow = replace(rig.runner.all_probes["self-check"], probe=Slow(()))
    memory = rig.runner.all_probes["memory"]
    rig.active.runtime = replace(rig.runtime, config=replace(rig.runtime.config, probes=(memory, slow)))
    rig.runner.switch(rig.runtime.pipeline, (memory, slow))
    under_way = asyncio.ensure_future(rig.lasting.schedule.now("self-check"))
    async with asyncio.timeout(10):
        await began.wait()
        reloading = asyncio.create_task(rig.reload(MEMORY))
        await asyncio.sleep(0.05)
        assert list(rig.runner.all_probes) == ["memory", "self-check"]
        gate.set()
        await asyncio.gather(under_way, reloading)
    assert list(rig.runner.all_probes) == ["memory"]
    assert HUB in rig.lasting.state.registry
    assert HUB in {seen.observation.key for seen in await rig.lasting.store.latest()}


async def test_errors_change_nothing_and_are_shown_until_the_next_reload(
    rig: Rig, caplog: pytest.LogCaptureFixture
) -> None:
    """The log, the event log and the health path say so; a successful reload ends that."""
    before = rig.runtime

    def broken() -> Loaded[Settings]:
        raise ConfigError("config.toml", [Problem("probe", "is no probe"), Problem("page", "is no page")])

    await rig.active.reload(broken)
    assert rig.runtime is before
    assert rig.shown.refused == (
        "the new configuration has 2 errors and was rejected; the previous one is active: run watchkeeper check-config"
    )
    assert [r.levelno for r in caplog.records if "is no probe" in r.getMessage()] == [logging.ERROR]
    assert "config.toml cannot be used: probe: is no probe; page: is no page" in caplog.messages
    await rig.reload(MEMORY + ITSELF)
    assert rig.shown.refused == ""
    assert rig.runtime is not before
    said = "the new configuration has 2 errors and was rejected; the previous one is active"
    assert (await rig.journal())[0] == said


async def test_what_raises_anything_else_is_refused_too(rig: Rig, caplog: pytest.LogCaptureFixture) -> None:
    """A probe from another package may raise any exception when it is created."""

    def raises() -> Loaded[Settings]:
        raise ZeroDivisionError("division by zero")

    before = rig.runtime
    await rig.active.reload(raises)
    assert rig.runtime is before
    assert "1 error and was rejected" in rig.shown.refused
    assert any(r.exc_info for r in caplog.records if r.getMessage() == "a part of the configuration cannot be created")


async def test_warnings_are_logged(rig: Rig, caplog: pytest.LogCaptureFixture) -> None:
    """As at a start."""
    loaded = replace(rig.read(MEMORY + ITSELF), warnings=("the key is an old one",))
    await rig.active.reload(lambda: loaded)
    assert "the key is an old one" in caplog.messages


async def test_jobs_tokens_are_those_of_the_new_configuration(rig: Rig) -> None:
    """The page asks for them at each report."""
    tokens = rig.active.tokens
    await rig.reload(MEMORY + JOB)
    assert list(tokens()) == ["backup"]
    await rig.reload(MEMORY)
    assert tokens() == {}


async def test_the_sign_of_life_is_planned_as_the_configuration_says(rig: Rig) -> None:
    """Started, rescheduled at another interval, left alone if unchanged, and ended."""
    assert " heartbeat" not in rig.planned
    await rig.reload(MEMORY, ALIVE.format(every="1h"))
    assert " heartbeat" in rig.planned
    first = rig.lasting.schedule._runs[" heartbeat"]
    await rig.reload(MEMORY, ALIVE.format(every="1h"))
    assert rig.lasting.schedule._runs[" heartbeat"] is first
    await rig.reload(MEMORY, ALIVE.format(every="2h"))
    assert rig.lasting.schedule._runs[" heartbeat"] is not first
    await rig.lasting.schedule.drop([" heartbeat"], 0.0)
    rig.active.plan()  # as at the start of the daemon
    assert " heartbeat" in rig.planned
    await rig.reload(MEMORY)
    assert " heartbeat" not in rig.planned


async def test_messages_go_where_the_new_configuration_says(rig: Rig) -> None:
    """The outbox has the new notifier."""
    assert not [*rig.lasting.outbox.notifiers]
    delivering = asyncio.create_task(rig.lasting.outbox.run())
    await asyncio.sleep(0)
    await rig.reload(MEMORY + HOOK)
    assert [each.name for each in rig.lasting.outbox.notifiers] == ["hook"]
    assert "new: notifier hook" in (await rig.journal())[0]
    await rig.lasting.outbox.close(1.0)
    await delivering


@pytest.mark.parametrize(("most_bytes", "same"), [(None, True), (3 * 2**30, False)])
async def test_another_bound_is_another_bench(rig: Rig, most_bytes: int | None, *, same: bool) -> None:
    """Only the probe of watchkeeper itself sees it, and is created again."""
    before, loaded = rig.runtime.config, rig.read(MEMORY + ITSELF)
    store = loaded.settings.store
    bound = store.model_copy(update={"max_size": most_bytes or store.max_size})
    loaded = replace(loaded, settings=loaded.settings.model_copy(update={"store": bound}))
    await rig.active.reload(lambda: loaded)
    after = rig.runtime.config
    assert (after.bench is before.bench) is same
    assert (after.probes[1].probe is before.probes[1].probe) is same
    assert after.probes[0].probe is before.probes[0].probe
    assert after.bench.database is not None
    assert after.bench.database.most_bytes == bound.max_size


async def test_keeping_and_rounds_run_by_the_configuration_that_holds(
    rig: Rig, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What the schedule runs is looked up at each run."""
    ran = list[object]()

    async def note(each: object) -> None:
        ran.append(each)

    monkeypatch.setattr("watchkeeper.periodic.retention.Retention.run", note)
    monkeypatch.setattr("watchkeeper.periodic.messages.PeriodicMessages.make", note)
    await rig.reload(MEMORY)
    await rig.active.keep()
    await rig.active.send_periodic_messages()
    assert ran == [rig.runtime.retention, rig.runtime.periodic_messages]


def config_of(rig: Rig, *probes: tuple[str, float, Script]) -> ActiveConfig:
    """The configuration with these probes instead."""
    made = tuple(ScheduledProbe(label, every_s, probe, Rules()) for label, every_s, probe in probes)
    return replace(rig.runtime.config, probes=made)


async def test_which_probes_end_and_begin(rig: Rig) -> None:
    """A different object or interval ends a probe and starts it again; a different position in the file does not."""
    stays, slower, other = Script(()), Script(()), Script(())
    before = config_of(rig, ("stays", 1.0, stays), ("slower", 1.0, slower), ("other", 1.0, other))
    after = config_of(rig, ("slower", 2.0, slower), ("other", 1.0, Script(())), ("stays", 1.0, stays))
    gone, new = changed_probes(before, after)
    assert [each.label for each in gone] == ["slower", "other"]
    assert [(each.label, each.interval_s) for each in new] == [("slower", 2.0), ("other", 1.0)]
    assert difference(before, after) == "the configuration was reloaded; changed: probe other, slower"


class Asked:
    """A planner that only records what it is asked, and for whom."""

    def __init__(self) -> None:
        self.by: list[tuple[object, bool]] = []

    async def answer(self, question: object = "backups", *, signed_in: bool) -> None:
        self.by.append((question, signed_in))

    capacity = preflight = reclaim = backups = answer


async def test_questions_of_the_page_go_to_the_active_planner(rig: Rig) -> None:
    """Who has signed in is asked for first, so a stranger must not pass for one of them."""
    planner = Asked()
    rig.active.runtime = replace(rig.runtime, planner=planner)  # type: ignore[arg-type]
    question, change = Question(cpus=2), Change("hide-hub")
    for signed_in in (False, True):
        await rig.active.capacity(question, signed_in=signed_in)
        await rig.active.preflight(change, signed_in=signed_in)
        await rig.active.reclaim("pool skerry", signed_in=signed_in)
        await rig.active.backups(signed_in=signed_in)
    asked = [question, change, "pool skerry", "backups"]
    assert planner.by == [*((each, False) for each in asked), *((each, True) for each in asked)]
    planner.by.clear()
    await rig.active.capacity(question)
    await rig.active.preflight(change)
    await rig.active.reclaim(None)
    assert planner.by == [(question, False), (change, False), (None, False)]
