"""A fresh store for each test, on a real file."""

from collections.abc import AsyncIterator
from pathlib import Path

import pytest

from watchkeeper.store import Store


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """Path of the database, in a folder that does not exist yet."""
    return tmp_path / "state" / "watchkeeper.db"


@pytest.fixture
async def store(path: Path) -> AsyncIterator[Store]:
    """An open store."""
    async with await Store.open(path) as opened:
        yield opened
