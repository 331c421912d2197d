"""What the tests of the plans share."""

from collections.abc import Iterator

import pytest

from watchkeeper.clock import Clock
from watchkeeper.probes.base import ProbeContext
from watchkeeper.probes.support.workers import ThreadWorkers


@pytest.fixture
def workers() -> Iterator[ThreadWorkers]:
    """Real workers; their idle threads end with the test."""
    workers = ThreadWorkers()
    yield workers
    workers.close()


@pytest.fixture
def bench(workers: ThreadWorkers) -> ProbeContext:
    """A bench with the real clock and real workers."""
    return ProbeContext(Clock(), workers)
