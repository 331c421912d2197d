"""Waiting for something that another process does."""

import socket
import time
from collections.abc import Callable
from typing import Any


def until(what: str, true: Callable[[], Any], within_s: float = 90) -> Any:
    """Wait for something, and return what was found. what: what it is, for the error."""
    end = time.monotonic() + within_s
    while not (found := true()):
        assert time.monotonic() < end, f"{what} did not come within {within_s} s"
        time.sleep(0.1)
    return found


def listens(port: int) -> bool:
    """Does something listen on a port of the loopback address?"""
    try:
        socket.create_connection(("127.0.0.1", port), 1).close()
    except OSError:
        return False
    return True
