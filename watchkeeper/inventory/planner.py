"""The planner of the page: the answers of the commands, for many readers, without running the host's tools for each.

One question is processed at a time, and few may wait; signed-in visitors go first, with a queue limit of their own. The
last scan of the host is kept for a while and shared, and so is each answer; the page says how old they are. A new
configuration gets a new planner. Nothing is decided here.
"""

import asyncio
from collections import OrderedDict
from collections.abc import Awaitable, Callable, Hashable, Sequence
from dataclasses import dataclass
from typing import Any, TypeVar

from watchkeeper.errors import ProbeError
from watchkeeper.inventory import backups as of_backups
from watchkeeper.inventory import capacity as of_room
from watchkeeper.inventory import scan
from watchkeeper.inventory.preflight import after_change, preflight
from watchkeeper.inventory.question_queue import QuestionQueue
from watchkeeper.inventory.reclaim import measure
from watchkeeper.inventory.reclaim.measure import FINDERS, Ask, Finder
from watchkeeper.model.ports import ReadStore
from watchkeeper.os_errors import explained
from watchkeeper.planning.backups import BackupsAnswer
from watchkeeper.planning.capacity.answer import CapacityAnswer
from watchkeeper.planning.capacity.question import Question
from watchkeeper.planning.host_state import HostNow
from watchkeeper.planning.preflight.decide import PreflightAnswer
from watchkeeper.planning.reclaim.snapshots import ReclaimAnswer
from watchkeeper.probes.base import ProbeContext
from watchkeeper.settings import Settings
from watchkeeper.web.planning.planner import CannotPlan, Change, Planned

T = TypeVar("T")

KEPT_S = 30.0
"""How long a scan and an answer are kept: a guest or a snapshot made since then is seen within half a minute."""
MOST_KEPT = 32
"""Answers kept: an operator tries several sizes one after the other. The oldest is dropped."""
MOST_WAITING = 4
"""Questions that may wait for the one in progress: of signed-in visitors, and of all others. A household asks one or
two at a time; each takes some seconds."""
LONGEST_S = 60.0
"""The time limit of one question: the same as for one call of a tool (inventory/reclaim/measure.py)."""


@dataclass(frozen=True, slots=True)
class HostReader:
    """What the planner reads with: the host's own tools, or what a test or the demo provides instead."""

    look: Callable[[Settings, ProbeContext], Awaitable[HostNow]] = scan.look
    finders: Sequence[tuple[str, Finder]] = FINDERS


class HostPlanner:
    """The Planner of web/planning/planner.py."""

    def __init__(
        self,
        settings: Settings,
        store: ReadStore,
        bench: ProbeContext,
        eyes: HostReader | None = None,
        queue: QuestionQueue | None = None,
    ) -> None:
        """queue: shared with the planner of the previous configuration, whose questions may still wait."""
        self._settings, self._bench, self._store = settings, bench, store
        self._eyes = eyes or HostReader()
        self.queue = queue or QuestionQueue()
        self._kept: OrderedDict[Hashable, tuple[float, Planned[Any]]] = OrderedDict()
        self._seen: tuple[float, HostNow] | None = None

    async def capacity(self, question: Question, *, signed_in: bool = False) -> Planned[CapacityAnswer]:
        """Is there enough capacity? Raises BadQuestion, CannotPlan, StoreError."""

        async def make() -> Planned[CapacityAnswer]:
            host = await self._look()
            return Planned(await of_room.room(self._settings, self._store, host, question), host.at)

        return await self._answered(("room", question), make, signed_in=signed_in)

    async def preflight(self, change: Change, *, signed_in: bool = False) -> Planned[PreflightAnswer]:
        """Is a change safe, or what was its result? Raises BadQuestion, CannotPlan, StoreError."""

        async def make() -> Planned[PreflightAnswer]:
            host = await self._look()
            return Planned(await self._points(change, host), host.at)

        return await self._answered(("ready", change), make, signed_in=signed_in)

    async def _points(self, change: Change, host: HostNow) -> PreflightAnswer:
        keep_s = preflight.KEEP_S if change.keep_s is None else change.keep_s
        question = preflight.Question(change.subject, keep_s, change.within_s, change.skipped)
        if change.afterwards:
            return await after_change.after_change(
                self._settings, self._store, host, question, self._bench, change.since
            )
        return await preflight.ready(self._settings, self._store, host, question, self._bench)

    async def reclaim(self, store: str | None, *, signed_in: bool = False) -> Planned[ReclaimAnswer]:
        """What sets of snapshots hold. Raises CannotPlan, StoreError."""

        async def make() -> Planned[ReclaimAnswer]:
            ask = Ask(store=store)
            found = await measure.reclaim(ask, self._settings, self._bench, self._store, finders=self._eyes.finders)
            return Planned(found, found.at)

        return await self._answered(("frees", store), make, signed_in=signed_in)

    async def backups(self, *, signed_in: bool = False) -> Planned[BackupsAnswer]:
        """Which guest has a backup? Raises CannotPlan, StoreError."""

        async def make() -> Planned[BackupsAnswer]:
            host = await self._look()
            return Planned(await self._copies(host), host.at)

        return await self._answered(("backups",), make, signed_in=signed_in)

    async def _copies(self, host: HostNow) -> BackupsAnswer:
        return await of_backups.backups(self._settings, host, self._bench)

    def _now_s(self) -> float:
        return self._bench.clock.monotonic_s()

    def _known(self, asked: Hashable) -> Planned[Any] | None:
        """A kept answer that is not too old."""
        made_s, answer = self._kept.get(asked, (0.0, None))
        return answer if answer is not None and self._now_s() - made_s < KEPT_S else None

    async def _answered(
        self, asked: Hashable, make: Callable[[], Awaitable[Planned[T]]], *, signed_in: bool
    ) -> Planned[T]:
        if (known := self._known(asked)) is not None:
            return known
        if self.queue.waiting[signed_in] > MOST_WAITING:
            raise CannotPlan("Too many questions about this host at once; try again in half a minute.")
        async with self.queue.turn(first=signed_in):
            return self._known(asked) or await self._worked_out(asked, make)

    async def _worked_out(self, asked: Hashable, make: Callable[[], Awaitable[Planned[T]]]) -> Planned[T]:
        try:
            async with asyncio.timeout(LONGEST_S):
                made = await make()
        except TimeoutError:
            raise CannotPlan(
                f"Reading the host took more than {LONGEST_S:.0f} s; check whether a tool or mount hangs."
            ) from None
        except ProbeError as error:
            raise CannotPlan(f"The host cannot be read: {error}") from None
        except OSError as error:
            raise CannotPlan(f"The host cannot be read: {explained(error)}: {error.filename}") from None
        self._kept[asked] = (self._now_s(), made)
        self._kept.move_to_end(asked)
        if len(self._kept) > MOST_KEPT:
            self._kept.popitem(last=False)
        return made

    async def _look(self) -> HostNow:
        """The host now, or as it was a moment ago."""
        if self._seen is not None and self._now_s() - self._seen[0] < KEPT_S:
            return self._seen[1]
        found = await self._eyes.look(self._settings, self._bench)
        self._seen = (self._now_s(), found)
        return found
