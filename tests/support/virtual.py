"""Simulated time for the outbox: it stands still while anything is running, and jumps ahead when all tasks rest."""

import asyncio
from collections.abc import Awaitable, Callable, Iterable
from dataclasses import dataclass, field
from datetime import datetime, timedelta

from tests.support.messages import NOW
from watchkeeper.clock import Clock

Happening = tuple[float, Callable[[], Awaitable[None]]]
"""Seconds from the beginning, and what happens then."""


@dataclass(slots=True, eq=False)
class _Resting:
    until_s: float
    over: asyncio.Event = field(default_factory=asyncio.Event)


class VirtualTime(Clock):
    """A clock and a way of waiting for a given number of tasks."""

    def __init__(self, tasks: int, began_at: datetime = NOW) -> None:
        self.began_at, self.passed_s = began_at, 0.0
        self._tasks = tasks
        self._resting: set[_Resting] = set()

    def now(self) -> datetime:
        return self.began_at + timedelta(seconds=self.passed_s)

    def monotonic_s(self) -> float:
        return self.passed_s

    async def rest(self, wake: asyncio.Event, seconds: float) -> None:
        """Wait in simulated time, or until woken."""
        one = _Resting(self.passed_s + seconds)
        self._resting.add(one)
        waits = [asyncio.ensure_future(wake.wait()), asyncio.ensure_future(one.over.wait())]
        try:
            await asyncio.wait(waits, return_when=asyncio.FIRST_COMPLETED)
        finally:
            self._resting.discard(one)
            for each in waits:
                each.cancel()

    async def run(self, until_s: float, happenings: Iterable[Happening]) -> None:
        """Let time pass. Happenings at one moment come before the tasks that wake at it."""
        due = sorted(happenings, key=lambda each: each[0])
        while self.passed_s < until_s:
            await self.all_rest()
            next_s = min([each.until_s for each in self._resting] + [at for at, _ in due[:1]] + [until_s])
            self.passed_s = max(self.passed_s, next_s)
            while due and due[0][0] <= self.passed_s:
                await due.pop(0)[1]()
            for each in [each for each in self._resting if each.until_s <= self.passed_s]:
                each.over.set()
                self._resting.discard(each)

    async def all_rest(self) -> None:
        """Wait, in real time, until nothing is running."""
        async with asyncio.timeout(60):
            while len(self._resting) < self._tasks:  # noqa: ASYNC110  many tasks, none of which reports it
                await asyncio.sleep(0.0005)
