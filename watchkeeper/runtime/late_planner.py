"""The page's planner for one configuration. What answers is imported with the first question, in a thread.

A daemon that is asked nothing then holds none of it. Not here: the answers (inventory/planner.py).
"""

from __future__ import annotations

import asyncio
from typing import TYPE_CHECKING

from watchkeeper.inventory.question_queue import QuestionQueue

if TYPE_CHECKING:
    from watchkeeper.inventory.planner import HostPlanner
    from watchkeeper.planning.backups import BackupsAnswer
    from watchkeeper.planning.capacity.answer import CapacityAnswer
    from watchkeeper.planning.capacity.question import Question
    from watchkeeper.planning.preflight.decide import PreflightAnswer
    from watchkeeper.planning.reclaim.snapshots import ReclaimAnswer
    from watchkeeper.probes.base import ProbeContext
    from watchkeeper.settings import Settings
    from watchkeeper.store.store import Store
    from watchkeeper.web.planning.planner import Change, Planned


class LatePlanner:
    """The Planner of web/planning/planner.py."""

    def __init__(
        self, settings: Settings, store: Store, bench: ProbeContext, before: LatePlanner | None = None
    ) -> None:
        """before: the planner of the previous configuration. Its questions and this one's wait in one queue."""
        self._settings, self._store, self._bench = settings, store, bench
        self.queue: QuestionQueue = QuestionQueue() if before is None else before.queue
        self._planner: HostPlanner | None = None

    async def capacity(self, question: Question, *, signed_in: bool = False) -> Planned[CapacityAnswer]:
        """Answer whether there is capacity."""
        return await (await self._made()).capacity(question, signed_in=signed_in)

    async def preflight(self, change: Change, *, signed_in: bool = False) -> Planned[PreflightAnswer]:
        """Answer whether a change is safe, or how it went."""
        return await (await self._made()).preflight(change, signed_in=signed_in)

    async def reclaim(self, store: str | None, *, signed_in: bool = False) -> Planned[ReclaimAnswer]:
        """Answer how much space sets of snapshots hold."""
        return await (await self._made()).reclaim(store, signed_in=signed_in)

    async def backups(self, *, signed_in: bool = False) -> Planned[BackupsAnswer]:
        """Answer which guest has a backup."""
        return await (await self._made()).backups(signed_in=signed_in)

    async def _made(self) -> HostPlanner:
        kind = await asyncio.to_thread(_host_planner)
        if self._planner is None:
            self._planner = kind(self._settings, self._store, self._bench, queue=self.queue)
        return self._planner


def _host_planner() -> type[HostPlanner]:
    from watchkeeper.inventory.planner import HostPlanner  # noqa: PLC0415  see above

    return HostPlanner
