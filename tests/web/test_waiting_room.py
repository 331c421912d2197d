"""Whose turn it is to compare the password, with shared budgets that refill within a test's time."""

import asyncio
from collections.abc import Iterator
from ipaddress import ip_address

import pytest

from watchkeeper.clock import Clock
from watchkeeper.web.auth import waiting_room
from watchkeeper.web.auth.browsers import Browsers
from watchkeeper.web.auth.budgets import FREE_TRIES, Limits, SignInBudgets, Visitor
from watchkeeper.web.auth.visitors import place_of
from watchkeeper.web.auth.waiting_room import MustWait, WaitingRoom

NEVER_S = 3_600.0
ONE = Limits(burst=1, refill_s=NEVER_S)
"""After one stranger all others wait, and their turn does not come."""


def _from(address: str, browser: str = "none", *, known: bool = False) -> Visitor:
    return Visitor(place_of(ip_address(address)), browser, known)


def _room(limits: Limits | None = None, hold_s: float = 30) -> WaitingRoom:
    return WaitingRoom(SignInBudgets(Clock(), limits), hold_s)


def _used_up(limits: Limits = ONE, hold_s: float = 30) -> WaitingRoom:
    """A room in which a stranger has used up what all share."""
    room = _room(limits, hold_s)
    room.budgets.count(_from("203.0.113.66"))
    return room


class Queue:
    """Visitors that have asked for a turn, and the order in which they came to it."""

    def __init__(self, room: WaitingRoom) -> None:
        self.room = room
        self.served: list[Visitor] = []
        self.tasks: list[asyncio.Task[None]] = []

    async def join(self, *visitors: Visitor) -> None:
        """Let each ask for its turn, one after the other."""
        for each in visitors:
            self.tasks.append(asyncio.create_task(self._turn(each)))
            for _ in range(5):  # as many steps of the loop as it takes to come to its turn
                await asyncio.sleep(0)

    async def _turn(self, visitor: Visitor) -> None:
        async with self.room.turn(visitor):
            self.served.append(visitor)

    async def end(self) -> list[MustWait]:
        """Wait for all; those that were sent away."""
        async with asyncio.timeout(30):
            results = await asyncio.gather(*self.tasks, return_exceptions=True)
        return [each for each in results if isinstance(each, MustWait)]


@pytest.fixture
def quiet_lot(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """Lots in the order of arrival, so that the order of turns is certain."""
    lots = iter(range(10_000))
    monkeypatch.setattr("random.random", lambda: next(lots) / 10_000)
    yield
    monkeypatch.undo()


async def test_one_at_a_time_and_known_browsers_first() -> None:
    """A known browser waits for the comparison at work and for nobody else."""
    room = _room()
    queue = Queue(room)
    mine = _from("127.0.0.1", "mine", known=True)
    async with room.turn(_from("192.0.2.1")):
        await queue.join(*(_from(f"192.0.2.{i}") for i in range(2, 12)), mine)
        assert queue.served == []
    assert await queue.end() == []
    assert queue.served[0] == mine
    assert len(queue.served) == 11


async def test_an_own_wait_is_told_at_once() -> None:
    """Who must wait because of its own wrong tries does not wait here."""
    room = _room()
    for _ in range(FREE_TRIES):
        async with room.turn(_from("192.0.2.1")):
            pass
    with pytest.raises(MustWait) as told:
        async with room.turn(_from("192.0.2.1")):
            raise AssertionError
    assert told.value.own
    assert told.value.seconds in {1, 2}


async def test_a_shared_budget_is_waited_for() -> None:
    """A stranger gets its turn when the budget allows one more."""
    queue = Queue(_room(Limits(burst=1, refill_s=0.1)))
    await queue.join(*(_from(f"192.0.2.{i}") for i in range(5)))
    assert len(queue.served) == 1
    assert await queue.end() == []
    assert len(queue.served) == 5


async def test_nobody_waits_longer_than_a_proxy_does() -> None:
    """Then it is told when to come again, and its place in the room is free."""
    room = _used_up(hold_s=0.05)
    queue = Queue(room)
    await queue.join(_from("192.0.2.1"))
    (told,) = await queue.end()
    assert not told.own
    assert NEVER_S - 60 <= told.seconds <= NEVER_S
    assert room._waiting == []


async def test_a_known_browser_does_not_need_the_shared_budget() -> None:
    """Neither does a place that signed in before."""
    room = _used_up()
    room.budgets.count(_from("192.0.2.7"))
    room.budgets.right(_from("192.0.2.7"))
    queue = Queue(room)
    mine = [_from("127.0.0.1", "mine", known=True), _from("192.0.2.7", "new")]
    await queue.join(*(_from(f"198.51.100.{i}") for i in range(10)), *mine)
    assert queue.served == mine
    for each in queue.tasks:
        each.cancel()
    await queue.end()


@pytest.mark.usefixtures("quiet_lot")
async def test_a_full_room_makes_way_for_who_tried_least() -> None:
    """A newcomer sends away one of a network that tried more; one that tried as much finds no place."""
    room = _room(ONE)
    async with room.turn(_from("198.51.100.1")):
        pass
    queue = Queue(room)
    await queue.join(*(_from(f"198.51.100.{i}") for i in range(2, 2 + waiting_room.MOST_STRANGERS)))
    await queue.join(_from("198.51.100.99"))
    assert queue.tasks[-1].done()
    await queue.join(_from("192.0.2.7"))
    assert not queue.tasks[-1].done()
    assert len(room._waiting) == waiting_room.MOST_STRANGERS
    assert min(room._waiting, key=room._order).visitor == _from("192.0.2.7")
    for each in queue.tasks:
        each.cancel()
    await queue.end()


async def test_one_place_has_few_seats() -> None:
    """Many requests of one address leave room for others; a known browser has its own seats."""
    room = _used_up()
    queue = Queue(room)
    await queue.join(*(_from("198.51.100.1", f"browser {i}") for i in range(50)))
    assert len(room._waiting) == waiting_room.MOST_OF_ONE
    await queue.join(_from("198.51.100.1", "mine", known=True))
    assert len(queue.served) == 1
    for each in queue.tasks:
        each.cancel()
    await queue.end()
    assert room._waiting == []


async def test_who_has_gone_keeps_no_seat() -> None:
    """A closed connection makes way, and no turn is spent on it."""
    room = _used_up(Limits(burst=1, refill_s=0.1))
    gone = False

    async def leave_early() -> None:
        async with room.turn(_from("198.51.100.1"), lambda: gone):
            raise AssertionError

    task = asyncio.create_task(leave_early())
    await asyncio.sleep(0)
    gone = True
    queue = Queue(room)
    await queue.join(_from("192.0.2.7"))
    assert await queue.end() == []
    assert room.budgets._networks.made(_from("198.51.100.1").place.network) == 0
    task.cancel()
    await asyncio.gather(task, return_exceptions=True)


async def test_a_cancelled_turn_is_passed_on() -> None:
    """Whether it waits, or compares already."""
    room = _room()
    queue = Queue(room)
    async with room.turn(_from("192.0.2.1")):
        await queue.join(_from("192.0.2.2"), _from("192.0.2.3"))
        queue.tasks[0].cancel()
        await asyncio.sleep(0)
    await asyncio.sleep(0)
    await asyncio.gather(*queue.tasks, return_exceptions=True)
    assert queue.served == [_from("192.0.2.3")]
    assert room._busy is False


@pytest.mark.parametrize("network", ["192.0.2.7", "127.0.9.9"])
async def test_a_new_address_gets_its_turn_in_a_flood(network: str) -> None:
    """100 addresses keep the room full. A new address of another network is served within two turns, and one of the
    same network within as many as there are seats, twice over.
    """
    room = _room(Limits(burst=1, refill_s=0.02, place_burst=1_000))
    queue, stop = Queue(room), asyncio.Event()

    async def flood(address: str) -> None:
        for i in range(10_000):
            if stop.is_set():
                return
            try:
                async with room.turn(_from(address, f"browser {i}")):
                    queue.served.append(_from(address))
            except MustWait:
                await asyncio.sleep(0.05)

    strangers = [asyncio.create_task(flood(f"127.0.{i >> 6}.{i & 63}")) for i in range(100)]
    async with asyncio.timeout(20):
        for _ in range(1_000):
            if len(queue.served) >= 120:
                break
            await asyncio.sleep(0.02)
        before = len(queue.served)
        async with room.turn(_from(network, "new browser")):
            turns = len(queue.served) - before
    stop.set()
    await asyncio.gather(*strangers)
    assert turns <= (2 if network == "192.0.2.7" else 2 * waiting_room.MOST_STRANGERS)


def test_cookies_of_browsers() -> None:
    """A cookie says for a time whether the browser signed in before; a changed one, or of another key, does not."""
    now = Clock().now()
    own = Browsers(b"k" * 32)
    for known in (True, False):
        cookie, made = own.make(now, known=known)
        assert own.read(cookie, now) == made
        assert Browsers(b"k" * 32).read(cookie, now) == made
        assert Browsers(b"x" * 32).read(cookie, now) is None
        assert own.read(cookie[:-1] + ("0" if cookie[-1] != "0" else "1"), now) is None
        assert own.read(("n" if known else "k") + cookie[1:], now) is None
        assert own.read(cookie, now.replace(year=now.year + 2)) is None
    assert own.read("", now) is own.read("k.short.1.x", now) is None
