"""The page's planner: what the commands answer, one at a time, kept for a while, and by the newest configuration."""

import asyncio
from dataclasses import replace
from datetime import datetime, timedelta

import pytest

from tests.planning.houses import GIB
from tests.support import readstore
from tests.support.planned import Watcher, known, seen, shelf
from watchkeeper.clock import Clock
from watchkeeper.errors import ProbeError
from watchkeeper.inventory import planner
from watchkeeper.inventory.capacity import room
from watchkeeper.inventory.planner import KEPT_S, MOST_KEPT, MOST_WAITING, HostPlanner
from watchkeeper.inventory.preflight.after_change import after_change
from watchkeeper.inventory.preflight.preflight import Question as ReadyQuestion
from watchkeeper.inventory.preflight.preflight import ready
from watchkeeper.inventory.reclaim.measure import Ask, reclaim
from watchkeeper.planning.capacity.question import BadQuestion, Question
from watchkeeper.planning.host_state import HostNow
from watchkeeper.probes.base import ProbeContext
from watchkeeper.probes.support.workers import ThreadWorkers
from watchkeeper.web.planning.planner import CannotPlan, Change

HUB = Question(disk_bytes=32 * GIB, memory_bytes=2 * GIB, cpus=2, store="pool skerry")


class HandClock(Clock):
    """Stands at the record's moment; its monotonic clock is moved by hand."""

    ran_s = 1_000.0

    def now(self) -> datetime:
        return readstore.NOW

    def monotonic_s(self) -> float:
        return self.ran_s


@pytest.fixture
def clock() -> HandClock:
    """A clock that is moved by hand."""
    return HandClock()


@pytest.fixture
def bench(clock: HandClock, workers: ThreadWorkers) -> ProbeContext:
    """A bench with that clock."""
    return ProbeContext(clock, workers)


@pytest.fixture
def watcher() -> Watcher:
    """Eyes on the house, all well."""
    store = readstore.calm()
    return Watcher(lambda: seen(store), shelf(store))


@pytest.fixture
def made(bench: ProbeContext, watcher: Watcher) -> HostPlanner:
    """The planner with those eyes."""
    return HostPlanner(known(), readstore.calm(), bench, watcher.eyes)


async def test_it_answers_as_the_commands_do(made: HostPlanner, bench: ProbeContext, watcher: Watcher) -> None:
    """Each answer is the one that the command gives of the same host at the same moment."""
    store, settings, host = readstore.calm(), known(), watcher.show()
    assert (await made.capacity(HUB)).answer == await room(settings, store, host, HUB)
    asked = ReadyQuestion("hide-hub", 86_400.0)
    told = await made.preflight(Change("hide-hub", 86_400.0))
    assert told.answer == await ready(settings, store, host, asked, bench)
    since = readstore.NOW - timedelta(hours=3)
    told = await made.preflight(Change("hide-hub", 86_400.0, afterwards=True, since=since))
    assert told.answer == await after_change(settings, store, host, asked, bench, since)
    assert told.looked_at == readstore.NOW
    of_pool = await made.reclaim("pool skerry")
    assert of_pool.answer == await reclaim(
        Ask(store="pool skerry"), settings, bench, store, finders=watcher.eyes.finders
    )
    assert of_pool.answer.sets[0].count == 4


async def test_one_look_serves_many(made: HostPlanner, clock: HandClock, watcher: Watcher) -> None:
    """Questions of the next half minute share a look; the same question shares its answer; then all is made again."""
    first = await made.capacity(HUB)
    assert await made.capacity(HUB) is first
    await made.capacity(replace(HUB, cpus=3))
    await made.preflight(Change("hide-hub"))
    assert watcher.looks == 1
    clock.ran_s += KEPT_S
    assert await made.capacity(HUB) is not first
    assert watcher.looks == 2


async def test_only_so_many_answers_are_kept(made: HostPlanner, watcher: Watcher) -> None:
    """Whoever tries many questions finds the newest ones kept, and takes no more memory than those."""
    first = await made.capacity(Question(cpus=1))
    for cpus in range(2, MOST_KEPT + 2):
        newest = await made.capacity(Question(cpus=cpus))
    assert await made.capacity(Question(cpus=MOST_KEPT + 1)) is newest
    assert await made.capacity(Question(cpus=1)) is not first
    assert watcher.looks == 1


async def test_one_is_at_work_and_few_wait(bench: ProbeContext, watcher: Watcher) -> None:
    """Nobody makes the daemon run tools side by side: some wait their turn, the rest are told to come again."""
    at_work, most, gate = 0, 0, asyncio.Event()

    async def look(*_: object) -> HostNow:
        nonlocal at_work, most
        at_work, most = at_work + 1, max(most, at_work + 1)
        await gate.wait()
        at_work -= 1
        return watcher.show()

    slow = HostPlanner(known(), readstore.calm(), bench, replace(watcher.eyes, look=look))
    asked = [asyncio.create_task(slow.capacity(Question(cpus=each))) for each in range(1, MOST_WAITING + 3)]
    await asyncio.sleep(0)
    await asyncio.sleep(0)
    gate.set()
    answers = await asyncio.gather(*asked, return_exceptions=True)
    refused = [each for each in answers if isinstance(each, CannotPlan)]
    assert (len(refused), most) == (1, 1)
    assert "Too many questions" in str(refused[0])
    assert (await slow.capacity(Question(cpus=MOST_WAITING + 2))).answer.cpu.vcpus == 7 + MOST_WAITING + 2


async def test_who_has_signed_in_goes_first(bench: ProbeContext, watcher: Watcher) -> None:
    """Strangers fill all seats that are theirs: the operator's question is not refused, and is the next at work."""
    order, gate = list[int](), asyncio.Event()

    async def look(*_: object) -> HostNow:
        await gate.wait()
        return watcher.show()

    slow = HostPlanner(known(), readstore.calm(), bench, replace(watcher.eyes, look=look))

    async def ask(cpus: int, *, signed_in: bool = False) -> None:
        await slow.capacity(Question(cpus=cpus), signed_in=signed_in)
        order.append(cpus)

    strangers = [asyncio.create_task(ask(each)) for each in range(1, MOST_WAITING + 3)]
    await asyncio.sleep(0)
    operators = asyncio.create_task(ask(100, signed_in=True))
    await asyncio.sleep(0)
    gate.set()
    answers = await asyncio.gather(*strangers, operators, return_exceptions=True)
    assert [type(each) for each in answers if each is not None] == [CannotPlan]
    assert order == [1, 100, *range(2, MOST_WAITING + 2)]


async def test_a_question_that_is_given_up_makes_way(bench: ProbeContext, watcher: Watcher) -> None:
    """Whether it waits or is at work, strangers' questions go on after it."""
    gate = asyncio.Event()

    async def look(*_: object) -> HostNow:
        await gate.wait()
        return watcher.show()

    slow = HostPlanner(known(), readstore.calm(), bench, replace(watcher.eyes, look=look))
    given_up = [asyncio.create_task(slow.capacity(Question(cpus=each), signed_in=True)) for each in (1, 2)]
    await asyncio.sleep(0)
    after = asyncio.create_task(slow.capacity(Question(cpus=3)))
    await asyncio.sleep(0)
    for each in reversed(given_up):
        each.cancel()
    await asyncio.gather(*given_up, return_exceptions=True)
    gate.set()
    async with asyncio.timeout(30):
        assert (await after).answer.cpu.vcpus == 7 + 3


async def test_another_configuration_holds_at_once(made: HostPlanner, bench: ProbeContext, watcher: Watcher) -> None:
    """After a reload nothing is answered from before, not even by a question that was at work meanwhile."""
    first = await made.capacity(HUB)
    after = HostPlanner(known(), readstore.calm(), bench, watcher.eyes, queue=made.queue)
    assert await after.capacity(HUB) is not first
    assert watcher.looks == 2


async def test_questions_of_both_configurations_wait_in_one_queue(bench: ProbeContext, watcher: Watcher) -> None:
    """What is at work when a reload comes is ended first: the host's tools do not run twice at a time."""
    order, gate = list[str](), asyncio.Event()

    async def slow(*_: object) -> HostNow:
        order.append("old begins")
        await gate.wait()
        order.append("old ends")
        return watcher.show()

    async def look(*_: object) -> HostNow:
        order.append("new begins")
        return watcher.show()

    old = HostPlanner(known(), readstore.calm(), bench, replace(watcher.eyes, look=slow))
    under_way = asyncio.create_task(old.capacity(HUB))
    await asyncio.sleep(0)
    new = HostPlanner(known(), readstore.calm(), bench, replace(watcher.eyes, look=look), queue=old.queue)
    asked = asyncio.create_task(new.capacity(HUB))
    await asyncio.sleep(0)
    gate.set()
    await asyncio.gather(under_way, asked)
    assert order == ["old begins", "old ends", "new begins"]


@pytest.mark.parametrize(
    ("error", "said"),
    [
        (ProbeError("list of mounts: no answer within 10 s"), "cannot be read: list of mounts: no answer"),
        (
            FileNotFoundError(2, "No such file or directory", "/proc/meminfo"),
            "No such file or directory: /proc/meminfo",
        ),
    ],
)
async def test_what_cannot_be_looked_at_is_told(
    made: HostPlanner, watcher: Watcher, error: Exception, said: str
) -> None:
    """The reason is told, nothing of it is kept, and the next question is answered."""
    watcher.hindrance = [error]
    with pytest.raises(CannotPlan, match=said):
        await made.capacity(HUB)
    watcher.hindrance = []
    assert (await made.capacity(HUB)).answer.stores


async def test_a_look_has_an_end(bench: ProbeContext, watcher: Watcher, monkeypatch: pytest.MonkeyPatch) -> None:
    """A host that hangs keeps a reader for a bounded time."""
    monkeypatch.setattr(planner, "LONGEST_S", 0.02)

    async def look(*_: object) -> HostNow:
        await asyncio.Event().wait()
        return watcher.show()

    hangs = HostPlanner(known(), readstore.calm(), bench, replace(watcher.eyes, look=look))
    with pytest.raises(CannotPlan, match="took more than"):
        await hangs.capacity(HUB)


async def test_a_bad_question_is_refused_each_time(made: HostPlanner) -> None:
    """What cannot be asked says so, with the field that it is about."""
    for _ in range(2):
        with pytest.raises(BadQuestion) as refused:
            await made.capacity(Question(disk_bytes=GIB, store="pool nowhere"))
        assert refused.value.field == "store"
