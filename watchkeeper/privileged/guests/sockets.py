"""Connects to a guest's socket, and to nothing that was put in its place."""

import os
import socket
import stat


def connect(connection: socket.socket, path: str) -> None:
    """Connect to the socket at this path, and to nothing that a link in its place would lead to.

    The folder's owner could change it after it was checked. Raises OSError, and ValueError for a link or a file.
    """
    handle = os.open(path, os.O_PATH | os.O_NOFOLLOW | os.O_CLOEXEC)
    try:
        if not stat.S_ISSOCK(os.fstat(handle).st_mode):
            raise ValueError("it is no socket")
        connection.connect(f"/proc/self/fd/{handle}")
    finally:
        os.close(handle)
