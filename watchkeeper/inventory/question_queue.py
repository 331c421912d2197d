"""The queue of planning questions. It outlives a configuration, and the planner itself need not be imported for it."""

import asyncio
import contextlib
from collections import Counter
from collections.abc import AsyncIterator
from dataclasses import dataclass, field


@dataclass(slots=True)
class QuestionQueue:
    """Whether a question is in progress, and how many wait: of signed-in visitors (True), and of others (False)."""

    at_work: bool = False
    turn_ended: asyncio.Event = field(default_factory=asyncio.Event)
    waiting: Counter[bool] = field(default_factory=Counter)

    @contextlib.asynccontextmanager
    async def turn(self, *, first: bool) -> AsyncIterator[None]:
        """Wait to be the one in progress. first: ahead of all others, but not of the one that is already running."""
        self.waiting[first] += 1
        began = False
        try:
            while self.at_work or (not first and self.waiting[True]):
                await self.turn_ended.wait()
            self.at_work = began = True
            yield
        finally:
            self.waiting[first] -= 1
            if began:
                self.at_work = False
            ended, self.turn_ended = self.turn_ended, asyncio.Event()
            ended.set()
