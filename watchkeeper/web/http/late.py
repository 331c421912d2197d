"""Handlers that are imported with their first request: the planner and the feeds, which a daemon may never need.

The import takes up to half a second of processor time, so it runs in a thread while monitoring continues.
"""

import asyncio
from importlib import import_module

from aiohttp import web

from watchkeeper.web.http.middleware import Handler


def late(module: str, name: str) -> Handler:
    """The handler of this name. module: in this package, such as `feeds.handlers`."""

    async def handler(request: web.Request) -> web.StreamResponse:
        found = await asyncio.to_thread(import_module, f"watchkeeper.web.{module}")
        answer: web.StreamResponse = await getattr(found, name)(request)
        return answer

    return handler
