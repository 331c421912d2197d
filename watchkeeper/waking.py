"""When time alone may next change something about a series, so that a delay that runs out is told at once.

What may change when is core/due.py's; here it is slept until then.
"""

import asyncio
import contextlib
from collections.abc import Sequence
from datetime import datetime

from watchkeeper.core.due import next_due
from watchkeeper.core.judgement import Judgement
from watchkeeper.core.observation import SeriesKey


class Waking:
    """The next such moment of each series."""

    def __init__(self) -> None:
        self._due: dict[SeriesKey, datetime] = {}
        self._sooner = asyncio.Event()

    def plan(self, judgement: Judgement, now: datetime) -> None:
        """Remember when time alone may next change something about it; wakes who sleeps."""
        at = next_due(judgement, now)
        if at is None:
            self._due.pop(judgement.key, None)
        elif self._due.get(judgement.key) != at:
            self._due[judgement.key] = at
            self._sooner.set()

    def forget(self, key: SeriesKey) -> None:
        """A series has gone."""
        self._due.pop(key, None)

    def take_due(self, now: datetime) -> Sequence[SeriesKey]:
        """The series whose moment has come, each once."""
        due = [key for key, at in self._due.items() if at <= now]
        for key in due:
            del self._due[key]
        return due

    async def sleep(self, now: datetime, most_s: float) -> None:
        """Sleep until the next moment, until an earlier one is planned, or for so long at most."""
        self._sooner.clear()
        next_s = min(((at - now).total_seconds() for at in self._due.values()), default=most_s)
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(min(next_s, most_s)):
                await self._sooner.wait()
