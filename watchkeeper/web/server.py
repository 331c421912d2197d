"""Serve the page at its address, and stop."""

from dataclasses import dataclass
from typing import cast

from aiohttp import web

from watchkeeper.privileged import descriptors
from watchkeeper.web.bound_page import BoundPage, bind
from watchkeeper.web.http.connections import Connections
from watchkeeper.web.http.limits import Limits
from watchkeeper.web.http.listener import Listener
from watchkeeper.web.settings import PageSettings

SHUTDOWN_S = 2.0
"""How long a stop waits for answers in progress; none takes longer."""
LINGER_S = 2.0
"""How long the rest of a refused body is read, so that the client gets to see the refusal."""
LINE_BYTES = FIELD_BYTES = 8_190
FIELDS = 64
"""Limits of a request's head; a browser behind a proxy sends about twenty fields."""


@dataclass(frozen=True, slots=True)
class Served:
    """A page that is being served. address: to print, with the port that was actually bound."""

    runner: web.AppRunner
    address: str
    connections: Connections

    async def cleanup(self) -> None:
        """Stop serving: accept no new connection, finish answers in progress, close idle connections."""
        await self.runner.cleanup()
        self.connections.close()


async def serve(
    app: web.Application, settings: PageSettings, limits: Limits | None = None, bound: BoundPage | None = None
) -> Served:
    """Serve the app. Raises StartError if the port is not available, or the password's hash is invalid.

    limits: of connections; fewer are used if the process may not open so many descriptors. bound: the page's address,
    if it is bound already.
    """
    place = bound or await bind(settings)
    runner = web.AppRunner(app, access_log=None, shutdown_timeout=SHUTDOWN_S)
    await runner.setup()
    connections = _connections(cast("web.Server", runner.server), (limits or Limits()).within(descriptors.limit()))
    await Listener(runner, place, connections).start()
    return Served(runner, place.address, connections)


def _connections(server: web.Server, limits: Limits) -> Connections:
    options = {
        "access_log": None,
        "keepalive_timeout": limits.idle_s,
        "lingering_time": LINGER_S,
        "max_line_size": LINE_BYTES,
        "max_field_size": FIELD_BYTES,
        "max_headers": FIELDS,
    }
    return Connections(server, limits, options)
