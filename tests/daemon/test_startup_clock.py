"""A start with a clock that is before the newest sample: waited for, then told, and nothing recorded out of order."""

import asyncio
import os
import signal
import sqlite3
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from tests.support.clocks import HandClock
from tests.support.house import House, watched
from watchkeeper import settings
from watchkeeper.clock import Clock
from watchkeeper.config.loading import Loaded
from watchkeeper.daemon import daemon, startup_clock
from watchkeeper.daemon.startup_clock import BEHIND_S, STOOD_S, ClockDoubt, keeps_time
from watchkeeper.errors import ProbeError
from watchkeeper.model.observation import Answer, Condition, SeriesKey
from watchkeeper.model.records import Commit, Seen
from watchkeeper.store import Store

NEWEST = datetime(2026, 11, 25, 6, 0, tzinfo=UTC)
HUB = SeriesKey("service hide-hub", "answer")


def doubt(clock: Clock, *, kept: bool = False) -> tuple[ClockDoubt, list[bool]]:
    """A doubt about a clock, and how often it was overcome."""
    believed: list[bool] = []
    return ClockDoubt(clock, NEWEST, lambda: kept, lambda: believed.append(True)), believed


def test_a_minute_is_no_trouble_and_a_kept_clock_is_right() -> None:
    """Only more than the tolerance counts, and only where nothing keeps the clock in time."""
    assert doubt(HandClock(NEWEST - timedelta(seconds=BEHIND_S)))[0].why == ""
    behind = HandClock(NEWEST - timedelta(hours=3))
    assert "2026-11-25 03:00 UTC, 3 h before the newest sample" in doubt(behind)[0].why
    assert doubt(behind, kept=True)[0].why == ""


@pytest.mark.parametrize("how", ["set right", "set otherwise", "stood", "past"])
async def test_it_is_believed_once_it_was_set_or_has_stood_or_is_past_the_newest(how: str) -> None:
    """Until then nothing is; the condition ends when the clock is past the newest sample, and not before."""
    clock = HandClock(NEWEST - timedelta(hours=3))
    found, believed = doubt(clock)
    (seen,) = await found.observe()
    assert isinstance(seen, Condition)
    assert (seen.ok, seen.grave, believed) == (False, True, [])
    match how:
        case "set right":
            clock.wall += timedelta(hours=4)
        case "set otherwise":
            clock.wall -= timedelta(hours=4)
        case "stood":
            clock.advance(STOOD_S)
        case _:
            clock.advance(3 * 3600)
    (seen,) = await found.observe()
    assert isinstance(seen, Condition)
    assert believed == [True]
    assert seen.ok is (how in ("set right", "past"))
    await found.close()


async def test_a_start_waits_for_the_clock_and_says_so() -> None:
    """It goes on the moment that the clock is set, after a bounded time, or when it is to stop."""
    said: list[str] = []
    clock = HandClock(NEWEST - timedelta(hours=3))
    found, _ = doubt(clock)

    def say(status: str) -> None:
        said.append(status)
        if len(said) == 3:
            clock.wall = NEWEST

    assert await found.settles(asyncio.Event(), say, 60.0, 0.0)
    assert len(said) == 3
    assert said[0].startswith("waiting up to 60 s for the clock to be set: it shows 2026-11-25 03:00 UTC")
    clock.wall -= timedelta(hours=3)
    assert not await found.settles(asyncio.Event(), lambda _: clock.advance(21.0), 60.0, 0.0)
    stop = asyncio.Event()
    stop.set()
    assert not await found.settles(stop, say, 60.0, 0.0)


def test_a_kernel_that_does_not_say_keeps_nothing_in_time(monkeypatch: pytest.MonkeyPatch) -> None:
    """Where adjtimex is not allowed, the newest sample is believed."""

    def refuses() -> object:
        raise ProbeError("the kernel does not tell")

    assert isinstance(keeps_time(), bool)
    monkeypatch.setattr(startup_clock, "read_clock", refuses)
    assert not keeps_time()


async def test_without_recording_all_but_the_samples_is_written() -> None:
    """Alerts are raised and told while no sample is stored."""
    house = House()
    house.pipeline.state.recording = False
    probe = watched([Answer(HUB, answered=False, reason="connection refused")])
    for _ in range(3):
        await house.run(probe)
    assert house.store.seen == []
    assert len(house.told) == 1


async def test_a_real_start_behind_the_records(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The daemon comes up after the wait, an alarm stands, and the samples' order of time is whole."""
    monkeypatch.setattr(startup_clock, "WAIT_S", 0.5)
    monkeypatch.setattr(startup_clock, "LOOK_S", 0.1)
    monkeypatch.setattr(startup_clock, "keeps_time", lambda: False)
    path, ahead = tmp_path / "watchkeeper.db", Clock().now() + timedelta(hours=2)
    async with await Store.open(path) as store:
        seen = Seen(ahead, Condition(SeriesKey("pool skerry", "health"), ok=True), "skerry", 60.0)
        await store.commit(Commit(seen=(seen,)))
    config = tmp_path / "config.toml"
    config.write_text(f'watch_host = false\n[page]\nport = 0\n[store]\npath = "{path}"\n[[probe]]\nkind = "memory"\n')
    loaded: Loaded[settings.Settings] = settings.read(config)
    up = asyncio.Event()
    serving = asyncio.create_task(daemon.serve(loaded.settings, ready=lambda _: up.set(), reread=lambda: loaded))
    await asyncio.wait_for(up.wait(), 30)
    for _ in range(100):
        with sqlite3.connect(path) as conn:
            alerts = [body for (body,) in conn.execute("SELECT body FROM alerts WHERE key LIKE '%clock of this host%'")]
            (samples,) = conn.execute("SELECT count(*) FROM samples").fetchone()
        conn.close()
        if alerts:
            break
        await asyncio.sleep(0.1)
    assert '"active"' in alerts[0]
    assert samples == 1
    os.kill(os.getpid(), signal.SIGTERM)
    await asyncio.wait_for(serving, 30)
