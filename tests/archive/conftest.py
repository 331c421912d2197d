"""An archive in a real PostgreSQL server, empty for each test."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.support.postgres import Server, server
from watchkeeper.archive.migrations import TABLES
from watchkeeper.archive.setting_up import Wanted, set_up


@pytest.fixture(scope="module")
def running() -> Iterator[Server]:
    """A server with an archive for two hosts and a page."""
    with server() as made:
        set_up(made.address(), Wanted(hosts=("gannet", "petrel"), page=True))
        yield made


@pytest.fixture
def archive(running: Server) -> Server:
    """An empty archive."""
    for table in TABLES:
        running.query(f"DELETE FROM watchkeeper.{table}")
    running.query(
        "UPDATE watchkeeper.hosts SET installation = NULL, epoch = '', generation = 0, cursor = '', seen_at_us = 0"
    )
    return running


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """Path of the host's database."""
    return tmp_path / "watchkeeper.db"
