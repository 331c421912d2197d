"""Answers one caller, whose connection the service manager gives as standard input (systemd.socket, Accept=yes)."""

import socket
import sys
from contextlib import suppress

from watchkeeper.privileged.protocol import serve


def main() -> None:
    """Serve and end. A caller that has gone, or says nothing, is no fault of ours."""
    with socket.socket(fileno=sys.stdin.fileno()) as connection, suppress(TimeoutError, ConnectionError):
        serve(connection)


if __name__ == "__main__":
    main()
