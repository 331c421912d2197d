"""Notify open pages of changes, by server-sent events (the WHATWG HTML standard, section 9.2).

Only the fact of a change is sent: the page then requests its content again, so there is only one source of truth. While
nothing changes, only a comment every half minute is sent. Not here: what the page does about it (static/page.js), how
many may listen (connections.py).
"""

import asyncio
import contextlib

from aiohttp import web

from watchkeeper.web.auth.sessions import SESSION
from watchkeeper.web.context import of
from watchkeeper.web.http.connection import connection_of
from watchkeeper.web.http.problem_details import Refusal

LOOK_S = 1.0
"""How often the store's counter is checked, once for all listeners."""
REST_S = 5.0
"""Changes closer together than this are reported as one: nobody reads faster, and samples arrive all the time."""
COMMENT_S = 25.0
"""A comment is sent after this long without a change.

Proxies close connections that send nothing for longer (often after a minute), and a lost reader is only noticed when
something is sent.
"""
RETRY_MS = 5_000


class EventStream:
    """The listeners, and the one task that checks for changes while there are any."""

    def __init__(self) -> None:
        self._closing = False
        self._listeners: set[asyncio.Event] = set()
        self._looking: asyncio.Task[None] | None = None

    async def changes(self, request: web.Request) -> web.StreamResponse:
        """Report changes until the reader disconnects or the daemon stops."""
        answer = web.StreamResponse(headers={"Content-Type": "text/event-stream; charset=utf-8"})
        if request.method == "HEAD":
            return answer
        # Each listener has its own event, so that one whose connection is lost ends at once and alone.
        wake = asyncio.Event()
        _reserve(request, wake)
        await answer.prepare(request)
        self._listeners.add(wake)
        if self._looking is None:
            self._looking = asyncio.create_task(self._look(request))
        try:
            # A reader that has disconnected is not an error.
            with contextlib.suppress(ConnectionError):
                await self._report(request, answer, wake)
        finally:
            self._listeners.discard(wake)
            if not self._listeners and self._looking is not None:
                self._looking.cancel()
                self._looking = None
        return answer

    async def _report(self, request: web.Request, answer: web.StreamResponse, wake: asyncio.Event) -> None:
        store = of(request).store
        known = request.headers.get("Last-Event-ID", "")
        missed = bool(known) and known != str(store.version)
        await answer.write(_change(store.version) if missed else f"retry: {RETRY_MS}\n\n".encode())
        while not self._closing and request.transport is not None:
            line = b":\n\n"
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(COMMENT_S):
                    await wake.wait()
                line = _change(store.version)
            wake.clear()
            if not self._closing:
                await answer.write(line)

    async def _look(self, request: web.Request) -> None:
        store = of(request).store
        reported = store.version
        while True:
            await asyncio.sleep(LOOK_S)
            if store.version != reported:
                reported = store.version
                self._wake()
                await asyncio.sleep(REST_S - LOOK_S)

    def _wake(self) -> None:
        for each in self._listeners:
            each.set()

    async def close(self, _app: web.Application) -> None:
        """Signal handler: let every stream end, so that a stop does not wait for them."""
        self._closing = True
        self._wake()


EVENT_STREAM = web.AppKey("live", EventStream)


def _reserve(request: web.Request, wake: asyncio.Event) -> None:
    """Register the connection as a stream. Raises Refusal (503) if there are too many."""
    connection = connection_of(request)
    if connection is None:
        return
    if not connection.begin_stream(trusted=SESSION in request):
        raise Refusal(503, "Too many clients listen for changes; try again in a minute.", {"retry_after_s": 60})
    connection.tell_when_lost(wake.set)


def _change(version: int) -> bytes:
    return f"id: {version}\nevent: change\ndata: {version}\n\n".encode()


async def stream(request: web.Request) -> web.StreamResponse:
    """Report changes as they happen."""
    return await request.app[EVENT_STREAM].changes(request)
