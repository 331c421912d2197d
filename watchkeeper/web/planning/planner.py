"""What the page asks of the planner. inventory/planner.py implements it; the page knows neither tools nor settings.

Nothing in here changes the host. Not here: how an answer is shown (capacity.py, preflight.py, reclaim.py, backups.py).
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING, Generic, NoReturn, Protocol, TypeVar

from aiohttp import web

from watchkeeper.errors import WatchkeeperError
from watchkeeper.planning.preflight.matter import Matter
from watchkeeper.web.http.problem_details import Refusal
from watchkeeper.web.planning.best_deletions import BestDeletions

if TYPE_CHECKING:  # the planner is imported with the first question
    from watchkeeper.planning.backups import BackupsAnswer
    from watchkeeper.planning.capacity.answer import CapacityAnswer
    from watchkeeper.planning.capacity.question import Question
    from watchkeeper.planning.preflight.decide import PreflightAnswer
    from watchkeeper.planning.reclaim.snapshots import ReclaimAnswer

T = TypeVar("T")

AGAIN_S = 30
"""When to retry after a refusal: reading the host takes less, and an answer is cached for as long."""


class CannotPlan(WatchkeeperError):
    """No answer now: too many requests, a timeout, or the host cannot be read. The text says why."""


@dataclass(frozen=True, slots=True)
class Planned(Generic[T]):
    """An answer, and when the host was read for it."""

    answer: T
    looked_at: datetime


@dataclass(frozen=True, slots=True)
class Change:
    """A planned change. keep_s, within_s: how long its snapshot is kept, how old one may be; None: the default.

    afterwards: it was made already. since: when; None if that is to be determined.
    """

    subject: str
    keep_s: float | None = None
    within_s: float | None = None
    skipped: frozenset[Matter] = frozenset()
    afterwards: bool = False
    since: datetime | None = None


class Planner(Protocol):
    """Answers from the current state of the host. Every method raises CannotPlan; the first two BadQuestion.

    signed_in: asked by the operator, who does not wait behind others.
    """

    async def capacity(self, question: Question, *, signed_in: bool = False) -> Planned[CapacityAnswer]:
        """Is there enough capacity?"""
        ...

    async def preflight(self, change: Change, *, signed_in: bool = False) -> Planned[PreflightAnswer]:
        """Is a change safe, or what was its result?"""
        ...

    async def reclaim(self, store: str | None, *, signed_in: bool = False) -> Planned[ReclaimAnswer]:
        """What sets of snapshots hold, of one store (a subject or a glob) or of all."""
        ...

    async def backups(self, *, signed_in: bool = False) -> Planned[BackupsAnswer]:
        """Which guest has a backup?"""
        ...


class Nowhere:
    """The planner to use if none was given: it refuses every question."""

    async def capacity(self, _question: Question, *, signed_in: bool = False) -> NoReturn:  # noqa: ARG002  the port's
        """Refuse."""
        self._refuse()

    async def preflight(self, _change: Change, *, signed_in: bool = False) -> NoReturn:  # noqa: ARG002  the port's
        """Refuse."""
        self._refuse()

    async def reclaim(self, _store: str | None, *, signed_in: bool = False) -> NoReturn:  # noqa: ARG002  the port's
        """Refuse."""
        self._refuse()

    async def backups(self, *, signed_in: bool = False) -> NoReturn:  # noqa: ARG002  the port's
        """Refuse."""
        self._refuse()

    def _refuse(self) -> NoReturn:
        raise CannotPlan("This page has no planner: it cannot read the host.")


DELETIONS = web.AppKey("deletions", BestDeletions)

PLANNER: web.AppKey[Planner] = web.AppKey("planner", Planner)


def refused(error: CannotPlan) -> Refusal:
    """The error as an answer of the page: 503, and when to retry."""
    return Refusal(503, str(error), {"retry_after_s": AGAIN_S})
