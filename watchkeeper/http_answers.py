"""Limits what an HTTP server may send before its final answer.

RFC 9110 15.2: a client must be able to parse one or more interim answers (status 1xx) before the final one, and sets no
limit; a server that sends them without end would keep a core busy until the time is up. Not here: requests.
"""

from collections.abc import Awaitable, Callable
from typing import Any

import aiohttp

INTERIM_LIMIT = 16
"""An upload gets one (100), a page with hints a few (103)."""


class TooManyInterim(aiohttp.ClientPayloadError):
    """The server sent more interim answers than allowed."""


class BoundedAnswer(aiohttp.ClientResponse):
    """An answer with at most INTERIM_LIMIT interim answers before it."""

    async def start(self, connection: Any) -> aiohttp.ClientResponse:  # noqa: ANN401  the library's own type is private
        """Wait for the final answer. Raises TooManyInterim after too many others."""
        protocol = connection.protocol
        protocol.read = _counted(protocol.read)
        try:
            return await super().start(connection)
        finally:
            del protocol.read


def _counted(read: Callable[[], Awaitable[Any]]) -> Callable[[], Awaitable[Any]]:
    left = INTERIM_LIMIT + 1

    async def counted() -> Any:  # noqa: ANN401  the library's message
        nonlocal left
        if not left:
            raise TooManyInterim(f"it sent more than {INTERIM_LIMIT} interim answers (1xx)")
        left -= 1
        return await read()

    return counted
