"""Cache answers until the store changes, so that many screens cost as much as one.

An answer is made once for all who ask at the same time. What the operator sees after signing in is never cached.
"""

import asyncio
import hashlib
from collections import OrderedDict
from dataclasses import dataclass, field

from aiohttp import web
from multidict import CIMultiDict, CIMultiDictProxy

from watchkeeper.web.auth.session_auth import session_of
from watchkeeper.web.context import of
from watchkeeper.web.http.middleware import Handler

HELD_S = 15.0
"""The maximum age of an answer even if nothing has changed: times left get shorter, and the page shows its own time."""
MOST = 64
"""Answers that are cached: every page that a household opens. The least recently requested one is dropped."""


@dataclass(slots=True)
class _Place:
    """One answer, and the lock under which it is made."""

    lock: asyncio.Lock = field(default_factory=asyncio.Lock)
    version: int = -1
    made_s: float = 0.0
    body: bytes = b""
    headers: CIMultiDictProxy[str] = field(default_factory=lambda: CIMultiDictProxy(CIMultiDict()))


class ResponseCache:
    """The cached answers of one application."""

    def __init__(self) -> None:
        self._places: OrderedDict[str, _Place] = OrderedDict()

    def keep(self, handler: Handler) -> Handler:
        """A handler that gives a cached answer if there is a valid one."""

        async def kept(request: web.Request) -> web.StreamResponse:
            if session_of(request) is not None:
                return await handler(request)
            place = self._place(request.path_qs)
            if not self._holds(request, place):
                async with place.lock:
                    if not self._holds(request, place):
                        made = await self._make(request, handler, place)
                        if made is not None:
                            return made
            return web.Response(body=place.body, headers=place.headers)

        return kept

    def _place(self, name: str) -> _Place:
        place = self._places.get(name)
        if place is None:
            place = self._places[name] = _Place()
            if len(self._places) > MOST:
                self._places.popitem(last=False)
        else:
            self._places.move_to_end(name)
        return place

    @staticmethod
    def _holds(request: web.Request, place: _Place) -> bool:
        context = of(request)
        return place.version == context.store.version and context.clock.monotonic_s() - place.made_s < HELD_S

    @staticmethod
    async def _make(request: web.Request, handler: Handler, place: _Place) -> web.StreamResponse | None:
        """Make the answer and cache it; return it only if it cannot be cached."""
        context = of(request)
        # Read before the store is read: a change while the answer is made shows in the next one.
        version, begun_s = context.store.version, context.clock.monotonic_s()
        made = await handler(request)
        if made.status != 200 or not isinstance(made, web.Response) or not isinstance(made.body, bytes):
            return made
        made.headers["ETag"] = f'"{hashlib.sha256(made.body).hexdigest()[:24]}"'
        place.version, place.made_s = version, begun_s
        place.body, place.headers = made.body, CIMultiDictProxy(CIMultiDict(made.headers))
        return None
