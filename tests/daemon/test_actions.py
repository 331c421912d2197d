"""The operator's hand on a real pipeline, schedule and store: what the page asks for happens."""

import asyncio
from collections.abc import AsyncIterator, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from functools import partial
from pathlib import Path

import pytest

from watchkeeper.alerting.rules import Rules
from watchkeeper.clock import Clock
from watchkeeper.daemon import actions
from watchkeeper.daemon.actions import DaemonActions
from watchkeeper.errors import DeliveryRefused, ProbeError
from watchkeeper.model.alert import Concern, Priority, State
from watchkeeper.model.message import Message
from watchkeeper.model.observation import Condition, Observation, SeriesKey
from watchkeeper.model.records import Entry
from watchkeeper.notifiers.outbox.outbox import Outbox
from watchkeeper.periodic.scheduler import Scheduler
from watchkeeper.runtime.pipeline import Pipeline
from watchkeeper.runtime.pipeline_state import PipelineState
from watchkeeper.runtime.runner import Runner
from watchkeeper.runtime.scheduled_probe import ScheduledProbe
from watchkeeper.store.store import Store

KEY = SeriesKey("pool skerry", "health")


class HandClock(Clock):
    """Real, but for what it is set ahead."""

    def __init__(self) -> None:
        self.ahead = timedelta()

    def now(self) -> datetime:
        return super().now() + self.ahead


@dataclass
class Pool:
    """A probe that sees a pool which has failed."""

    error: Exception | None = None
    pause_s: float = 0.0
    runs: int = 0

    async def observe(self) -> Sequence[Observation]:
        self.runs += 1
        await asyncio.sleep(self.pause_s)
        if self.error is not None:
            raise self.error
        return [Condition(KEY, ok=False, reason="suspended", grave=True)]

    async def close(self) -> None:
        """Has nothing to close."""


@dataclass
class Letterbox:
    """A notifier that keeps what it was given."""

    name: str = "mail"
    at_least: Priority = Priority.CAUTION
    error: Exception | None = None
    pause_s: float = 0.0
    got: list[Message] = field(default_factory=list)

    async def deliver(self, message: Message) -> None:
        await asyncio.sleep(self.pause_s)
        if self.error is not None:
            raise self.error
        self.got.append(message)

    async def close(self) -> None:
        """Has nothing to close."""


@dataclass
class Station:
    """Everything that the hand works on."""

    hand: DaemonActions
    pipeline: Pipeline
    store: Store
    pool: Pool
    letterbox: Letterbox

    async def alert(self) -> tuple[State, datetime | None]:
        """The pool's alert, as it is stored."""
        (found,) = [a for a in await self.store.alerts() if a.concern is Concern.FAULTY and a.key == KEY]
        return found.state, found.shelved_until


@pytest.fixture
async def station(tmp_path: Path) -> AsyncIterator[Station]:
    """A station whose pool has failed, and is told as such."""
    clock, pool, letterbox = HandClock(), Pool(), Letterbox()
    store = await Store.open(tmp_path / "watch.db")
    outbox = Outbox(store, [letterbox], clock)
    pipeline = Pipeline(PipelineState(store, outbox, clock, "gannet", UTC, gather_s=3600.0))
    runner = Runner(pipeline, [ScheduledProbe("pool", 3_600.0, pool, Rules())])
    schedule = Scheduler(clock)
    schedule.every("pool", 3_600.0, partial(runner.run, "pool"))
    made = DaemonActions(runner, schedule, outbox, clock, ("gannet", UTC), store.keep_maintenance)
    assert await made.run_now("pool") == "pool ran."
    for _ in range(8):
        clock.ahead += timedelta(minutes=1)
        await made.run_now("pool")
    yield Station(made, pipeline, store, pool, letterbox)
    await store.close()


async def test_acknowledge(station: Station) -> None:
    """The alert is acknowledged in the store and the journal says so; a second time there is nothing to do."""
    assert (await station.alert())[0] is State.ACTIVE
    assert await station.hand.acknowledge(KEY, Concern.FAULTY)
    assert (await station.alert())[0] is State.ACKNOWLEDGED
    newest = (await station.store.events(limit=1))[0]
    assert (newest.key, newest.details["event"]) == (KEY, "acknowledge")
    assert not await station.hand.acknowledge(KEY, Concern.FAULTY)
    assert not await station.hand.acknowledge(SeriesKey("pool skerry", "mood"), Concern.FAULTY)


async def test_shelve_and_back(station: Station) -> None:
    """Set aside until an instant, taken back, and set aside until it is over, which is bounded too."""
    until = datetime.now(UTC) + timedelta(hours=5)
    assert await station.hand.shelve(KEY, Concern.FAULTY, until)
    _, stored = await station.alert()
    assert stored is not None
    assert abs(stored - until) < timedelta(milliseconds=2)  # the store counts in milliseconds
    assert await station.hand.unshelve(KEY, Concern.FAULTY)
    assert (await station.alert())[1] is None
    assert not await station.hand.unshelve(KEY, Concern.FAULTY)
    assert await station.hand.shelve(KEY, Concern.FAULTY, None)
    assert (await station.alert())[1] is not None
    assert not await station.hand.shelve(SeriesKey("nobody", "health"), Concern.FAULTY, until)


async def test_note(station: Station) -> None:
    """The operator's words are in the journal, about the series that they are about."""
    await station.hand.note("Disk ordered.", KEY)
    await station.hand.note("Hides closed.", None)
    told = await station.store.events(limit=2)
    assert [(line.entry, line.text, line.key) for line in told] == [
        (Entry.NOTE, "Hides closed.", None),
        (Entry.NOTE, "Disk ordered.", KEY),
    ]


async def test_run_now(station: Station, monkeypatch: pytest.MonkeyPatch) -> None:
    """A run that was asked for is a run like any other: its failure is told, and a slow one is not waited for.

    What it has found is stored when it says so: the page that is shown next reads the store.
    """
    before = station.pool.runs
    assert station.hand.probes == ("pool",)
    asked_at = datetime.now(UTC)
    assert await station.hand.run_now("pool") == "pool ran."
    assert max(seen.at for seen in await station.store.latest()) > asked_at
    assert station.pool.runs == before + 1
    station.pool.error = ProbeError("no such pool")
    assert await station.hand.run_now("pool") == "pool ran, but failed: no such pool"
    station.pool.error, station.pool.pause_s = None, 0.2
    monkeypatch.setattr(actions, "PATIENCE_S", 0.01)
    assert await station.hand.run_now("pool") == "pool has been started; it is still running."
    monkeypatch.undo()
    assert await station.hand.run_now("pool") == "pool ran."
    assert station.pool.runs == before + 4
    with pytest.raises(KeyError):
        await station.hand.run_now("hide-hub")


async def test_trial(station: Station, monkeypatch: pytest.MonkeyPatch) -> None:
    """A test message goes out at once; if not, the reason is reported, and the wait is bounded."""
    assert station.hand.notifiers == ("mail",)
    assert await station.hand.send_test("mail") == "The test message was sent by mail."
    assert station.letterbox.got[-1].headline.startswith("test message")
    station.letterbox.error = DeliveryRefused("no such address")
    assert "was not delivered by mail: no such address" in await station.hand.send_test("mail")
    station.letterbox.error, station.letterbox.pause_s = None, 1.0
    monkeypatch.setattr(actions, "PATIENCE_S", 0.01)
    assert "was cancelled" in await station.hand.send_test("mail")
    with pytest.raises(KeyError):
        await station.hand.send_test("pigeon")
