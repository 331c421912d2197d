"""The address of the page: its sockets, bound and listening. Nothing of what answers there is imported for it."""

import asyncio
import errno
import socket
from dataclasses import dataclass

from watchkeeper.errors import StartError
from watchkeeper.web.auth import passwords
from watchkeeper.web.settings import PageSettings

BACKLOG = 1_024
"""Connections that the kernel keeps until they are accepted; it limits this to net.core.somaxconn.

With asyncio's 100, a flood makes the kernel drop most handshakes, and each dropped one costs its client a second.
"""


@dataclass(frozen=True, slots=True)
class BoundPage:
    """Sockets on which the kernel already queues connections. address: to print, with the port that was bound."""

    sockets: tuple[socket.socket, ...]
    address: str

    def close(self) -> None:
        """Close them; connections that nobody has accepted are reset."""
        for each in self.sockets:
            each.close()


async def bind(settings: PageSettings) -> BoundPage:
    """Bind the page's address. Raises StartError if the port is not available, or the password's hash is invalid."""
    _check_password(settings)
    try:
        sockets = await _listening(settings.listen, settings.port)
    except OSError as error:
        raise StartError(_trouble(error, settings)) from error
    host = f"[{settings.listen}]" if ":" in settings.listen else settings.listen
    return BoundPage(sockets, f"http://{host}:{sockets[0].getsockname()[1]}{settings.prefix}/")


async def _listening(host: str, port: int) -> tuple[socket.socket, ...]:
    """Sockets bound as asyncio does it: one for each address of the host, IPv6 without IPv4."""
    server = await asyncio.get_running_loop().create_server(asyncio.Protocol, host, port, start_serving=False)
    try:
        sockets = tuple(each.dup() for each in server.sockets)
    finally:
        server.close()
    try:
        for each in sockets:
            each.setblocking(False)
            each.listen(BACKLOG)
    except OSError:  # the port may have been taken since it was bound
        for each in sockets:
            each.close()
        raise
    return sockets


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
