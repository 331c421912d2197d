"""Opens the port of the page and closes it again."""

import errno
from dataclasses import dataclass

from aiohttp import web

from watchkeeper.errors import StartError
from watchkeeper.web import passwords
from watchkeeper.web.settings import PageSettings

KEEPALIVE_S = 75.0
"""An idle connection is closed after this. Without it AppRunner keeps one for an hour (3630 s)."""
SHUTDOWN_S = 2.0
"""How long a stop waits for answers that are under way; none takes longer."""
LINE_BYTES = FIELD_BYTES = 8_190
FIELDS = 64
"""Limits of a request's head; a browser behind a proxy sends about twenty fields."""


@dataclass(frozen=True, slots=True)
class Served:
    """A page that is being served. address: to print, with the port that was really taken."""

    runner: web.AppRunner
    address: str

    async def cleanup(self) -> None:
        """Stop serving: no new connection, what is under way is finished, idle ones are closed."""
        await self.runner.cleanup()


async def serve(app: web.Application, settings: PageSettings) -> Served:
    """Serve the app. Raises StartError where the port cannot be had, or the password's hash is none."""
    _check_password(settings)
    runner = web.AppRunner(
        app,
        access_log=None,
        keepalive_timeout=KEEPALIVE_S,
        max_line_size=LINE_BYTES,
        max_field_size=FIELD_BYTES,
        max_headers=FIELDS,
        shutdown_timeout=SHUTDOWN_S,
    )
    await runner.setup()
    try:
        await web.TCPSite(runner, settings.listen, settings.port).start()
    except OSError as error:
        await runner.cleanup()
        raise StartError(_trouble(error, settings)) from error
    port = runner.addresses[0][1]
    host = f"[{settings.listen}]" if ":" in settings.listen else settings.listen
    return Served(runner, f"http://{host}:{port}{settings.prefix}/")


def _check_password(settings: PageSettings) -> None:
    """A password that nobody could sign in with is told now, and not in the middle of the night."""
    if settings.password is None:
        return
    try:
        passwords.parse(settings.password.read().get_secret_value())
    except OSError as error:
        raise StartError(f"page.password cannot be read from {settings.password.path}: {error.strerror}") from None
    except ValueError as error:
        raise StartError(f"page.password: {settings.password.path} {error}") from None


def _trouble(error: OSError, settings: PageSettings) -> str:
    """What is in the way, and what to do."""
    place = f"port {settings.port} on {settings.listen}"
    another = "or set page.port to another one (0 takes any that is free)"
    if error.errno == errno.EADDRINUSE:
        return f"the page cannot be served: {place} is taken; end what holds it, {another}"
    if error.errno == errno.EACCES:
        return f"the page cannot be served: {place} is not allowed to this user; take one above 1023, {another}"
    if error.errno == errno.EADDRNOTAVAIL:
        return f"the page cannot be served: this machine has no address {settings.listen}; set page.listen to 127.0.0.1"
    return f"the page cannot be served: {place}: {error.strerror or error}"
