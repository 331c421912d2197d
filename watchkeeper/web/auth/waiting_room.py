"""Let sign-ins compare the password one after the other, each in its turn.

One comparison takes 32 MiB and a large part of a second, so only one runs at a time. Known browsers go first. Strangers
whose shared budget is used up wait here instead of being refused, and whoever has tried least goes next: a flood from
some addresses does not keep out one that has not tried yet. Not here: what a try costs (budgets.py).
"""

import asyncio
import contextlib
import math
import random
from collections.abc import AsyncIterator, Callable
from dataclasses import dataclass, field

from watchkeeper.errors import WatchkeeperError
from watchkeeper.web.auth.budgets import SignInBudgets, Standing, Visitor

HOLD_S = 45.0
"""How long a request waits for its turn. Reverse proxies give up after 60 s by default."""
MOST_STRANGERS = 24
"""Strangers that wait at once; each holds a connection."""
MOST_OF_ONE = 4
"""Requests of one place, or of one known browser, that wait at once."""


class MustWait(WatchkeeperError):
    """A try that is not made now. own: because of the visitor's own wrong tries."""

    def __init__(self, wait_s: float, *, own: bool) -> None:
        super().__init__(f"wait {wait_s:.0f} s")
        self.seconds, self.own = max(1, math.ceil(wait_s)), own


@dataclass(slots=True, eq=False)
class _Waiter:
    """A request that waits.

    turn: None once it may compare, else how long it must wait, and whether because of its own tries. lot: drawn once.
    """

    visitor: Visitor
    gone: Callable[[], bool]
    turn: asyncio.Future[MustWait | None]
    lot: float = field(default_factory=random.random)


class WaitingRoom:
    """Who waits for a comparison, and whose turn it is."""

    def __init__(self, budgets: SignInBudgets, hold_s: float = HOLD_S) -> None:
        self.budgets, self._hold_s = budgets, hold_s
        self._waiting: list[_Waiter] = []
        self._busy, self._by_lot = False, False
        self._timer: asyncio.TimerHandle | None = None

    @contextlib.asynccontextmanager
    async def turn(self, visitor: Visitor, gone: Callable[[], bool] = lambda: False) -> AsyncIterator[None]:
        """Hold the only comparison in the visitor's turn; the try is counted then. Raises MustWait.

        gone: has the visitor closed the connection? Then it no longer waits here.
        """
        waiter = _Waiter(visitor, gone, asyncio.get_running_loop().create_future())
        self._join(waiter)
        try:
            await self._await_turn(waiter)
            yield
        finally:
            self._leave(waiter)

    async def _await_turn(self, waiter: _Waiter) -> None:
        self._serve()
        await asyncio.wait({waiter.turn}, timeout=self._hold_s)
        if not waiter.turn.done():
            raise self._later(waiter)
        if (refused := waiter.turn.result()) is not None:
            raise refused

    def _leave(self, waiter: _Waiter) -> None:
        """Leave at the end of the turn, or after giving up."""
        if waiter in self._waiting:
            self._waiting.remove(waiter)
        elif waiter.turn.done() and waiter.turn.result() is None:
            self._busy = False
        else:
            return
        self._serve()

    def _join(self, waiter: _Waiter) -> None:
        """Join the waiting requests. Raises MustWait if there is no place."""
        own_s = self.budgets.own_wait_s(waiter.visitor)
        if own_s > 0:
            raise MustWait(own_s, own=True)
        self._waiting = [each for each in self._waiting if not each.gone()]
        alike = [each for each in self._waiting if _same(each.visitor, waiter.visitor)]
        if len(alike) >= MOST_OF_ONE:
            self._make_room(alike, waiter)
        else:
            strangers = [e for e in self._waiting if self.budgets.standing(e.visitor) is Standing.STRANGER]
            if len(strangers) >= MOST_STRANGERS and self.budgets.standing(waiter.visitor) is Standing.STRANGER:
                self._make_room(strangers, waiter)
        self._waiting.append(waiter)

    def _make_room(self, among: list[_Waiter], waiter: _Waiter) -> None:
        """Send away the last of the waiting requests if the new one ranks before it. Raises MustWait if it does not."""
        last = max(among, key=self._order)
        if self.budgets.rank(waiter.visitor) >= self.budgets.rank(last.visitor):
            raise self._later(waiter)
        self._waiting.remove(last)
        last.turn.set_result(self._later(last))

    def _order(self, waiter: _Waiter) -> tuple[float, ...]:
        return (*self.budgets.rank(waiter.visitor), waiter.lot)

    def _later(self, waiter: _Waiter) -> MustWait:
        return MustWait(self.budgets.shared_wait_s(waiter.visitor), own=False)

    def _serve(self) -> None:
        """Give the comparison to the next in order whose budget allows it; if none does, check again when one will."""
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None
        soonest_s = math.inf
        for each in () if self._busy else self._in_order():
            if (own_s := self.budgets.own_wait_s(each.visitor)) > 0:
                self._waiting.remove(each)
                each.turn.set_result(MustWait(own_s, own=True))
            elif (shared_s := self.budgets.shared_wait_s(each.visitor)) > 0:
                soonest_s = min(soonest_s, shared_s)
            else:
                self._begin(each)
                return
        if soonest_s < math.inf:
            self._timer = asyncio.get_running_loop().call_later(soonest_s, self._serve)

    def _in_order(self) -> list[_Waiter]:
        """By rank. Every second turn of strangers is by lot, so that nobody waits forever behind ever new addresses."""
        self._waiting = [each for each in self._waiting if not each.gone()]
        if self._by_lot:
            return sorted(self._waiting, key=lambda e: (self.budgets.standing(e.visitor), e.lot))
        return sorted(self._waiting, key=self._order)

    def _begin(self, waiter: _Waiter) -> None:
        if self.budgets.standing(waiter.visitor) is Standing.STRANGER:
            self._by_lot = not self._by_lot
        self._busy = True
        self.budgets.count(waiter.visitor)
        self._waiting.remove(waiter)
        waiter.turn.set_result(None)


def _same(one: Visitor, other: Visitor) -> bool:
    """Do two visitors share the limit of one place, or of one known browser?"""
    if one.known or other.known:
        return one.known and other.known and one.browser == other.browser
    return one.place == other.place
