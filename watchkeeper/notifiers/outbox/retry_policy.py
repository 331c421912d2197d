"""How long to wait between attempts of a delivery, and how to wait. Not here: what is tried (outbox.py)."""

import asyncio
from collections.abc import Awaitable, Callable
from dataclasses import dataclass

Rest = Callable[[asyncio.Event, float], Awaitable[None]]
"""Waits until the event is set or the seconds have passed."""


@dataclass(frozen=True, slots=True)
class RetryPolicy:
    """How long to wait between attempts, and when a delivery is set aside.

    The wait before try n is drawn evenly from first_s to first_s * 2**n, and at most longest_s ("full jitter": many
    deliveries that failed together are not retried together). longest_wish_s: the longest Retry-After that is honoured.
    A delivery is set aside once it is older than give_up_s *and* was tried often enough: a host that was off for two
    weeks, or a clock that was set ahead, has not tried yet.
    """

    first_s: float = 5.0
    longest_s: float = 1_800.0
    longest_wish_s: float = 86_400.0
    give_up_s: float = 7 * 86_400.0
    least_tries: int = 50

    def wait_s(self, tries: int, wish_s: float | None, drawn: float) -> float:
        """Seconds to wait after try number `tries`; drawn: evenly from 0 to 1."""
        if wish_s is not None:
            return min(wish_s, self.longest_wish_s) + drawn * self.first_s
        ceiling = min(self.longest_s, self.first_s * 2.0 ** min(tries, 30))
        return self.first_s + drawn * max(ceiling - self.first_s, 0.0)


DEFAULT_POLICY = RetryPolicy()
"""The policy of the daemon."""


async def rest(wake: asyncio.Event, seconds: float) -> None:
    """Wait until woken, or for this many seconds of the event loop's clock."""
    try:
        async with asyncio.timeout(seconds):
            await wake.wait()
    except TimeoutError:
        return
