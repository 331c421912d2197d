"""Which sets of snapshots hold most of a store, for an alert's card and its messages: three, read in the background.

Reading them takes the host's tools some seconds, so a page never waits for it longer than a moment: it shows the newest
answer that there is, and the next page has the new one. A message has what was read while its alert waited for its
delay. Nothing is ever deleted.
"""

from __future__ import annotations

import asyncio
import shlex
from dataclasses import dataclass
from typing import TYPE_CHECKING

from watchkeeper.clock import Clock
from watchkeeper.errors import WatchkeeperError
from watchkeeper.messages.deletions import Deletion, Deletions
from watchkeeper.messages.wording import clean
from watchkeeper.planning.host_state import StoreKind

if TYPE_CHECKING:  # the planner is imported with the first question
    from watchkeeper.planning.reclaim.snapshots import ReclaimAnswer, SetHeld
    from watchkeeper.web.planning.planner import Planner

SHOWN = 3
"""Sets that a card shows."""
FRESH_S = 600.0
"""An answer is read again after this: the host's tools take seconds, and snapshots are made and deleted by the hour."""
KEPT_S = 3_600.0
"""An older answer is not shown."""
AHEAD_S = 3_000.0
"""For messages an answer is read again after this: there always is one, and the host is not read more than needed."""
WAIT_S = 0.4
"""How long the first page waits for an answer."""
STORES = tuple(f"{each.value} " for each in StoreKind)
"""How the subjects of stores begin."""
MOST = 20
"""Stores that are remembered; a host has fewer that are filling."""


@dataclass(slots=True)
class _Read:
    """What was read of one store, and when."""

    at_s: float = float("-inf")
    begun_s: float = float("-inf")
    found: tuple[Deletion, ...] = ()


class BestDeletions:
    """The largest sets of the stores that were asked for."""

    def __init__(self, planner: Planner, clock: Clock) -> None:
        self._planner, self._clock = planner, clock
        self._read: dict[str, _Read] = {}
        self._tasks: set[asyncio.Task[None]] = set()

    async def of(self, subject: str) -> Deletions | None:
        """The newest answer about a store; None if there is none yet, or nothing to delete."""
        task = self.want(subject)
        if task is not None and not self._read[subject].found:
            await asyncio.wait({task}, timeout=WAIT_S)
        return self.known(subject)

    def want_ahead(self, subject: str) -> None:
        """Begin to read, if it is a store and its answer will soon be too old for a message."""
        self.want(subject, AHEAD_S)

    def want(self, subject: str, fresh_s: float = FRESH_S) -> asyncio.Task[None] | None:
        """Begin to read, if it is a store and its answer is older than this; returns the reading that was begun."""
        if not subject.startswith(STORES):
            return None
        read, now_s = self._read.setdefault(subject, _Read()), self._clock.monotonic_s()
        if len(self._read) > MOST:
            self._read.pop(next(iter(self._read)))
        if now_s - read.begun_s < fresh_s:
            return None
        read.begun_s = now_s
        task = asyncio.create_task(self._ask(subject, read))
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)
        return task

    def known(self, subject: str) -> Deletions | None:
        """What was read, if that is not too old; None if there is nothing to delete."""
        read = self._read.get(subject)
        if read is None or not read.found or self._clock.monotonic_s() - read.at_s > KEPT_S:
            return None
        return Deletions(read.found, command(subject))

    async def _ask(self, subject: str, read: _Read) -> None:
        try:
            planned = await self._planner.reclaim(subject)
        except WatchkeeperError:
            return  # the page of reclaim says why; a card only lacks its list
        read.at_s, read.found = self._clock.monotonic_s(), largest(planned.answer)

    async def close(self, _app: object = None) -> None:
        """End what is still being read."""
        for task in self._tasks:
            task.cancel()
        await asyncio.gather(*self._tasks, return_exceptions=True)


def largest(answer: ReclaimAnswer) -> tuple[Deletion, ...]:
    """The sets that hold most, the largest first; without those that hold nothing for certain, or cannot be deleted."""
    from watchkeeper.planning.reclaim import text as words  # noqa: PLC0415  imported with the planner's first answer

    held = [each for each in answer.sets if _least(each) > 0 and each.stuck < each.count]
    ordered = sorted(held, key=lambda each: (-_least(each), each.of, each.called))
    return tuple(Deletion(words.size_words(each.together.bounds), words.set_words(each)) for each in ordered[:SHOWN])


def _least(held: SetHeld) -> int:
    return held.together.bounds.least


def command(subject: str) -> str:
    """What shows on the host which snapshots to delete."""
    return f"watchkeeper reclaim --gain 14d --store {shlex.quote(clean(subject, 300))}"
