"""Which sets of snapshots hold most of a store, for the card of an alert: three of them, read in the background.

Reading them takes the host's tools some seconds, so a page never waits for it longer than a moment: it shows the newest
answer that there is, and the next page has the new one. Nothing is ever deleted.
"""

from __future__ import annotations

import asyncio
import shlex
from dataclasses import dataclass
from typing import TYPE_CHECKING

from aiohttp import web

from watchkeeper.clock import Clock
from watchkeeper.errors import WatchkeeperError
from watchkeeper.messages.wording import clean
from watchkeeper.planning.host_state import StoreKind
from watchkeeper.web.planning.planner import Planner

if TYPE_CHECKING:  # the planner is imported with the first question
    from watchkeeper.planning.reclaim.snapshots import ReclaimAnswer, SetHeld

SHOWN = 3
"""Sets that a card shows."""
FRESH_S = 600.0
"""An answer is read again after this: the host's tools take seconds, and snapshots are made and deleted by the hour."""
KEPT_S = 3_600.0
"""An older answer is not shown."""
WAIT_S = 0.4
"""How long the first page waits for an answer."""
MOST = 20
"""Stores that are remembered; a host has fewer that are filling."""


@dataclass(frozen=True, slots=True)
class Deletion:
    """A set of snapshots: its size as text, and what it is."""

    size: str
    what: str


@dataclass(frozen=True, slots=True)
class Deletions:
    """The largest sets of a store. command: shows on the host which snapshots to delete for two more weeks."""

    sets: tuple[Deletion, ...]
    command: str


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
        if not subject.startswith(tuple(f"{each.value} " for each in StoreKind)):
            return None
        read, now_s = self._read.setdefault(subject, _Read()), self._clock.monotonic_s()
        if len(self._read) > MOST:
            self._read.pop(next(iter(self._read)))
        if now_s - read.begun_s >= FRESH_S:
            read.begun_s = now_s
            task = asyncio.create_task(self._ask(subject, read))
            self._tasks.add(task)
            task.add_done_callback(self._tasks.discard)
            if not read.found:
                await asyncio.wait({task}, timeout=WAIT_S)
        if not read.found or now_s - read.at_s > KEPT_S:
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


DELETIONS = web.AppKey("deletions", BestDeletions)
