"""Accept the page's connections: a bounded number per turn of the event loop, and none while no descriptor is free.

asyncio's own loop accepts as often as the backlog is long, and if no descriptor is free it schedules one retry for each
of these accepts, so that it spins and logs endlessly. Not here: the address (web/bound_page.py), how many connections
there may be, and which one is closed (connections.py).
"""

import asyncio
import errno
import logging
import socket
from collections.abc import Sequence
from contextlib import suppress
from typing import cast

from aiohttp import web

from watchkeeper.logs.fields import Event, about
from watchkeeper.os_errors import remedy
from watchkeeper.web.bound_page import BoundPage
from watchkeeper.web.http.connection import Connection
from watchkeeper.web.http.connections import Connections
from watchkeeper.web.http.limits import Limits

log = logging.getLogger(__name__)

REFUSED = b"HTTP/1.1 503 Service Unavailable\r\nConnection: close\r\nRetry-After: 5\r\nContent-Length: 0\r\n\r\n"

TRANSIENT = frozenset(
    {
        errno.EAGAIN, errno.EINTR, errno.ECONNABORTED, errno.EPROTO, errno.ENETDOWN, errno.ENOPROTOOPT, errno.EHOSTDOWN,
        errno.ENONET, errno.EHOSTUNREACH, errno.EOPNOTSUPP, errno.ENETUNREACH,
    }
)  # fmt: skip
"""accept(2): no connection, or one that failed before it was accepted; to be treated like EAGAIN."""


class Listener(web.BaseSite):
    """The page's address with its port, as an aiohttp site."""

    def __init__(self, runner: web.AppRunner, place: BoundPage, connections: Connections) -> None:
        super().__init__(runner)
        self._place, self._connections = place, connections
        self._acceptor: _Acceptor | None = None

    @property
    def name(self) -> str:
        """Its address, for people."""
        return self._place.address

    async def start(self) -> None:
        """Accept connections."""
        await super().start()
        self._acceptor = _Acceptor(self._place.sockets, self._connections)
        self._acceptor.start()
        # The runner asks a site's server for its sockets, and to close; this object has both.
        self._server = cast("asyncio.AbstractServer", self._acceptor)

    async def stop(self) -> None:
        """Stop accepting. Every accepted socket has become a connection when this returns, and can be shut down."""
        await super().stop()
        if self._acceptor is not None:
            await self._acceptor.wait_closed()


class _Acceptor:
    """Accepts on bound sockets."""

    def __init__(self, sockets: Sequence[socket.socket], connections: Connections) -> None:
        self.sockets, self._connections = tuple(sockets), connections
        self._loop = asyncio.get_running_loop()
        self._beginning: set[asyncio.Task[None]] = set()
        self._resting: asyncio.TimerHandle | None = None
        self._told_at_s, self._untold = float("-inf"), 0

    @property
    def _limits(self) -> Limits:
        return self._connections.limits

    def start(self) -> None:
        """Accept what the kernel has queued, and what comes."""
        self._resume()

    def close(self) -> None:
        """Stop accepting."""
        self._pause()
        for each in self.sockets:
            each.close()
        self.sockets = ()

    async def wait_closed(self) -> None:
        """Wait for accepted sockets to become connections: a few turns of the event loop."""
        await asyncio.gather(*self._beginning, return_exceptions=True)

    def _resume(self) -> None:
        self._resting = None
        for each in self.sockets:
            self._loop.add_reader(each.fileno(), self._accept, each)

    def _pause(self) -> None:
        for each in self.sockets:
            self._loop.remove_reader(each.fileno())
        if self._resting is not None:
            self._resting.cancel()

    def _rest(self, pause_s: float) -> None:
        self._pause()
        self._resting = self._loop.call_later(pause_s, self._resume)

    def _accept(self, listening: socket.socket) -> None:
        for _ in range(self._limits.accepts):
            try:
                accepted, peer = listening.accept()
            except OSError as error:
                if error.errno not in TRANSIENT:
                    self._fail(error)
                    self._rest(self._limits.exhausted_s)
                return
            self._take(accepted, str(peer[0]))
        self._rest(self._limits.rest_s)

    def _take(self, accepted: socket.socket, host: str) -> None:
        accepted.setblocking(False)
        connection = self._connections.admit(host)
        if connection is None:
            with suppress(OSError):
                accepted.send(REFUSED)
            accepted.close()
            return
        task = self._loop.create_task(self._begin(connection, accepted))
        self._beginning.add(task)
        task.add_done_callback(self._beginning.discard)

    async def _begin(self, connection: Connection, accepted: socket.socket) -> None:
        try:
            await self._loop.connect_accepted_socket(lambda: connection, accepted)
        except OSError:  # the client has disconnected
            self._connections.forget(connection)
            accepted.close()

    def _fail(self, error: OSError) -> None:
        """Log once a minute that nothing can be accepted."""
        now_s = self._loop.time()
        if now_s - self._told_at_s < self._limits.report_s:
            self._untold += 1
            return
        more = f" ({self._untold} more since the last line)" if self._untold else ""
        why = remedy(error, "see `dmesg`")
        log.error(
            "the page cannot accept connections (%s): %s; it tries again every %g s%s",
            error.strerror, why, self._limits.exhausted_s, more, extra=about(Event.PAGE),
        )  # fmt: skip
        self._told_at_s, self._untold = now_s, 0
