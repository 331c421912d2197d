"""The demo on its stage: the real pipeline raises and ends what the story brings, and the page shows it."""

from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import AsyncExitStack
from datetime import UTC, datetime, timedelta
from pathlib import Path

import aiohttp
import pytest

from watchkeeper.demo.simulation import DemoOptions, Simulation, build
from watchkeeper.model.alert import State
from watchkeeper.model.message import Message

pytestmark = [pytest.mark.slow, pytest.mark.timeout(300)]

BEGUN = datetime(2026, 11, 25, 8, tzinfo=UTC)
HOUR_S, PASSWORD = 3_600.0, "the hides are heated"
Set = Callable[[float], Awaitable[tuple[Simulation, list[Message]]]]


@pytest.fixture
async def set_stage(tmp_path: Path) -> AsyncIterator[Set]:
    """Sets the stage so many days into the story."""
    async with AsyncExitStack() as stack:

        async def made(days: float) -> tuple[Simulation, list[Message]]:
            heard: list[Message] = []
            bill = DemoOptions(tmp_path, 0, PASSWORD, heard.append, BEGUN, skip=timedelta(days=days))
            return await build(bill, stack), heard

        yield made


async def page(stage: Simulation, path: str = "") -> str:
    """A page of the stage."""
    async with aiohttp.ClientSession() as session, session.get(stage.address + path) as answer:
        assert answer.status == 200
        return await answer.text()


async def standing(stage: Simulation) -> set[str]:
    """Subjects with an alert that stands."""
    return {a.key.subject for a in await stage.store.alerts() if a.standing}


async def test_all_is_well_at_first(set_stage: Set) -> None:
    """The station begins with a month behind it and nothing that needs anybody."""
    stage, heard = await set_stage(0.0)
    await stage.advance(2 * HOUR_S)
    text = await page(stage)
    assert "Nothing needs you" in text
    assert "as of <time" in text
    assert ">Wed 25 Nov 10:00</time>" in text
    assert (await standing(stage), heard) == (set(), [])
    assert "everything here is invented" in await page(stage, "events")


async def test_full_and_repaired(set_stage: Set) -> None:
    """The pool fills with all that depends on it, it is repaired, and only the snapshot's alert is still active."""
    stage, heard = await set_stage(3.45)
    await stage.advance(12 * HOUR_S)
    assert {"pool skerry", "guest hide-hub", "service tide-log", "snapshots of ringing-db"} <= await standing(stage)
    text = await page(stage)
    assert "Pool skerry is full" in text
    assert "4 guests and 4 services stopped with it." in text
    headlines = [message.headline for message in heard]
    assert any("pool skerry" in headline for headline in headlines)
    assert not any("guest" in headline or "service" in headline for headline in headlines)
    await stage.advance(18 * HOUR_S)  # for some hours the growth could go on
    assert await standing(stage) <= {"snapshots of ringing-db"}
    assert "Old footage of nest-cams deleted" in await page(stage, "events")
    assert not stage.runner.pipeline.state.breaks


async def test_the_keeper_can_act(set_stage: Set) -> None:
    """With the demo's password alerts are acknowledged on the page, as on a real one; probes run when asked."""
    stage, _ = await set_stage(2.9)
    await stage.advance(HOUR_S)
    async with aiohttp.ClientSession(cookie_jar=aiohttp.CookieJar(unsafe=True)) as session:
        await session.post(f"{stage.address}operator/sign-in", data={"password": PASSWORD})
        async with session.get(f"{stage.address}operator") as answer:
            word = (await answer.text()).split('name="word" value="')[1].split('"')[0]
        for label in ("skerry", "services"):
            async with session.post(f"{stage.address}operator/run", data={"word": word, "probe": label}) as answer:
                assert f"{label} ran." in await answer.text()
        alert = next(a for a in await stage.store.alerts() if a.state is State.ACTIVE)
        series = next(s for s in await stage.store.series() if s.key == alert.key)
        data = {"word": word, "concern": alert.concern.value}
        async with session.post(f"{stage.address}subjects/{series.id}/acknowledge", data=data) as answer:
            assert "Acknowledged." in await answer.text()
    known = next(a for a in await stage.store.alerts() if (a.key, a.concern) == (alert.key, alert.concern))
    assert known.state is State.ACKNOWLEDGED


async def test_the_planner_plans_the_station(set_stage: Set) -> None:
    """The page answers all three questions about the invented station, with the answers that are real."""
    stage, _ = await set_stage(0.3)
    await stage.advance(HOUR_S)
    room = await page(stage, "capacity?disk=32GiB&memory=2GiB&cpus=2&grows=1GiB/day")
    assert "Yes: a guest with 32 GiB of disk, 2 GiB of memory and 2 CPUs fits. Pool skerry has space" in room
    assert "No: a guest with 20 GiB of memory does not fit" in await page(stage, "capacity?memory=20GiB")
    assert "Go: guest hide-hub can be changed now." in await page(stage, "preflight?subject=hide-hub")
    assert "No-go: 2 points against changing pool skerry now." in await page(stage, "preflight?subject=pool+skerry")
    assert "as before Wed 25 Nov 03:00" in await page(stage, "preflight?subject=ringing-db&after=yes")
    assert (await page(stage, "backups")).count("no restore of it was ever reported") == 2
    frees = await page(stage, "reclaim")
    assert "pool skerry: 120 GiB in snapshots" in frees
    assert "skerry/nest-cams, daily-*: 7 snapshots" in frees


async def test_the_planner_looks_again_as_simulated_time_passes(set_stage: Set) -> None:
    """An answer is not kept for days of the story: what was read before is not said of a pool that has filled."""
    stage, _ = await set_stage(0.9)
    asked = "capacity?disk=32GiB&memory=2GiB"
    assert "Host read just now" in await page(stage, asked)
    await stage.advance(30 * HOUR_S)
    assert "Host read just now" in await page(stage, asked)


async def test_the_planner_sees_the_trouble(set_stage: Set) -> None:
    """When the pool is full and its guests stand still, nothing may be changed and nothing more fits."""
    stage, _ = await set_stage(3.45)
    await stage.advance(12 * HOUR_S)
    ready = await page(stage, "preflight?subject=guest+ringing-db")
    assert "No-go: " in ready
    assert "it is not running, so it cannot be checked" in ready
    assert "not answering: no answer within 10 s" in ready
    assert "the limit is 1 day" in ready
    assert "No: a guest with 1 GiB of disk does not fit." in await page(stage, "capacity?disk=1GiB")


async def test_a_backup_takes_its_time(set_stage: Set) -> None:
    """At a quarter past three the newest backup is still that of the night before."""
    stage, _ = await set_stage(0.8)
    await stage.advance(60.0)
    assert "the newest is 22 h 53 min old" in await page(stage, "preflight?subject=hide-hub")
