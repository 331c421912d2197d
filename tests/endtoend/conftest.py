"""Fixtures of the stories with a real guest."""

import os
from collections.abc import AsyncIterator
from pathlib import Path

import pytest

from tests.probes.machines import short_folder
from tests.support.small_linux import Parts, build


@pytest.fixture(scope="session")
def parts(tmp_path_factory: pytest.TempPathFactory) -> Parts:
    """The kernel and the initial RAM disk of a small guest."""
    return build(Path(os.environ.get("GUEST_CACHE") or tmp_path_factory.mktemp("small-linux")))


@pytest.fixture
async def guest_folder() -> AsyncIterator[Path]:
    """Where a guest's disk and sockets are: the path of a socket is short."""
    async with short_folder() as made:
        yield made
