"""The page of a daemon: its address is bound at the start, and what answers is imported when somebody connects.

Until then a daemon holds neither the server nor the templates, about 20 MiB. The kernel queues the first connections
while they are imported. Not here: what is served (app.py), and how (server.py).
"""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from watchkeeper.web.bound_page import BoundPage
    from watchkeeper.web.server import Served

Serve = Callable[["BoundPage"], Awaitable["Served"]]


class LatePage:
    """One page on an address that is bound."""

    def __init__(self, bound: BoundPage, load: Callable[[], Serve]) -> None:
        """load: imports what serves the page, and returns it; runs in a thread."""
        self._bound, self._load = bound, load
        self._served: Served | None = None

    @property
    def address(self) -> str:
        """To print, with the port that was bound."""
        return self._bound.address

    async def serve_when_asked(self) -> None:
        """Wait for the first connection, then serve until cancelled. Raises whatever the import raises."""
        await self._somebody_connects()
        serve = await asyncio.to_thread(self._load)
        self._served = await serve(self._bound)
        await asyncio.Event().wait()

    async def _somebody_connects(self) -> None:
        loop, asked = asyncio.get_running_loop(), asyncio.Event()
        for each in self._bound.sockets:
            loop.add_reader(each.fileno(), asked.set)
        try:
            await asked.wait()
        finally:
            for each in self._bound.sockets:
                loop.remove_reader(each.fileno())

    async def close(self) -> None:
        """Stop serving: finish answers in progress, close everything else. `serve_when_asked` is over by then."""
        if self._served is not None:
            await self._served.cleanup()
        self._bound.close()
