"""Open the port of the page and close it again."""

import errno
from dataclasses import dataclass
from typing import cast

from aiohttp import web

from watchkeeper.errors import StartError
from watchkeeper.privileged import descriptors
from watchkeeper.web.auth import passwords
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


async def serve(app: web.Application, settings: PageSettings, limits: Limits | None = None) -> Served:
    """Serve the app. Raises StartError if the port is not available, or the password's hash is invalid.

    limits: of connections; fewer are used if the process may not open so many descriptors.
    """
    _check_password(settings)
    runner = web.AppRunner(app, access_log=None, shutdown_timeout=SHUTDOWN_S)
    await runner.setup()
    connections = _connections(cast("web.Server", runner.server), (limits or Limits()).within(descriptors.limit()))
    try:
        await Listener(runner, (settings.listen, settings.port), connections).start()
    except OSError as error:
        await runner.cleanup()
        raise StartError(_trouble(error, settings)) from error
    port = runner.addresses[0][1]
    host = f"[{settings.listen}]" if ":" in settings.listen else settings.listen
    return Served(runner, f"http://{host}:{port}{settings.prefix}/", connections)


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


def _check_password(settings: PageSettings) -> None:
    """Reject at the start a password hash that nobody could sign in with, and not in the middle of the night."""
    if settings.password is None:
        return
    try:
        passwords.parse(settings.password.read().get_secret_value())
    except OSError as error:
        raise StartError(f"page.password cannot be read from {settings.password.path}: {error.strerror}") from None
    except ValueError as error:
        raise StartError(f"page.password: {settings.password.path} {error}") from None


def _trouble(error: OSError, settings: PageSettings) -> str:
    """What prevents serving, and what to do."""
    place = f"port {settings.port} on {settings.listen}"
    another = "or set page.port to another one (0 takes any that is free)"
    if error.errno == errno.EADDRINUSE:
        return f"the page cannot be served: {place} is taken; end what holds it, {another}"
    if error.errno == errno.EACCES:
        return f"the page cannot be served: {place} is not allowed to this user; take one above 1023, {another}"
    if error.errno == errno.EADDRNOTAVAIL:
        return f"the page cannot be served: this machine has no address {settings.listen}; set page.listen to 127.0.0.1"
    return f"the page cannot be served: {place}: {error.strerror or error}"
