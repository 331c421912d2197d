"""Fixtures shared by the notifiers' tests."""

import socket
from collections.abc import Iterator

import pytest


@pytest.fixture
def unused_port() -> Iterator[int]:
    """A loopback port that is bound, and on which nothing listens while the test runs."""
    with socket.socket() as held:
        held.bind(("127.0.0.1", 0))
        yield held.getsockname()[1]
