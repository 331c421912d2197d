"""Waits until time alone may next change the state of a series, so that notifications are sent when a delay ends.

That time is stored in the entry of each series (series_registry.py), and calculated in alerting/next_evaluation.py.
"""

import asyncio
import contextlib
from collections.abc import Iterable
from datetime import datetime

from watchkeeper.alerting.next_evaluation import next_evaluation
from watchkeeper.runtime.series_registry import SeriesEntry


class EvaluationTimer:
    """Knows the earliest of the next evaluations; a series that has been dropped costs one unnecessary check."""

    def __init__(self) -> None:
        self._earliest: datetime | None = None
        self._sooner = asyncio.Event()

    def plan(self, entry: SeriesEntry, now: datetime) -> None:
        """Record when time alone may next change a series; wakes the sleeper if that is sooner."""
        entry.next_evaluation = at = next_evaluation(entry.evaluator, now)
        if at is not None and (self._earliest is None or at < self._earliest):
            self._earliest = at
            self._sooner.set()

    def take_due(self, entries: Iterable[SeriesEntry], now: datetime) -> list[SeriesEntry]:
        """The series whose time has come, each once."""
        if self._earliest is None or now < self._earliest:
            return []
        planned = [(entry, at) for entry in entries if (at := entry.next_evaluation) is not None]
        due = [entry for entry, at in planned if at <= now]
        self._earliest = min((at for _, at in planned if at > now), default=None)
        for entry in due:
            entry.next_evaluation = None
        return due

    async def sleep(self, now: datetime, most_s: float) -> None:
        """Sleep until the next time, until an earlier one is planned, or for at most this long."""
        self._sooner.clear()
        next_s = most_s if self._earliest is None else (self._earliest - now).total_seconds()
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(min(next_s, most_s)):
                await self._sooner.wait()
