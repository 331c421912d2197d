"""One connection of the page: how long it has waited for its client, for what, and whether that exceeds a time limit.

Not here: all of them together (connections.py), accepting (listener.py), the numbers (limits.py).
"""

import asyncio
from collections.abc import Awaitable, Callable
from enum import StrEnum
from typing import Any, Protocol

from aiohttp import web
from aiohttp.web_protocol import RequestHandler
from aiohttp.web_request import BaseRequest

from watchkeeper.web.http.limits import Limits

TOO_SLOW = b"HTTP/1.1 408 Request Timeout\r\nConnection: close\r\nContent-Length: 0\r\n\r\n"


class Closed(StrEnum):
    """Why a connection was closed on this side, as the log words it."""

    FOR_ROOM = "closed for new ones"
    REFUSED = "refused"
    LATE = "closed for a request that did not come whole in time"
    IDLE = "closed after idling"
    UNREAD = "closed because the answer was not read"


class Registry(Protocol):
    """What a connection belongs to. options: the arguments of aiohttp's request handler."""

    server: web.Server
    loop: asyncio.AbstractEventLoop
    limits: Limits
    options: dict[str, Any]

    def __contains__(self, connection: "Connection", /) -> bool: ...

    def forget(self, connection: "Connection") -> None:
        """Remove the connection: it is closed."""

    def answered(self, connection: "Connection") -> None:
        """Record that it waits for its client from now on."""

    def begin_stream(self, connection: "Connection", *, trusted: bool) -> bool:
        """May it become an event stream?"""


class Connection(RequestHandler):
    """One connection of a client.

    address: the address that shares its limits. waiting_at: the time of the accept, or the end of the last answer.
    """

    __slots__ = (
        "_asked_at", "_connections", "_head_at", "_heard", "_lost", "_request", "_unread", "_wire", "address", "stream",
        "trusted", "waiting_at",
    )  # fmt: skip

    def __init__(self, connections: Registry, address: str) -> None:
        super().__init__(connections.server, loop=connections.loop, **connections.options)
        self._connections, self.address = connections, address
        self.waiting_at = connections.loop.time()
        self._asked_at = self.waiting_at
        self._head_at: float | None = self.waiting_at
        self._heard = False
        self._request: BaseRequest | None = None
        self._unread: tuple[int, float] | None = None
        self._lost: Callable[[], None] | None = None
        # aiohttp drops its own reference when it closes, but unread data keeps the socket open.
        self._wire: asyncio.Transport | None = None
        self.stream = self.trusted = False

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        """Begin, unless the connection was closed for another one since its accept."""
        super().connection_made(transport)
        self._wire = self.transport
        if self not in self._connections:
            self.end()

    def connection_lost(self, exc: BaseException | None) -> None:
        """The client disconnected, or the connection was closed here."""
        self._wire = None
        self._connections.forget(self)
        super().connection_lost(exc)
        if self._lost is not None:
            self._lost()

    def data_received(self, data: bytes) -> None:
        """Start the time limit of a head at its first byte."""
        if not self._heard and data and self._request is None:
            self._heard = True
            if self._head_at is None:
                self._head_at = self._loop.time()
        super().data_received(data)

    def resume_writing(self) -> None:
        """The client has read on."""
        self._unread = None
        super().resume_writing()

    async def _handle_request(
        self,
        request: BaseRequest,
        start_time: float | None,
        request_handler: Callable[[BaseRequest], Awaitable[web.StreamResponse]],
    ) -> tuple[web.StreamResponse, bool]:
        """Mark that, from a whole head to the end of the answer, the connection does not wait for its client."""
        self._request, self._asked_at = request, self._loop.time()
        try:
            return await super()._handle_request(request, start_time, request_handler)
        finally:
            self._request = self._head_at = None
            self._heard = self.stream = False
            self.waiting_at = self._loop.time()
            self._connections.answered(self)

    def begin_stream(self, *, trusted: bool) -> bool:
        """Become an event stream; False if there are too many. trusted: its reader has signed in."""
        return self._connections.begin_stream(self, trusted=trusted)

    def tell_when_lost(self, call: Callable[[], None]) -> None:
        """Register a function that is called when the connection is lost."""
        self._lost = call

    def may_go(self, now_s: float) -> bool:
        """May it be closed for another one: does it wait for its client, or does its request exceed its time limit?"""
        if self._request is None:
            return not self._messages  # a whole head that is about to be answered
        if self.stream:
            return False
        limits = self._connections.limits
        late = now_s - self._asked_at > limits.body_s
        stuck = self._unread is not None and now_s - self._unread[1] > limits.stuck_s
        return late or stuck or not self._request.content.is_eof()

    def overdue(self, now_s: float) -> Closed | None:
        """Which time limit is exceeded."""
        limits = self._connections.limits
        if self._unread_for(now_s) > limits.unread_s:
            return Closed.UNREAD
        if self._request is not None:
            waits = not self._request.content.is_eof() and now_s - self._asked_at > limits.body_s
            return Closed.LATE if waits else None
        if self._head_at is not None and now_s - self._head_at > limits.head_s:
            return Closed.LATE
        return Closed.IDLE if now_s - self.waiting_at > limits.idle_s else None

    def _unread_for(self, now_s: float) -> float:
        """How long the client has read nothing of what waits to be sent."""
        waits = 0 if self._wire is None else self._wire.get_write_buffer_size()
        if not waits:
            self._unread = None
            return 0.0
        if self._unread is None or waits < self._unread[0]:
            self._unread = waits, now_s
        return now_s - self._unread[1]

    def end(self, last: bytes = b"") -> None:
        """Close it at once. last: sent before, to a client that has begun a request and got no part of an answer."""
        if self._wire is None:
            return
        begun = self._request is not None and self._request.writer.output_size > 0
        if last and self._heard and not begun and not self._wire.is_closing():
            self._wire.write(last)
        # Not close(): it would wait for a client that does not read.
        self._wire.abort()


def connection_of(request: web.Request) -> Connection | None:
    """The connection of a request, if it was accepted by serve()."""
    return request.protocol if isinstance(request.protocol, Connection) else None
