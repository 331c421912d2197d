"""Waiting for something that another process does."""

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
