"""Answers one caller, whose connection the service manager passes as standard input (systemd.socket, Accept=yes)."""

import socket
import sys
from contextlib import suppress

from watchkeeper.privileged.protocol import serve


def main() -> None:
    """Serve and exit. A caller that has disconnected, or sends nothing, is not an error here."""
    with socket.socket(fileno=sys.stdin.fileno()) as connection, suppress(TimeoutError, ConnectionError):
        serve(connection)


if __name__ == "__main__":
    main()
